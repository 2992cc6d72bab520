"""Clocks over real sockets: devices of the practice lineup whose true offset, drift and faults are known.

Each audit runs once for all tests of this file; the truth is what the lineup itself was told to show.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pytest

from probe.collect.agent import audit, prepare
from probe.collect.events import AuditResult
from probe.collect.inputs import open_lineup
from probe.judge.clock_state import ClockVerdict
from probe.judge.clock_track import Behaviour
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.fault import Fault
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario
from probe.record.content import load
from probe.record.header import Header
from probe.record.rejudge import judge_again
from probe.record.writer import RecordWriter
from probe.wire.system_clock import SystemClock

TAGS = ("52-M1", "MTR-M1", "52-F1", "52-F3", "52-F4", "MTR-F4", "GW-1", "MC-1")
CLOCKS = tuple(tag for tag in TAGS if tag not in ("GW-1", "MC-1"))


class Told(NamedTuple):
    """What came of a run, and how the clocks really stood at its end (device - reference, seconds)."""

    result: AuditResult
    truth: Mapping[str, float]
    record: Path
    lineup: Lineup

    def clock(self, tag: str) -> ClockVerdict:
        return next(one for one in self.result.clocks if one.tag == tag)


async def run(folder: Path, faults: list[Fault], **scope: object) -> Told:
    """One run over a small lineup with these faults, with its record."""
    scenario = small_scenario(set(TAGS), faults)
    async with practice(scenario, directory=folder) as stage:
        lineup, _ = open_lineup(stage.map_path)
        the_scope = Scope(tags=CLOCKS, clocks_only=True, **scope)  # type: ignore[arg-type]
        clock = SystemClock()
        header = Header.of(lineup, the_scope, tool_version="0", started_wall_ns=clock.wall_ns())
        record = folder / "clocks.audit.jsonl"
        writer = RecordWriter.create(record, header)
        plan = prepare(lineup, the_scope)
        from probe.record.marks import Marks

        result = await audit(
            plan, ledger=writer, observers=(Marks(writer, clock),), clock=clock, stop=asyncio.Event()
        )
        writer.seal(complete=result.complete, reason=result.why_incomplete)
        writer.close()
        since_s = stage.now().since_s
        truth = {
            tag: part.clock.offset_s + part.clock.drift_ppm / 1e6 * since_s
            for tag, part in stage.stage.parts.items()
        }
    return Told(result, truth, record, lineup)


#: Two clocks that stand off by known amounts, the others as masters leave them.
KNOWN = [
    Fault(kind="clock-slow", at="52-F4", seconds=43.25),
    Fault(kind="clock-slow", at="MTR-M1", seconds=-2.6),
]
#: A fault on each clock.
FAULTY = [
    Fault(kind="clock-jumps", at="52-M1", seconds=3_600.0, every=3),
    Fault(kind="clock-cached", at="MTR-M1", seconds=2.6),
    Fault(kind="clock-freezes", at="52-F1"),
    Fault(kind="clock-refused", at="52-F3"),
    Fault(kind="clock-impossible", at="52-F4"),
    Fault(kind="clock-dies", at="MTR-F4", every=3),
]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Told, Told]:
    """Both runs at the same time: each mostly waits for clocks to step."""

    async def both() -> list[Told]:
        folders = tmp_path_factory.mktemp("fine"), tmp_path_factory.mktemp("faulty")
        work = (
            run(folder, faults, fine=True) for folder, faults in zip(folders, (KNOWN, FAULTY), strict=True)
        )
        return await asyncio.gather(*work)

    fine, faulty = asyncio.run(both())
    return fine, faulty


@pytest.fixture(scope="module")
def fine(runs: tuple[Told, Told]) -> Told:
    return runs[0]


@pytest.fixture(scope="module")
def faulty(runs: tuple[Told, Told]) -> Told:
    return runs[1]


@pytest.mark.parametrize("tag", CLOCKS)
def test_the_interval_holds_the_true_offset(fine: Told, tag: str) -> None:
    state = fine.clock(tag).state
    assert state is not None
    assert state.offset_s is not None
    # The lineup's truth is taken up to some seconds later: at most 8 ppm of drift, well under a millisecond.
    assert state.offset_s.low - 0.001 <= fine.truth[tag] <= state.offset_s.high + 0.001
    assert state.offset_s.half_width < 0.12


def test_what_is_off_fails_with_its_size(fine: Told) -> None:
    assert {tag for tag in CLOCKS if fine.clock(tag).verdict is Verdict.FAIL} == {"52-F4", "MTR-M1"}
    finding = next(f for f in fine.result.findings if f.check == "clock.skew" and f.subject == "52-F4")
    assert float(finding.observed) == pytest.approx(-43.25, abs=0.5)
    assert finding.uncertainty


def test_a_clock_of_whole_seconds_is_known_to_hundredths(fine: Told) -> None:
    state = fine.clock("MTR-M1").state
    assert state is not None
    assert state.resolution_s == 1.0
    assert state.offset_s is not None
    assert state.offset_s.half_width < 0.05


@pytest.mark.parametrize(
    ("tag", "verdict", "title"),
    [
        ("52-M1", Verdict.FAIL, "Clock jumped while it was watched"),
        ("MTR-M1", Verdict.REVIEW, "Clock is served from memory"),
        ("52-F1", Verdict.FAIL, "Clock stands still"),
        ("52-F3", Verdict.NOT_TESTED, "exception 02"),
        ("52-F4", Verdict.FAIL, "Clock shows no possible date"),
    ],
)
def test_each_fault_has_its_name(faulty: Told, tag: str, verdict: Verdict, title: str) -> None:
    found = faulty.clock(tag)
    assert (found.verdict, title in found.cause) == (verdict, True), found.cause


def test_a_device_that_dies_half_way_keeps_what_was_read_and_holds_nobody_up(faulty: Told) -> None:
    state = faulty.clock("MTR-F4").state
    assert state is not None
    assert state.readings == 3
    assert faulty.result.complete
    checks = {f.check for f in faulty.result.findings if f.subject == "MTR-F4" and f.verdict is Verdict.FAIL}
    assert any(check.startswith(("reach", "reply")) for check in checks)


def test_no_offset_is_told_of_clocks_that_have_none(faulty: Told) -> None:
    for tag in ("MTR-M1", "52-F1", "52-F4"):
        state = faulty.clock(tag).state
        assert state is not None
        assert state.offset_s is None
    memory = faulty.clock("MTR-M1").state
    assert memory is not None
    assert memory.behaviour is Behaviour.CACHED
    assert memory.lower_s is not None
    assert memory.lower_s <= faulty.truth["MTR-M1"]


@pytest.mark.parametrize("which", ["fine", "faulty"])
def test_the_record_alone_gives_the_same_again(request: pytest.FixtureRequest, which: str) -> None:
    told: Told = request.getfixturevalue(which)
    content = load(told.record)
    assert content.header.scope.clocks_only
    again = judge_again(content, told.lineup)
    assert again.clocks == told.result.clocks
    assert again.findings == told.result.findings


def test_all_requests_were_reads(fine: Told) -> None:
    text = fine.record.read_text("utf-8")
    functions = {int(frame[14:16], 16) for frame in re.findall(r'"request":"([0-9a-f]{24,})"', text)}
    assert functions <= {3, 4, 0x2B}
