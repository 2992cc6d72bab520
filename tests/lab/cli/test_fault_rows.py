"""Rows of the fault matrix on this computer, its disk, the input and people, by the real program."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml

from probe.model.evidence import Exchange
from probe.record.content import lineup_of, load
from probe.record.rejudge import judge_again
from probe.record.verify import verify

Meters = Callable[..., SimpleNamespace]
Program = Callable[..., subprocess.CompletedProcess[bytes]]
PATIENCE_S = 60


def started(desk: SimpleNamespace, surroundings: dict[str, str], *more: str) -> subprocess.Popen[bytes]:
    """An audit on its way, its record ``one.audit.jsonl``."""
    command = [sys.executable, "-m", "probe", "audit", desk.map, "--profiles", desk.profiles]
    return subprocess.Popen(
        [*map(str, command), "--record", "one.audit.jsonl", *more],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=desk.folder,
        env=surroundings,
    )


def until(holds: Callable[[], bool]) -> None:
    """Wait for it, with a generous bound."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot stop and continue a process by a signal")
def test_a_computer_that_was_stopped_in_the_middle(meters: Meters, surroundings: dict[str, str]) -> None:
    """L2: stopped for three seconds while it waits for answers; it goes on, says so, and blames no device."""
    desk = meters(4, delay_s=0.25)
    process = started(desk, surroundings, "--json")
    until(lambda: desk.servers[0].beats >= 1)
    process.send_signal(signal.SIGSTOP)
    time.sleep(3.0)
    process.send_signal(signal.SIGCONT)
    out, text = process.communicate(timeout=PATIENCE_S)
    said = json.loads(out)
    assert process.returncode in (0, 3), text.decode()
    assert [f["id"] for f in said["findings"] if f["verdict"] == "fail"] == []
    record = desk.folder / "one.audit.jsonl"
    assert verify(record).holds
    assert b'"stalled"' in record.read_bytes()


def test_without_a_time_zone_database_of_the_system(meters: Meters, program: Program) -> None:
    """L7: PYTHONTZPATH empty is a system without one; the database of the package serves."""
    code = "import zoneinfo; assert zoneinfo.TZPATH == (); print(zoneinfo.ZoneInfo('America/Denver').key)"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        env=os.environ | {"PYTHONTZPATH": ""},
        timeout=PATIENCE_S,
        check=False,
    )
    assert ran.stdout.split() == [b"America/Denver"], ran.stderr
    desk = meters(1)
    desk.map.write_text(desk.map.read_text().replace("devices:", "clock: {zone: America/Denver}\ndevices:"))
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--quick", PYTHONTZPATH="")
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_no_map_can_ask_for_tls(meters: Meters, program: Program) -> None:
    """N18: the words that a map allows for its framing are named; nothing is asked, nothing falls back."""
    desk = meters(1)
    desk.map.write_text(desk.map.read_text().replace("host: 127.0.0.1,", "host: 127.0.0.1, framing: tls,"))
    ran = program("audit", desk.map, "--profiles", desk.profiles)
    assert ran.returncode == 2
    assert b"framing" in ran.stderr
    assert b"mbap" in ran.stderr
    assert desk.servers[0].beats == 0


def test_a_run_of_another_map_than_the_approved_one_says_so(meters: Meters, program: Program) -> None:
    """I6: on the screen before anything is asked, and in the map that the record holds."""
    desk = meters(1)
    digest = "0" * 64
    desk.map.write_text(desk.map.read_text().replace("devices:", f'approved_sha256: "{digest}"\ndevices:'))
    ran = program("audit", desk.map, "--profiles", desk.profiles, "--record", "one.audit.jsonl")
    out = " ".join((ran.stdout + ran.stderr).decode().split())
    assert ran.returncode == 0, out
    assert "the map is not the one that was approved" in out
    assert digest in load(desk.folder / "one.audit.jsonl").header.map_texts[0].text


def test_contents_then_folder_are_synchronised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """S4: a sealed record and a new report: the file first, then (where systems know it) its folder."""
    if not Path("/proc/self/fd").is_dir():
        pytest.skip("names of open files are seen in /proc, which this system has not")
    from probe.cli.new_file import make_new
    from probe.record.header import Header
    from probe.record.writer import RecordWriter

    synced: list[str] = []
    real = os.fsync

    def noted(handle: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))
        real(handle)

    monkeypatch.setattr(os, "fsync", noted)
    source = load(Path(__file__).parents[2] / "records" / "format-1.audit.jsonl")
    assert isinstance(source.header, Header)
    path = tmp_path / "run.audit.jsonl"
    writer = RecordWriter.create(path, source.header)
    writer.seal(complete=True, reason="")
    writer.close()
    assert str(path) in synced
    assert str(tmp_path) in synced
    synced.clear()
    make_new(tmp_path / "new.txt", lambda file: file.write(b"x"))
    assert synced[0] == str(tmp_path / "new.txt")


def test_a_run_leaves_one_file_that_only_grew(meters: Meters, surroundings: dict[str, str]) -> None:
    """S5: seen from outside while it runs: one new file, never shorter, its beginning never another."""
    desk = meters(2, delay_s=0.05)
    before = {path.name for path in desk.folder.iterdir()}
    process = started(desk, surroundings)
    record = desk.folder / "one.audit.jsonl"
    until(record.exists)
    head = b""
    sizes = []
    while process.poll() is None:
        data = record.read_bytes().rstrip(b"\0")
        assert data.startswith(head)
        head = data[: max(data.rfind(b"\n") + 1, 0)]
        sizes.append(len(head))
        time.sleep(0.05)
    process.communicate()
    assert process.returncode == 0
    assert sizes == sorted(sizes)
    assert len(set(sizes)) > 1
    assert record.read_bytes().startswith(head)
    assert {path.name for path in desk.folder.iterdir()} - before - {"state"} == {"one.audit.jsonl"}
    assert verify(record).holds


def test_the_wrong_board_with_the_same_addresses(tmp_path: Path, program: Program) -> None:
    """O1: all addresses answer, each with another serial number: the run ends itself, and judges no value."""
    tags = ["52-F1", "52-F2", "MTR-M1", "MC-1"]
    faults = [
        {"kind": "wrong-serial", "at": tag, "text": f"OTHER-{number}"} for number, tag in enumerate(tags)
    ]
    scenario = {"format": "buswitness-scenario/1", "title": "Another board", "seed": "o1"}
    faults.append({"kind": "dead", "at": "MTR-M2"})  # still waited for when the others have told enough
    scenario |= {"devices": [*tags, "MTR-M2"], "faults": faults}
    (tmp_path / "board.yaml").write_text(yaml.safe_dump(scenario))
    words = ("--record", "one.audit.jsonl", "--json", "--dwell", "5m")
    ran = program("demo", "--scenario", "board.yaml", *words)
    assert ran.returncode == 3, ran.stderr
    said = json.loads(ran.stdout)
    assert said["why_incomplete"].startswith("another board answers at these addresses")
    assert said["causes"][0]["kind"] == "another board"
    by_check: dict[str, dict[str, str]] = {}
    for one in said["findings"]:
        by_check.setdefault(one["check"], {})[one["subject"]] = one["verdict"]
    assert list(by_check["identity.serial"].values()).count("fail") >= 3
    for check in ("values.range", "values.available", "clock.skew", "state.breaker", "supply.voltage"):
        assert set(by_check.get(check, {}).values()) <= {"not tested"}, check
    ended = [one for one in said["findings"] if "the run was ended: another board" in one["title"]]
    assert {(one["subject"], one["verdict"]) for one in ended} == {("MTR-M2", "not tested")}
    content = load(tmp_path / "one.audit.jsonl")
    assert verify(tmp_path / "one.audit.jsonl").holds
    assert max(one.round for _, one in content.evidence[Exchange]) < 30, "of five minutes of rounds"
    assert judge_again(content, lineup_of(content.header)).findings == content.findings
