"""A record's whole life by the real program, from the key over retests and acceptances to the hand-over."""

from __future__ import annotations

import json
import runpy
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

Meters = Callable[..., SimpleNamespace]
Program = Callable[..., subprocess.CompletedProcess[bytes]]

CHECK = runpy.run_path(str(Path(__file__).parents[3] / "docs" / "verify_record.py"))["check_file"]


class Desk:
    """The program with a key of its own and a lineup of meters."""

    def __init__(self, meters: Meters, program: Program, count: int) -> None:
        self.gear = meters(count)
        self.folder = self.gear.folder
        self._program = program

    def run(self, *arguments: object, code: int = 0) -> subprocess.CompletedProcess[bytes]:
        key = {"BUSWITNESS_KEY_FILE": str(self.folder / "key.pem")}
        ran = self._program(*arguments, **key)
        assert ran.returncode == code, (arguments, ran.stdout.decode(), ran.stderr.decode())
        return ran

    def told(self, *arguments: object, code: int = 0) -> dict[str, Any]:
        return json.loads(self.run(*arguments, "--json", code=code).stdout)  # type: ignore[no-any-return]

    def audit(self, record: str, *more: object, code: int = 0) -> dict[str, Any]:
        where = (
            ()
            if "--retest" in more or "--resume" in more
            else (self.gear.map, "--profiles", self.gear.profiles)
        )
        return self.told("audit", *where, "--record", record, "--operator", "A. Tester", *more, code=code)


@pytest.fixture
def desk(meters: Meters, program: Program) -> Desk:
    made = Desk(meters, program, 3)
    made.run("key", "new")
    return made


def test_a_failure_is_retested_merged_and_never_erased(desk: Desk) -> None:
    desk.gear.servers[1].volts = 350.0
    first = desk.audit("first.audit.jsonl", code=1)
    bad = {f["id"] for f in first["findings"] if f["verdict"] == "fail"}
    assert {f["subject"] for f in first["findings"] if f["id"] in bad} == {"PM-2"}
    desk.gear.servers[1].volts = 480.0
    before = (desk.folder / "first.audit.jsonl").read_bytes()
    retest = desk.audit("retest.audit.jsonl", "--retest", "first.audit.jsonl")
    assert {device["tag"] for device in retest["devices"]} == {"PM-2"}
    first_of_all = {"reach.answers", "fresh.device"}
    judged = {f["check"] for f in retest["findings"] if f["subject"] == "PM-2"}
    assert {one for one in judged - first_of_all if one.partition(".")[0] not in ("identity", "proof")} == {
        "supply.voltage"
    }, "just what failed, after who it is, its proof and that it is alive"
    assert (desk.folder / "first.audit.jsonl").read_bytes() == before, "nothing recorded is rewritten"
    head = json.loads((desk.folder / "retest.audit.jsonl").read_bytes().split(b"\n")[0])["body"]
    assert [(s["relation"], s["code"]) for s in head["sources"]] == [("retests", first["record"]["code"])]

    merged = desk.told(
        "record", "merge", "retest.audit.jsonl", "first.audit.jsonl", "--record", "m.audit.jsonl"
    )
    assert (merged["counts"]["fail"], merged["complete"]) == (0, True)
    histories = {one["finding"]: one for one in merged["histories"]}
    for name in bad:
        assert histories[name]["disposition"] == "closed"
        assert histories[name]["stages"][0]["verdict"] == "fail"
        assert histories[name]["stages"][0]["operator"] == "A. Tester"
    assert CHECK(desk.folder / "m.audit.jsonl")[2] != ""
    shown = desk.told("record", "show", "m.audit.jsonl", "--finding", next(iter(merged["findings"]))["id"])
    assert shown["findings"]


def test_the_bytes_of_a_merged_finding_are_those_of_its_run(desk: Desk) -> None:
    desk.gear.servers[0].volts = 350.0
    desk.audit("first.audit.jsonl", code=1)
    desk.run("record", "merge", "first.audit.jsonl", "--record", "m.audit.jsonl", code=1)
    for name in ("first.audit.jsonl", "m.audit.jsonl"):
        listed = desk.told("record", "show", name)["findings"]
        number = next(n for n, f in enumerate(listed, 1) if f["verdict"] == "fail" and f["evidence"])
        shown = desk.told("record", "show", name, "--finding", number)
        exchange = next(e for e in shown["evidence"] if e["kind"] == "exchange" and e["decoded"])
        values = {field["name"]: field for field in exchange["decoded"]}
        assert values["voltage_ab"]["value"] == "350.0"
        assert bytes.fromhex(values["voltage_ab"]["raw"]) == (3500).to_bytes(2, "big")
        assert values["voltage_ab"]["raw"] in exchange["response"]


def test_a_record_inside_a_merged_one_comes_out_byte_for_byte(desk: Desk) -> None:
    desk.audit("first.audit.jsonl")
    desk.run("record", "merge", "first.audit.jsonl", "--record", "m.audit.jsonl")
    desk.run("record", "export", "m.audit.jsonl", "--source", 1, "--output", "out.audit.jsonl")
    assert (desk.folder / "out.audit.jsonl").read_bytes() == (desk.folder / "first.audit.jsonl").read_bytes()
    desk.run("record", "export", "m.audit.jsonl", "--source", 2, "--output", "none.audit.jsonl", code=2)
    assert not (desk.folder / "none.audit.jsonl").exists()


def test_an_accepted_deviation_still_fails(desk: Desk) -> None:
    desk.gear.servers[2].volts = 350.0
    first = desk.audit("first.audit.jsonl", code=1)
    bad = next(f for f in first["findings"] if f["verdict"] == "fail")
    said = ("--by", "Owner's engineer", "--reason", "fed from the test set")
    desk.run(
        "record", "accept", "first.audit.jsonl", "--finding", bad["id"], *said, "--record", "a.audit.jsonl"
    )
    merged = desk.told(
        "record", "merge", "first.audit.jsonl", "a.audit.jsonl", "--record", "m.audit.jsonl", code=1
    )
    history = next(one for one in merged["histories"] if one["finding"] == bad["id"])
    assert history["disposition"] == "accepted"
    assert next(f for f in merged["findings"] if f["id"] == bad["id"])["verdict"] == "fail"
    desk.run("record", "export", "m.audit.jsonl", "--punch-list", "--output", "p.json")
    listed = json.loads((desk.folder / "p.json").read_text(encoding="utf-8"))["punch_list"]
    row = next(one for one in listed if one["id"] == bad["id"])
    assert (row["disposition"], row["accepted_by"]) == ("accepted", "Owner's engineer")
    again = desk.told(
        "record", "merge", "m.audit.jsonl", "a.audit.jsonl", "--record", "mm.audit.jsonl", code=1
    )
    assert again["histories"] == merged["histories"], "merging what was merged changes nothing"
    missing = ("record", "merge", "a.audit.jsonl", "--record", "x.audit.jsonl")
    desk.run(*missing, code=2)
    nothing = next(f for f in first["findings"] if f["verdict"] == "pass")
    desk.run("record", "accept", "first.audit.jsonl", "--finding", nothing["id"], *said, code=2)


def test_a_killed_run_is_resumed_in_a_new_record(desk: Desk, surroundings: dict[str, str]) -> None:
    slow = desk.gear.servers[2]
    slow.delay_s = 1.2
    arguments = ["audit", desk.gear.map, "--profiles", desk.gear.profiles, "--record", "cut.audit.jsonl"]
    run = subprocess.Popen(
        [sys.executable, "-m", "probe", *map(str, arguments)],
        cwd=desk.folder,
        env=surroundings,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _wait_for_marks(desk.folder / "cut.audit.jsonl", 2)
    run.kill()
    run.wait()
    slow.delay_s = 0.0
    before = (desk.folder / "cut.audit.jsonl").read_bytes()
    rest = desk.audit("rest.audit.jsonl", "--resume", "cut.audit.jsonl")
    assert {device["tag"] for device in rest["devices"]} == {"PM-3"}
    assert (desk.folder / "cut.audit.jsonl").read_bytes() == before
    files = ("cut.audit.jsonl", "rest.audit.jsonl")
    merged = desk.told("record", "merge", *files, "--record", "m.audit.jsonl")
    assert merged["complete"] is True
    assert {device["tag"]: device["verdict"] for device in merged["devices"]}["PM-1"] in ("pass", "review")
    desk.run("record", "verify", "m.audit.jsonl")
    assert CHECK(desk.folder / "m.audit.jsonl")
    desk.run("audit", "--resume", "rest.audit.jsonl", code=2)


def _wait_for_marks(record: Path, many: int) -> None:
    """Until so many devices are judged, at most twenty seconds."""
    for _ in range(400):
        if record.exists() and record.read_bytes().count(b'"topic":"judged"') >= many:
            return
        time.sleep(0.05)
    pytest.fail("the run did not come so far")


def test_judging_again_gives_the_same_and_a_corrected_map_gives_a_new_record(desk: Desk) -> None:
    desk.gear.servers[1].volts = 350.0
    first = desk.audit("first.audit.jsonl", code=1)
    again = desk.told("record", "judge", "first.audit.jsonl", code=1)
    assert again["judged_again"]["equal"] is True
    for name in (
        "format",
        "site",
        "lineup",
        "complete",
        "counts",
        "devices",
        "findings",
        "causes",
    ):
        assert again[name] == first[name], name
    corrected = desk.gear.map.read_text(encoding="utf-8").replace("voltage_v: 480", "voltage_v: 350")
    (desk.folder / "corrected.yaml").write_text(corrected, encoding="utf-8")
    before = (desk.folder / "first.audit.jsonl").read_bytes()
    other = desk.told(
        "record",
        "judge",
        "first.audit.jsonl",
        "--map",
        "corrected.yaml",
        "--record",
        "new.audit.jsonl",
        code=1,
    )
    assert {f["subject"] for f in other["findings"] if f["verdict"] == "fail"} == {"PM-1", "PM-3"}
    reasons = {one["reason"] for one in other["judged_again"]["differences"]}
    assert reasons == {"judged with a corrected map or profile"}
    assert (desk.folder / "first.audit.jsonl").read_bytes() == before
    head = json.loads((desk.folder / "new.audit.jsonl").read_bytes().split(b"\n")[0])["body"]
    assert [(s["relation"], s["code"]) for s in head["sources"]] == [
        ("judges again", first["record"]["code"])
    ]
    desk.run("record", "verify", "new.audit.jsonl")
    assert desk.told("record", "judge", "new.audit.jsonl", code=1)["judged_again"]["equal"] is True


def test_a_profile_is_corrected_without_going_back_to_site(desk: Desk) -> None:
    """A scale ten times too small: the evidence is judged by the right one."""
    types = desk.gear.profiles / "desk-meter.yaml"
    right = types.read_text(encoding="utf-8")
    types.write_text(right.replace("scale: 0.1", "scale: 0.01"), encoding="utf-8")
    desk.audit("first.audit.jsonl", code=1)
    types.write_text(right, encoding="utf-8")
    other = desk.told("record", "judge", "first.audit.jsonl", "--profile", types, "--record", "n.audit.jsonl")
    assert other["counts"]["fail"] == 0
    assert other["record"]["path"] == "n.audit.jsonl"


def test_a_verdict_that_does_not_follow_from_the_bytes_is_called_so(desk: Desk) -> None:
    """Somebody makes the chain anew with a fail turned into a pass: the hashes hold, the bytes contradict."""
    from probe.record.line import digest, line
    from probe.record.reader import parse
    from probe.record.seal import seal_line

    desk.gear.servers[0].volts = 350.0
    desk.audit("first.audit.jsonl", "--no-sign", code=1)
    made, previous = [], "0" * 64
    for raw in (desk.folder / "first.audit.jsonl").read_bytes().split(b"\n")[:-1]:
        read = parse(raw)
        body = dict(read.body)
        if read.kind == "finding" and body["verdict"] == "fail":
            body["verdict"] = "pass"
        new = line(read.sequence, previous, read.kind, body)
        if read.kind == "seal":
            new = seal_line(read.sequence, previous, complete=True, reason="")
        made.append(new)
        previous = digest(new)
    (desk.folder / "forged.audit.jsonl").write_bytes(b"".join(one + b"\n" for one in made))
    desk.run("record", "verify", "forged.audit.jsonl")
    again = desk.told("record", "judge", "forged.audit.jsonl", code=1)["judged_again"]
    assert again["equal"] is False
    assert all("does not follow from the recorded bytes" in one["reason"] for one in again["differences"])


def test_two_runs_of_the_same_gear_do_not_differ_and_a_change_is_found(desk: Desk) -> None:
    desk.audit("a.audit.jsonl")
    desk.audit("b.audit.jsonl")
    same = desk.told("record", "compare", "a.audit.jsonl", "b.audit.jsonl")
    assert (same["changes"], same["worse"]) == ([], False)
    desk.gear.servers[0].volts = 350.0
    desk.audit("c.audit.jsonl", "--skip", "PM-3", code=1)
    other = desk.told("record", "compare", "a.audit.jsonl", "c.audit.jsonl", code=1)
    kinds = {(one["kind"], one["subject"]) for one in other["changes"]}
    assert ("verdict", "PM-1") in kinds
    assert ("device", "PM-3") in kinds
    assert "PM-2" not in {subject for _, subject in kinds}


def test_signed_by_whom_and_by_whom_not(desk: Desk) -> None:
    desk.audit("a.audit.jsonl")
    alone = desk.told("record", "verify", "a.audit.jsonl")
    shown = desk.told("key", "show")
    assert (alone["sealed_by"], alone["key_known"]) == (shown["fingerprint"], None)
    desk.run("key", "export", "--name", "A. Tester", "--output", "buswitness-trust.yaml")
    known = desk.told("record", "verify", "a.audit.jsonl")
    assert (known["key_known"], known["key_name"]) == (True, "A. Tester")
    (desk.folder / "key.pem").rename(desk.folder / "old.pem")
    desk.run("key", "new")
    desk.audit("b.audit.jsonl")
    stranger = desk.told("record", "verify", "b.audit.jsonl", code=4)
    assert (stranger["whole"], stranger["unchanged"], stranger["key_known"]) == (True, True, False)
    desk.audit("c.audit.jsonl", "--no-sign")
    desk.run("record", "verify", "c.audit.jsonl")
    desk.run("record", "verify", "c.audit.jsonl", "--trust", "buswitness-trust.yaml", code=4)
    opening = desk.run("audit", desk.gear.map, "--profiles", desk.gear.profiles, "--no-sign").stdout.decode()
    assert "NOT SIGNED" in opening


def test_a_protected_key_without_its_passphrase_stops_before_any_device_is_asked(
    desk: Desk, program: Program
) -> None:
    own = {"BUSWITNESS_KEY_FILE": str(desk.folder / "locked.pem")}
    assert program("key", "new", **own, BUSWITNESS_KEY_PASSPHRASE="open sesame").returncode == 0
    asked = desk.gear.servers[0].beats
    audit = ("audit", desk.gear.map, "--profiles", desk.gear.profiles, "--record", "a.audit.jsonl")
    ran = program(*audit, **own)
    assert (ran.returncode, b"passphrase" in ran.stderr) == (2, True)
    assert desk.gear.servers[0].beats == asked
    assert not (desk.folder / "a.audit.jsonl").exists()
    assert program(*audit, **own, BUSWITNESS_KEY_PASSPHRASE="open sesame").returncode == 0
    assert CHECK(desk.folder / "a.audit.jsonl")[2] != ""


def test_resume_and_retest_refuse_what_makes_no_sense(desk: Desk) -> None:
    desk.audit("a.audit.jsonl")
    desk.run("audit", code=2)
    desk.run("audit", "--retest", "a.audit.jsonl", code=2)  # nothing fails
    desk.run("audit", "--resume", "a.audit.jsonl", "--only", "PM-1", code=2)
    desk.run("audit", "--resume", "a.audit.jsonl", "--retest", "a.audit.jsonl", code=2)
    desk.run("audit", "--retest", "missing.audit.jsonl", code=2)
