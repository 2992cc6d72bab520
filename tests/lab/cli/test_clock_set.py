"""``clock --set`` as a person runs it: at a real terminal, against the practice lineup in another thread.

What the device took is looked at in the lineup itself, apart from what the program says of it.
"""

from __future__ import annotations

import asyncio
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from probe.model.evidence import ClockDecision, Exchange, Purpose
from probe.model.finding import Verdict
from probe.model.pdu import pdu_of
from probe.model.write_pdu import write_span
from probe.practice.fault import Fault
from probe.practice.lineup import PracticeLineup, practice
from probe.practice.scenario import small_scenario
from probe.record.content import lineup_of, load
from probe.record.rejudge import judge_again
from probe.record.verify import verify

PATIENCE_S = 90
TRACK = "52-F1"  # shows milliseconds, so that a measurement takes no second
BEHIND = Fault(kind="clock-slow", at=TRACK, seconds=43.0)


class Lineup:
    """A practice lineup in a thread of its own."""

    def __init__(self, folder: Path, *faults: Fault, tags: tuple[str, ...] = ("MC-1", TRACK)) -> None:
        self._scenario = small_scenario(tags, faults)
        self._folder = folder
        self._up, self._end = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))
        self.lineup: PracticeLineup

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        async with practice(self._scenario, directory=self._folder) as self.lineup:
            self._up.set()
            await self._end.wait()

    def __enter__(self) -> Lineup:
        self._thread.start()
        assert self._up.wait(PATIENCE_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(PATIENCE_S)

    @property
    def map(self) -> str:
        return str(self.lineup.map_path)

    def writes(self, tag: str = TRACK) -> int:
        """How many requests with a write function have come, of all that there are."""
        functions = self.lineup.tally(tag).functions
        return sum(many for function, many in functions.items() if function not in (1, 2, 3, 4, 43))

    def off_s(self, tag: str = TRACK) -> float:
        """How far the device's clock truly is from the lineup's master."""
        moment = self.lineup.now()
        shown = [
            self.lineup.stage.parts[name].clock.shows(moment.truth_s, moment.truth_s - moment.since_s)
            for name in (tag, "MC-1")
        ]
        return shown[0] - shown[1]


@pytest.fixture
def behind(tmp_path: Path) -> Iterator[Lineup]:
    with Lineup(tmp_path, BEHIND) as lineup:
        yield lineup


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "probe", "clock", *arguments]


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The program without a terminal."""
    return subprocess.run(
        command(*arguments), cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=PATIENCE_S, check=False, env=environment(),
    )  # fmt: skip


def environment() -> dict[str, str]:
    root = str(Path(__file__).parents[3])
    return {**os.environ, "PYTHONPATH": root, "TERM": "dumb", "COLUMNS": "200", "NO_COLOR": "1"}


class Person:
    """Somebody at a terminal: sees what is written, types, presses Ctrl-C."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        import pty

        self._own, theirs = pty.openpty()
        self.process = subprocess.Popen(
            command(*arguments), cwd=folder, stdin=theirs, stdout=theirs, stderr=theirs, env=environment(),
            start_new_session=True, preexec_fn=_take_terminal,  # noqa: PLW1509 - as in test_terminal
        )  # fmt: skip
        os.close(theirs)
        self.seen = ""

    def sees(self, text: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while text not in self.seen:
            assert time.monotonic() < deadline, self.seen
            self._look()

    def types(self, text: str) -> None:
        os.write(self._own, text.encode())

    def ends(self) -> int:
        deadline = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < deadline, self.seen
            self._look()
        self._look()
        return self.process.returncode

    def _look(self) -> None:
        ready, _, _ = select.select([self._own], [], [], 0.05)
        if ready:
            try:
                self.seen += os.read(self._own, 65_536).decode(errors="replace")
            except OSError:  # Linux: the other end is closed
                time.sleep(0.01)

    def leave(self) -> None:
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        os.close(self._own)


def _take_terminal() -> None:
    """Make the terminal on standard input the one whose Ctrl-C reaches the program."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def person(tmp_path: Path) -> Iterator[Callable[..., Person]]:
    if sys.platform == "win32":
        pytest.skip("Windows has no pty")
    people: list[Person] = []

    def sits_down(*arguments: str) -> Person:
        people.append(Person(tmp_path, *arguments))
        return people[-1]

    yield sits_down
    for one in people:
        one.leave()


def written(path: Path) -> list[Exchange]:
    exchanges = load(path).evidence.get(Exchange, ())
    return [one for _, one in exchanges if one.purpose is Purpose.CLOCK_SET]


def verdict_of(path: Path, check: str = "clock.set") -> tuple[Verdict, str]:
    (finding,) = [f for f in load(path).findings if f.check == check and f.subject == TRACK]
    return finding.verdict, finding.title


def decisions(path: Path) -> list[ClockDecision]:
    return [one for _, one in load(path).evidence.get(ClockDecision, ())]


# --- a person --------------------------------------------------------------------------------------------


def test_the_tag_typed_sets_the_clock(behind: Lineup, person: Callable[..., Person], tmp_path: Path) -> None:
    record = tmp_path / "set.jsonl"
    assert behind.off_s() < -42
    somebody = person(behind.map, "--set", TRACK, "--record", str(record))
    somebody.sees("Your name, for the record:")
    somebody.types("R. Quell\n")
    somebody.sees("holding registers 240 to 243 of 52-F1 (127.0.0.1:")
    somebody.sees("Agree with whoever runs the plant")
    somebody.sees("Type  52-F1  to set this clock")
    assert behind.writes() == 0
    somebody.types("52-F1\n")
    assert somebody.ends() == 0, somebody.seen
    # The lineup's own view: one write, and the clock is right as far as this machine lets anything be timed.
    assert behind.writes() == 1
    assert abs(behind.off_s()) < 0.5
    # The record: who, what was typed, the bytes, before and after, all proven again from the bytes.
    (decision,) = decisions(record)
    assert (decision.decision, decision.operator, decision.said) == ("set", "R. Quell", "52-F1")
    assert "240 to 243" in decision.plan
    (write,) = written(record)
    span = write_span(pdu_of(write.request, write.framing))
    assert (span.function, span.start, span.registers) == (16, 240, 4)
    assert verdict_of(record) == (Verdict.PASS, "Clock was set, and agrees with the reference")
    assert verdict_of(record, "clock.skew")[0] is Verdict.PASS
    assert verify(record).complete
    content = load(record)
    assert judge_again(content, lineup_of(content.header)).findings == content.findings


@pytest.mark.parametrize("typed", ["52-f1\n", "yes\n", "\n", "52-F11\n", "\x04"])
def test_anything_else_leaves_it_as_it_is(
    behind: Lineup, person: Callable[..., Person], tmp_path: Path, typed: str
) -> None:
    record = tmp_path / "set.jsonl"
    somebody = person(behind.map, "--set", TRACK, "--operator", "R. Quell", "--record", str(record))
    somebody.sees("Type  52-F1  to set this clock")
    somebody.types(typed)
    assert somebody.ends() in (1, 3), somebody.seen
    assert behind.writes() == 0
    assert behind.off_s() < -42
    verdict, title = verdict_of(record)
    assert verdict is Verdict.NOT_TESTED
    assert "did not confirm; nothing was written" in title
    assert [one.decision for one in decisions(record)] == ["declined"]


def test_ctrl_c_before_the_write_writes_nothing(
    behind: Lineup, person: Callable[..., Person], tmp_path: Path
) -> None:
    record = tmp_path / "set.jsonl"
    somebody = person(behind.map, "--set", TRACK, "--operator", "R. Quell", "--record", str(record))
    somebody.sees("Type  52-F1  to set this clock")
    somebody.types("52-F1\x03")
    assert somebody.ends() == 3, somebody.seen
    assert "Traceback" not in somebody.seen
    assert behind.writes() == 0
    proof = verify(record)
    assert (proof.unchanged, proof.complete) == (True, False)
    assert verdict_of(record)[0] is Verdict.NOT_TESTED


def test_ctrl_c_after_the_write_keeps_what_was_written(
    behind: Lineup, person: Callable[..., Person], tmp_path: Path
) -> None:
    record = tmp_path / "set.jsonl"
    somebody = person(
        behind.map, "--set", TRACK, "--operator", "R. Quell", "--settle", "10m", "--record", str(record)
    )
    somebody.sees("Type  52-F1  to set this clock")
    somebody.types("52-F1\n")
    deadline = time.monotonic() + PATIENCE_S
    while not behind.writes():
        assert time.monotonic() < deadline, somebody.seen
        somebody._look()
    somebody.sees("Measuring 1 clock.")
    time.sleep(0.3)
    somebody.types("\x03")
    assert somebody.ends() == 3, somebody.seen
    assert "Traceback" not in somebody.seen
    assert len(written(record)) == 1
    proof = verify(record)
    assert (proof.unchanged, proof.complete) == (True, False)
    content = load(record)
    assert judge_again(content, lineup_of(content.header)).findings == content.findings
    assert [one.decision for one in decisions(record)] == ["set"]


# --- without a person ------------------------------------------------------------------------------------


def test_yes_with_an_operator_needs_no_terminal(behind: Lineup, tmp_path: Path) -> None:
    record = tmp_path / "set.jsonl"
    done = run(
        tmp_path,
        behind.map,
        "--set",
        TRACK,
        "--yes",
        "--operator",
        "R. Quell",
        "--record",
        str(record),
        "--json",
    )
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["format"].startswith("buswitness-clock/")
    (clock,) = document["clocks"]
    assert (clock["tag"], clock["verdict"]) == (TRACK, "pass")
    assert clock["low_s"] <= behind.off_s() <= clock["high_s"]
    assert behind.writes() == 1
    assert decisions(record)[0].said == "--yes"


REFUSED = [
    ("no terminal", ("--set", TRACK), "this is no terminal"),
    ("no terminal, with a name", ("--set", TRACK, "--operator", "R. Quell"), "this is no terminal"),
    ("yes without a name", ("--set", TRACK, "--yes"), "nobody is named"),
    ("no such tag", ("--set", "52-F9", "--yes", "--operator", "R"), "52-F9 is not in the map"),
    ("the reference", ("--set", "MC-1", "--yes", "--operator", "R"), "it is the reference itself"),
    ("settle alone", ("--settle", "2m"), "these belong to --set"),
    ("yes alone", ("--yes",), "these belong to --set"),
    ("with another choice", ("--set", TRACK, "--fine"), "no other choice goes with it"),
]


@pytest.mark.parametrize(
    ("arguments", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED]
)
def test_what_cannot_be_is_told_before_anything_is_asked(
    behind: Lineup, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    done = run(tmp_path, behind.map, *arguments)
    assert done.returncode == 2, done.stdout + done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert behind.lineup.tally(TRACK).requests == 0
    assert not list(tmp_path.glob("*.jsonl"))


@pytest.mark.parametrize(
    ("fault", "verdict", "title"),
    [
        (Fault(kind="write-refused", at=TRACK), Verdict.FAIL, "refused to have its clock set"),
        (Fault(kind="write-ignored", at=TRACK), Verdict.FAIL, "did not take the time"),
        (Fault(kind="write-reverted", at=TRACK, seconds=2.0), Verdict.REVIEW, "then reverted"),
    ],
    ids=["refused", "ignored", "reverted"],
)
def test_devices_that_do_not_keep_what_is_written(
    tmp_path: Path, fault: Fault, verdict: Verdict, title: str
) -> None:
    record = tmp_path / "set.jsonl"
    with Lineup(tmp_path, BEHIND, fault) as lineup:
        done = run(
            tmp_path, lineup.map, "--set", "all", "--yes", "--operator", "R. Quell", "--settle", "3s",
            "--record", str(record),
        )  # fmt: skip
        assert lineup.writes() == 1
    assert done.returncode == 1, done.stdout + done.stderr
    found, words = verdict_of(record)
    assert found is verdict
    assert title in words


def test_a_reference_that_cannot_be_used_sets_nothing(tmp_path: Path) -> None:
    """A server whose name does not resolve: told, recorded, and the run ends in good order."""
    record = tmp_path / "set.jsonl"
    with Lineup(tmp_path, tags=("MC-1", TRACK)) as lineup:
        path = lineup.lineup.map_path
        path.write_text(path.read_text().replace('reference: "tag:MC-1"', 'reference: "ntp:no-such.invalid"'))
        done = run(
            tmp_path, lineup.map, "--set", TRACK, "--yes", "--operator", "R. Quell", "--record", str(record)
        )
        assert lineup.writes() == 0
    assert done.returncode in (1, 3), done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    verdict, title = verdict_of(record)
    assert verdict is Verdict.NOT_TESTED
    assert "does not resolve" in title
    assert [one.decision for one in decisions(record)] == ["refused"]


def test_an_audit_and_a_measurement_never_write(tmp_path: Path) -> None:
    """Every function code that the lineup has ever seen is one that reads."""
    with Lineup(tmp_path, BEHIND) as lineup:
        assert run(tmp_path, lineup.map, "--record", str(tmp_path / "a.jsonl")).returncode == 1
        functions = {f for tag in ("MC-1", TRACK) for f in lineup.lineup.tally(tag).functions}
    assert functions
    assert functions <= {1, 2, 3, 4, 43}
