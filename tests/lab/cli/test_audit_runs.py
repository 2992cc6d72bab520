"""The audit command end to end against small servers on loopback: exit codes, streams, record."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from types import SimpleNamespace

import pytest

Meters = Callable[..., SimpleNamespace]
Program = Callable[..., subprocess.CompletedProcess[bytes]]


def own_network_allowed() -> bool:
    """Whether this system lets us make a network namespace."""
    if sys.platform != "linux" or shutil.which("unshare") is None:
        return False
    return subprocess.run(["unshare", "-n", "true"], check=False, capture_output=True).returncode == 0


def test_a_healthy_lineup_exits_0_and_leaves_a_record(meters: Meters, program: Program) -> None:
    desk = meters(2)
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--record", "one.audit.jsonl")
    out = ran.stdout.decode()
    assert ran.returncode == 0, out + ran.stderr.decode()
    assert "DESK, Tarn Hollow Water Works: nothing fails" in out
    assert "Caution" in out
    assert max(map(len, out.splitlines())) <= 80
    assert (desk.folder / "one.audit.jsonl").stat().st_size > 0
    assert program("record", "verify", "one.audit.jsonl").returncode == 0


def test_json_is_one_object_and_people_read_stderr(meters: Meters, program: Program) -> None:
    desk = meters(2, volts=350.0)
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--json")
    document = json.loads(ran.stdout)
    assert (ran.returncode, document["exit_code"]) == (1, 1)
    assert document["format"] == "buswitness-audit/1"
    assert document["complete"] is True
    assert document["counts"]["fail"] >= 2
    assert (desk.folder / document["record"]["path"]).is_file()
    assert document["record"]["path"].startswith("DESK-2")
    assert "something fails" in ran.stderr.decode()


def test_a_poor_pipe_gets_ascii(meters: Meters, program: Program) -> None:
    desk = meters(1)
    ran = program("audit", desk.map, "--profiles", desk.profiles, PYTHONIOENCODING="cp1252")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert b"+ pass" in ran.stdout
    assert b"?" not in ran.stdout.replace(b" ?  not tested", b"").replace(b"? ", b"")


def test_a_record_is_never_written_over(meters: Meters, program: Program) -> None:
    desk = meters(1)
    old = desk.folder / "old.audit.jsonl"
    old.write_text("mine\n")
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--record", old)
    assert ran.returncode == 2
    assert b"exists already" in ran.stderr
    assert old.read_text() == "mine\n"
    assert desk.servers[0].beats == 0, "a device was asked before the record was made"


def test_a_record_in_no_folder_is_told_before_any_device_is_asked(meters: Meters, program: Program) -> None:
    desk = meters(1)
    ran = program(
        "audit", desk.map, "--profiles", desk.profiles, "--record", "no/such/folder/x.jsonl", "--json"
    )
    assert ran.returncode == 2
    assert json.loads(ran.stdout)["problems"][0]["what"].startswith("the record cannot be started")
    assert desk.servers[0].beats == 0


@pytest.mark.skipif(sys.platform == "win32", reason="head is POSIX")
def test_a_reader_that_leaves_does_not_end_the_audit(meters: Meters, surroundings: dict[str, str]) -> None:
    desk = meters(2)
    line = (
        f"'{sys.executable}' -m probe audit {desk.map} --profiles {desk.profiles} --record r.audit.jsonl "
        "| head -n 1"
    )
    ran = subprocess.run(
        line, shell=True, capture_output=True, cwd=desk.folder, env=surroundings, check=False
    )
    assert ran.stdout == b"DESK, Tarn Hollow Water Works\n"
    assert ran.stderr == b""
    assert b'"kind":"seal"' in (desk.folder / "r.audit.jsonl").read_bytes().splitlines()[-1]


def test_only_and_skip(meters: Meters, program: Program) -> None:
    desk = meters(6)
    ran = program(
        "audit", desk.map, "--profiles", desk.profiles, "--only", "section:2", "--skip", "PM-6", "--json"
    )
    document = json.loads(ran.stdout)
    assert [device["tag"] for device in document["devices"]] == ["PM-5"]
    assert [server.beats > 0 for server in desk.servers] == [False] * 4 + [True, False]


def test_a_mistyped_choice_is_told_with_the_nearest_name(meters: Meters, program: Program) -> None:
    desk = meters(2)
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--skip", "kind:metre")
    assert ran.returncode == 2
    assert b"nearest: meter" in ran.stderr
    assert [server.beats for server in desk.servers] == [0, 0]


def test_a_device_that_is_not_there_fails(meters: Meters, program: Program) -> None:
    desk = meters(2)
    desk.servers[1].shutdown()
    desk.servers[1].server_close()
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--json")
    document = json.loads(ran.stdout)
    assert ran.returncode == 1
    verdicts = {device["tag"]: device["verdict"] for device in document["devices"]}
    assert verdicts == {"PM-1": "pass", "PM-2": "fail"}


@pytest.mark.skipif(
    not own_network_allowed(),
    reason="needs a network namespace of its own",
)
def test_no_way_to_the_gear_stops_before_anything(meters: Meters, surroundings: dict[str, str]) -> None:
    desk = meters(1)
    desk.map.write_text(desk.map.read_text().replace("127.0.0.1", "198.51.100.7"))
    arguments = ["audit", str(desk.map), "--profiles", str(desk.profiles), "--record", "r.audit.jsonl"]
    ran = subprocess.run(
        ["unshare", "-n", sys.executable, "-m", "probe", *arguments],
        capture_output=True,
        cwd=desk.folder,
        env=surroundings,
        check=False,
    )
    assert ran.returncode == 2
    assert b"this computer has no way to 198.51.100.7" in ran.stderr
    assert b"mend     give the wired adapter a free address" in ran.stderr
    assert not (desk.folder / "r.audit.jsonl").exists()
