"""What counts as changed between two records, and what is noise: hand-made records of one lineup."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.model.evidence import Anchor, Exchange, Framing, Outcome, Purpose
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.scope import Scope
from probe.record.compare import Change, compare
from probe.record.content import RecordContent, load
from probe.record.header import Header
from probe.record.writer import RecordWriter

MAP = b"""\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - tag: MTR-1
    kind: meter
    profile: sunspec-203
    section: Main
    address: {host: 127.0.0.1, port: 15020, unit: 1}
  - tag: MTR-2
    kind: meter
    profile: sunspec-203
    section: Feeder
    address: {host: 127.0.0.1, port: 15021, unit: 1}
"""
MS = 1_000_000


@pytest.fixture(scope="module")
def lineup() -> Lineup:
    return load_lineup("map.yaml", lambda _: MAP, open_library())[0]


@dataclass
class Run:
    """What a hand-made record is to hold. replies_ms: of polls of MTR-1; firmware: as its meter says it."""

    replies_ms: Sequence[float] = ()
    lost: int = 0
    firmware: str = "1.2.0"
    serial: str = "QM-77"
    findings: tuple[Finding, ...] = ()
    tags: tuple[str, ...] = ("MTR-1", "MTR-2")
    extra: tuple[Exchange, ...] = field(default=())


def _exchange(
    purpose: Purpose, at_ms: float, reply_ms: float, start: int, data: bytes, outcome: Outcome
) -> Exchange:
    count = max(len(data) // 2, 1)
    response = struct.pack(">HHHBBB", 1, 0, 3 + len(data), 1, 3, len(data)) + data if data else b""
    return Exchange(
        "MTR-1",
        purpose,
        Framing.MBAP,
        0,
        1,
        int(at_ms * MS),
        int((at_ms + reply_ms) * MS),
        outcome,
        0,
        struct.pack(">HHHBBHH", 1, 0, 6, 1, 3, start, count),
        response,
    )


def _content(path: Path, lineup: Lineup, run: Run) -> RecordContent:
    others = tuple(device.tag for device in lineup.map.devices if device.tag not in run.tags)
    scope = Scope(tags=run.tags, left_out=others)
    writer = RecordWriter.create(path, Header.of(lineup, scope, tool_version="0", started_wall_ns=0))
    writer.keep(Anchor(0, 0))
    profile = lineup.profiles["sunspec-203"]
    for name, text in (("firmware", run.firmware), ("serial", run.serial)):
        point = profile.by_name[profile.identity.points[name]]
        data = point.decoder.encode(text)
        writer.keep(_exchange(Purpose.IDENTITY, 1, 2, point.start, data, Outcome.DATA))
    for number, reply_ms in enumerate(run.replies_ms):
        writer.keep(_exchange(Purpose.POLL, 10 * number, reply_ms, 40_000, bytes(4), Outcome.DATA))
    for number in range(run.lost):
        writer.keep(_exchange(Purpose.POLL, 5000 + number, 1000, 40_000, b"", Outcome.NO_ANSWER))
    writer.conclude(run.findings, ())
    writer.seal(complete=True, reason="")
    return load(path)


@pytest.fixture
def changes(tmp_path: Path, lineup: Lineup):  # type: ignore[no-untyped-def]
    def between(before: Run, after: Run) -> list[Change]:
        number = len(list(tmp_path.iterdir()))
        a = _content(tmp_path / f"{number}.audit.jsonl", lineup, before)
        b = _content(tmp_path / f"{number + 1}.audit.jsonl", lineup, after)
        return list(compare(a, b).changes)

    return between


def _finding(verdict: Verdict, observed: str = "", uncertainty: str = "") -> Finding:
    return Finding(
        check="clock.skew",
        subject="MTR-1",
        verdict=verdict,
        title="Clock",
        observed=observed,
        uncertainty=uncertainty,
        unit="s",
    )


def _replies(seed: int, many: int, middle: float) -> list[float]:
    dice = random.Random(seed)
    return [max(0.1, dice.gauss(middle, 2.0)) for _ in range(many)]


def test_nothing_changed(changes) -> None:  # type: ignore[no-untyped-def]
    run = Run(replies_ms=_replies(1, 30, 20), findings=(_finding(Verdict.PASS, "0.1", "0.5"),))
    assert changes(run, run) == []


def test_other_firmware_and_another_device_are_told(changes) -> None:  # type: ignore[no-untyped-def]
    found = changes(Run(), Run(firmware="1.3.0", serial="QM-78"))
    assert {(c.kind, c.what, c.before, c.after, c.worse) for c in found} == {
        ("identity", "firmware", "1.2.0", "1.3.0", True),
        ("identity", "serial", "QM-77", "QM-78", True),
    }


@pytest.mark.parametrize("seed", range(5))
def test_noise_in_reply_times_is_no_change(changes, seed: int) -> None:  # type: ignore[no-untyped-def]
    assert (
        changes(Run(replies_ms=_replies(seed, 40, 20)), Run(replies_ms=_replies(seed + 50, 40, 20.3))) == []
    )


def test_a_slower_device_is_a_change_with_its_test_named(changes) -> None:  # type: ignore[no-untyped-def]
    (found,) = changes(Run(replies_ms=_replies(1, 40, 20)), Run(replies_ms=_replies(2, 40, 35)))
    assert (found.kind, found.worse) == ("reply time", True)
    assert "rank-sum" in found.test
    (found,) = changes(Run(replies_ms=_replies(1, 40, 35)), Run(replies_ms=_replies(2, 40, 20)))
    assert found.worse is False


def test_a_certain_but_tiny_shift_is_not_worth_telling(changes) -> None:  # type: ignore[no-untyped-def]
    many = [20 + 0.001 * n for n in range(300)]
    assert changes(Run(replies_ms=many), Run(replies_ms=[value + 1.0 for value in many])) == []


def test_a_few_lost_requests_are_noise_and_many_are_not(changes) -> None:  # type: ignore[no-untyped-def]
    good = _replies(1, 100, 20)
    assert changes(Run(replies_ms=good), Run(replies_ms=good, lost=3)) == []
    (found,) = changes(Run(replies_ms=good), Run(replies_ms=good, lost=20))
    assert (found.kind, found.worse, "Fisher" in found.test) == ("lost requests", True, True)


@pytest.mark.parametrize(
    ("before", "after", "changed"),
    [
        (("0.10", "0.05"), ("0.14", "0.05"), False),
        (("0.10", "0.02"), ("0.14", "0.02"), False),  # they just touch
        (("0.10", "0.01"), ("0.14", "0.01"), True),
        (("0.10", ""), ("0.90", "0.01"), False),  # without an uncertainty nothing is said of noise
        (("none", "0.01"), ("0.90", "0.01"), False),
    ],
)
def test_a_value_changed_when_the_intervals_do_not_touch(  # type: ignore[no-untyped-def]
    changes, before: tuple[str, str], after: tuple[str, str], changed: bool
) -> None:
    a, b = Run(findings=(_finding(Verdict.PASS, *before),)), Run(findings=(_finding(Verdict.PASS, *after),))
    assert [c.kind for c in changes(a, b)] == (["value"] if changed else [])


@pytest.mark.parametrize(
    ("before", "after", "worse"),
    [
        (Verdict.PASS, Verdict.FAIL, True),
        (Verdict.FAIL, Verdict.PASS, False),
        (Verdict.PASS, Verdict.NOT_TESTED, True),
        (Verdict.REVIEW, Verdict.PASS, False),
    ],
)
def test_verdicts(changes, before: Verdict, after: Verdict, worse: bool) -> None:  # type: ignore[no-untyped-def]
    (found,) = changes(Run(findings=(_finding(before),)), Run(findings=(_finding(after),)))
    assert (found.kind, found.what, found.worse) == ("verdict", "clock.skew@MTR-1", worse)


def test_a_finding_that_came_and_one_that_went(changes) -> None:  # type: ignore[no-untyped-def]
    alarm = Finding(
        check="alarms.present", subject="MTR-1", verdict=Verdict.FAIL, title="Alarm", point="overload"
    )
    (came,) = changes(Run(), Run(findings=(alarm,)))
    assert came.worse is True
    (went,) = changes(Run(findings=(alarm,)), Run())
    assert (went.worse, "not looked at" in went.after) == (False, True)


def test_devices_that_came_and_went(changes) -> None:  # type: ignore[no-untyped-def]
    gone = changes(Run(), Run(tags=("MTR-1",)))
    assert [(c.kind, c.subject, c.after) for c in gone] == [("device", "MTR-2", "left out by the user")]
    came = changes(Run(tags=("MTR-1",)), Run())
    assert [(c.kind, c.subject, c.after) for c in came] == [("device", "MTR-2", "tested")]
