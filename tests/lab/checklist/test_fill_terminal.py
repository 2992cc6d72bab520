"""``checklist fill`` on a real pseudo-terminal: worked through, resized, stopped, killed, gone on with."""

from __future__ import annotations

import hashlib
import json
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from probe.record.content import load

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only"
)

Start = Callable[..., Any]
FILL = ("checklist", "fill", "map.yaml", "field.yaml", "--initials", "AT", "--no-sign")


def findings(record: Path) -> dict[tuple[str, str], str]:
    """Check and line to verdict."""
    return {(f.check, f.point): f.verdict.value for f in load(record).findings}


def judged_again(record: Path) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", "probe", "record", "judge", str(record), "--json"],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parents[3],
    )  # fmt: skip
    return dict(json.loads(done.stdout))


def test_a_list_is_worked_through_with_single_keys(terminal: Start, site: Path) -> None:
    seen = terminal(*FILL, "--record", "a.audit.jsonl")
    seen.shows("before the list", "Switchgear kills", "a I have read and understood this")
    seen.type("y")
    seen.shows("Nothing goes on until the caution is acknowledged")
    seen.type("a")
    seen.shows("1/3", "The label of cubicle 1A is right.", "y yes")
    seen.type("y")
    seen.shows("2/3", "1 yes, 2 open", "CAUTION", "Live terminals.")
    seen.type("2")
    seen.shows("Nothing goes on until the caution is acknowledged")
    seen.type("a")
    seen.shows("v value, or just type it")
    seen.type("24.1\r")
    seen.shows("3/3", "1 measured", "a photograph is wanted")
    seen.type("pIMG_1.jpg\r")
    seen.shows("Photo IMG_1.jpg")
    seen.type("y")
    seen.shows("This was the last line")
    seen.type("e")
    assert seen.ends() == 0
    assert seen.is_whole()
    told = findings(site / "a.audit.jsonl")
    assert told["checklist.seen", "labels@1A"] == "pass"
    assert told["checklist.measured", "volts@CV-1"] == "pass"
    assert told["checklist.photograph", "glass@FO-1"] == "pass"
    assert told["checklist.cautions", ""] == "pass"
    photo = next(f for f in load(site / "a.audit.jsonl").findings if f.check == "checklist.photograph")
    assert hashlib.sha256((site / "IMG_1.jpg").read_bytes()).hexdigest()[:12] in photo.observed
    again = judged_again(site / "a.audit.jsonl")
    assert {f["id"] for f in again["findings"]} == {f.id for f in load(site / "a.audit.jsonl").findings}


def test_a_no_a_bad_value_and_a_line_left_out(terminal: Start, site: Path) -> None:
    seen = terminal(*FILL, "--record", "a.audit.jsonl")
    seen.shows("before the list")
    seen.type("a")
    seen.shows("1/3")
    seen.type("n")
    seen.shows("What is wrong:")
    seen.type("\x1b")  # given up
    seen.shows("Not answered: say what is wrong.")
    seen.type("nmissing\r")
    seen.shows("2/3", "1 no")
    seen.type("a")
    seen.shows("v value")
    seen.type("v19,8\r")
    seen.shows("is no voltage in V")
    seen.type("\x1519.8\r")
    seen.shows("fail", "expected 20.4 to 28.8")
    seen.type("\x1b[C")
    seen.shows("3/3")
    seen.type("sno access\r")
    seen.shows("left out: no access")
    seen.type("e")
    assert seen.ends() == 1
    told = findings(site / "a.audit.jsonl")
    assert told["checklist.seen", "labels@1A"] == "fail"
    assert told["checklist.measured", "volts@CV-1"] == "fail"
    assert told["checklist.seen", "glass@FO-1"] == "not tested"
    assert load(site / "a.audit.jsonl").seal is not None
    assert not load(site / "a.audit.jsonl").seal.complete  # type: ignore[union-attr]


def test_a_small_and_a_changed_window_keep_question_and_keys(terminal: Start) -> None:
    seen = terminal(*FILL, columns=60, lines=12)
    seen.shows("before the list")
    seen.type("a")
    seen.shows("The label of cubicle 1A is right.", "y yes", "e end")
    seen.resize(40, 10)
    seen.shows("The label of cubicle 1A is right.", "y yes")
    seen.type("y")
    seen.shows("2/3", "CAUTION", "Live terminals.")
    seen.type("q")
    assert seen.ends() == 3


@pytest.mark.parametrize("way", ["key", "interrupt", "killed"])
def test_what_was_stopped_goes_on_later(terminal: Start, site: Path, way: str) -> None:
    seen = terminal(*FILL, "--operator", "A. Tester", "--record", "a.audit.jsonl")
    seen.shows("before the list")
    seen.type("a")
    seen.shows("1/3")
    seen.type("y")
    seen.shows("2/3", "1 yes")
    if way == "killed":
        seen.program.send_signal(signal.SIGKILL)
        seen.program.wait(60)
    else:
        seen.type("q" if way == "key" else "\x03")
        assert seen.ends() == 3
        assert seen.is_whole()
    again = terminal(
        "checklist", "fill", "--resume", "a.audit.jsonl", "--initials", "BT", "--no-sign",
        "--record", "b.audit.jsonl",
    )  # fmt: skip
    again.shows("2/3", "1 yes, 2 open", "CAUTION")  # no caution twice, the open line at once
    again.type("a")
    again.shows("v value")
    again.type("24.0\r")
    again.shows("3/3")
    again.type("ye")
    assert again.ends() == 0
    content = load(site / "b.audit.jsonl")
    assert content.header.operator == "A. Tester"
    assert [source.relation for source in content.header.sources] == ["resumes"]
    told = findings(site / "b.audit.jsonl")
    assert told["checklist.seen", "labels@1A"] == "pass"
    assert told["checklist.measured", "volts@CV-1"] == "pass"
    said = [f.observed for f in content.findings if f.check.startswith("checklist.")]
    assert any("(AT)" in text for text in said)
    assert any("(BT)" in text for text in said)
