"""Rows of the fault matrix on the practice lineup: two bad days, audited by the real program.

Day ``wire``: what goes wrong between request and reply. Day ``truth``: answers in good form, but not true.
Each device has one fault; what has none must pass beside them. The rows are those of tests/faults/.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml

from probe.record.content import load
from probe.record.verify import verify

ROOT = Path(__file__).parents[3]
PATIENCE_S = 300
#: Of a play: whose finding it is and what it must say. All else goes into the scenario.
JUDGED = {"day", "check", "verdict", "says", "subject"}
#: Devices of a day that have no fault and none on their way.
SOUND = {
    "wire": ("MC-1", "52-M1", "GW-2", "52-F11", "52-F12"),
    "truth": ("MC-1", "GW-1", "SW-1", "52-F6", "52-F12"),
}


class Day(NamedTuple):
    """How a day ended: exit code, object for machines, text for people, record."""

    code: int
    said: dict[str, Any]
    text: str
    record: Path


def rows() -> list[dict[str, Any]]:
    """The rows that are played."""
    spec = importlib.util.spec_from_file_location("make_fault_matrix", ROOT / "docs" / "make_fault_matrix.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return [row for row in module.rows() if row.get("plays")]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that takes ``row`` runs for each row that is played."""
    if "row" in metafunc.fixturenames:
        metafunc.parametrize("row", rows(), ids=[row["id"] for row in rows()])


def scenario(day: str) -> dict[str, Any]:
    """All faults of a day, each once."""
    plays = [play for row in rows() for play in row["plays"] if play["day"] == day]
    faults = {
        (play["kind"], play["at"]): {key: value for key, value in play.items() if key not in JUDGED}
        for play in plays
    }
    title = f"Fault matrix, {day}"
    return {"format": "buswitness-scenario/1", "title": title, "seed": day, "faults": list(faults.values())}


def started(day: str, folder: Path) -> subprocess.Popen[str]:
    """The demo of a day, on its way."""
    (folder / "day.yaml").write_text(yaml.safe_dump(scenario(day)), encoding="utf-8")
    kept = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG")}
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "probe",
            "demo",
            "--scenario",
            "day.yaml",
            "--record",
            "day.audit.jsonl",
            "--json",
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        cwd=folder,
        env=kept | {"PYTHONPATH": str(ROOT), "HOME": str(folder), "PYTHONIOENCODING": "utf-8"},
    )


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Day]:
    """Both days at the same time; most of their time is waiting for answers that do not come."""
    folders = {day: tmp_path_factory.mktemp(day) for day in SOUND}
    running = {day: started(day, folder) for day, folder in folders.items()}
    ended = {}
    for day, process in running.items():
        out, text = process.communicate(timeout=PATIENCE_S)
        assert out, text
        ended[day] = Day(
            process.returncode, json.loads(out), " ".join(text.split()), folders[day] / "day.audit.jsonl"
        )
    return ended


def finding(day: Day, check: str, subject: str) -> dict[str, Any]:
    """The worst finding of a check on a device."""
    order = ["fail", "review", "not tested", "pass"]
    found = [f for f in day.said["findings"] if (f["check"], f["subject"]) == (check, subject)]
    assert found, f"no finding of {check} on {subject}"
    return min(found, key=lambda one: order.index(one["verdict"]))


def everything_said(day: Day, subject: str) -> str:
    """All words on a device: its findings that are not passed, and the causes that name it."""
    texts = [
        f"{one['title']} {one['observed']} {one['expected']} {one['advice']}"
        for one in day.said["findings"]
        if one["subject"] == subject and one["verdict"] in ("fail", "review")
    ]
    texts += [f"{c['statement']} {c['fix']}" for c in day.said["causes"] if subject in c["subjects"]]
    return " ".join(" ".join(texts).split())


def test_the_user_is_told(days: Mapping[str, Day], row: dict[str, Any]) -> None:
    """Verdict, words for machines and for people, exit code."""
    for play in row["plays"]:
        day, subject = days[play["day"]], play.get("subject", play["at"])
        one = finding(day, play["check"], subject)
        assert one["verdict"] == play["verdict"], one
        said = everything_said(day, subject)
        for words in play["says"]:
            assert words in said, said
            assert words in day.text, words
        if play["verdict"] == "fail":
            assert day.code == row["ends"] == 1


@pytest.mark.parametrize("name", SOUND)
def test_the_record_is_valid_and_nothing_is_lost(days: Mapping[str, Day], name: str) -> None:
    """It verifies to its seal; each expected verdict is in it; what was printed is what it holds."""
    day = days[name]
    found = verify(day.record)
    assert found.holds
    content = load(day.record)
    run = content
    expected = {(e.check, e.subject) for e in run.expectations}
    given = {(f.check, f.subject) for f in run.findings}
    assert expected
    assert expected <= given
    assert {f.id: f.verdict.value for f in run.findings} == {
        f["id"]: f["verdict"] for f in day.said["findings"]
    }
    evidence = {number for f in run.findings for number in f.evidence}
    assert evidence
    assert evidence <= set(range(found.count))


@pytest.mark.parametrize("name", SOUND)
def test_its_verdicts_follow_from_its_bytes(days: Mapping[str, Day], name: str) -> None:
    """Judged again in another process: word for word the same, and the same exit code."""
    again = subprocess.run(
        [sys.executable, "-m", "probe", "record", "judge", days[name].record],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        timeout=PATIENCE_S,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert "The same verdicts follow from the recorded bytes, word for word." in again.stdout, again.stderr
    assert again.returncode == days[name].code


@pytest.mark.parametrize(("name", "tag"), [(day, tag) for day, tags in SOUND.items() for tag in tags])
def test_the_others_go_on(days: Mapping[str, Day], name: str, tag: str) -> None:
    """What has no fault is read whole beside all those that have one, and nothing of it fails."""
    day = days[name]
    assert finding(day, "reach.answers", tag)["verdict"] == "pass"
    assert finding(day, "reply.complete", tag)["verdict"] == "pass"
    assert [f["id"] for f in day.said["findings"] if f["subject"] == tag and f["verdict"] == "fail"] == []
