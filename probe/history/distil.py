"""Distil: what history keeps of a record, taken from its evidence and its recorded verdicts.

Verdicts, causes and words are those that the record holds: history does not judge again. Numbers and facts
are decoded from the evidence by the map and profiles inside, so that a record of any age can be taken in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from probe.history.digest import Fact, RunDigest, Said, SaidCause, Series
from probe.history.life import LINEUP, series_of
from probe.judge.clock_view import clock_of
from probe.judge.context import DeviceContext
from probe.judge.expectation import subject_of
from probe.judge.identity import FIELDS, identity_of
from probe.judge.run_context import RunContext
from probe.judge.statistic import percentile
from probe.judge.wording import value_text
from probe.model.evidence import Anchor, Exchange, Outcome, Purpose
from probe.model.finding import WORST_FIRST, Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.profile import Point
from probe.record.content import RecordContent, lineup_of, load
from probe.record.rejudge import Evidence

#: Numbers that history follows anyway, by name and unit. Points of the profiles come beside them.
OFFSET, OFFSET_LOW, OFFSET_HIGH = "clock offset", "clock offset low", "clock offset high"
TOLERANCE = "clock tolerance"
REPLY_MEDIAN, REPLY_P95 = "reply time", "reply time 95 %"
REQUESTS, LOST = "requests", "requests lost"
COUNT = "count"  # unit of a device's own counters, which a profile writes without one

#: What people set and what names a device is a fact; clocks and texts are no numbers to follow.
_FACTS = {"setting": "setting", "rating": "setting", "scale": "setting", "address": "setting"}
_NO_NUMBERS = frozenset({*_FACTS, "time", "text", "identity"})


def distil_file(path: Path, *, place: str = "") -> RunDigest:
    """The digest of a record file. Raises InputError if there is none, RecordError if it is damaged."""
    return distil(load(path), place=place)


def distil(content: RecordContent, *, place: str = "") -> RunDigest:
    """The digest of a record's content. place: who ran it, if not the computer that the record names.

    Raises InputError if the map inside does not load with this version.
    """
    header = content.header
    causes = {cause.id: f"{cause.kind}: {', '.join(cause.subjects)}" for cause in content.causes}
    numbers: dict[Series, float] = {}
    facts: dict[Fact, str] = dict(_texts(header.map_texts, header.profile_texts, header.study_texts))
    tested = {LINEUP} if content.seal is not None and content.seal.complete else set()
    for context in _devices(content):
        if context.reach.is_alive:
            tested.add(context.tag)
        numbers.update(_numbers(context))
        facts.update(_facts(context))
    return RunDigest(
        site=header.site,
        lineup=header.lineup,
        started_ns=header.started_wall_ns,
        finished_ns=_finished(content),
        code=content.code,
        complete=content.seal is not None and content.seal.complete,
        tool_version=header.tool_version,
        place=place or header.instrument.host_name,
        tested=frozenset(tested),
        verdicts=_verdicts(content.findings),
        numbers=numbers,
        facts=facts,
        said=tuple(_said(f, causes) for f in content.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)),
        causes=tuple(SaidCause(causes[c.id], c.kind, c.subjects, c.statement) for c in content.causes),
    )


def _finished(content: RecordContent) -> int:
    """Wall time of the last anchor: no run ends before it."""
    anchors = content.evidence.get(Anchor, ())
    return max((anchor.wall_ns for _, anchor in anchors), default=content.header.started_wall_ns)


def _verdicts(findings: tuple[Finding, ...]) -> Mapping[Series, Verdict]:
    """By series; of several findings with one id, the worst."""
    verdicts: dict[Series, Verdict] = {}
    for finding in findings:
        series = series_of(finding.id)
        known = verdicts.get(series, finding.verdict)
        verdicts[series] = min(known, finding.verdict, key=WORST_FIRST.index)
    return verdicts


def _said(finding: Finding, causes: Mapping[str, str]) -> Said:
    """The finding as people are told of it. causes: names that hold from run to run, by the run's own ids."""
    return Said(
        finding=finding.id,
        verdict=finding.verdict,
        title=finding.title,
        observed=finding.observed,
        expected=finding.expected,
        unit=finding.unit,
        danger=finding.danger,
        cause=causes.get(finding.cause or "", ""),
    )


def _texts(*groups: tuple[SourceText, ...]) -> Iterator[tuple[Fact, str]]:
    for texts in groups:
        for text in texts:
            name = text.name.replace("\\", "/").rpartition("/")[2]
            yield Fact("text", LINEUP, name), f"SHA-256 {text.sha256[:16]}"


def _devices(content: RecordContent) -> Iterator[DeviceContext]:
    lineup = lineup_of(content.header)
    evidence = Evidence(content, lineup)
    run = RunContext(lineup, evidence.of_run())
    for tag in evidence.tags:
        yield DeviceContext(subject_of(lineup, content.header.scope, tag), evidence.of_device(tag), run)


def _numbers(context: DeviceContext) -> Iterator[tuple[Series, float]]:
    tag = context.tag
    for point in context.profile.points:
        value = _number(context, point)
        if value is not None:
            unit = COUNT if point.quantity == "counter" else point.unit
            yield Series(tag, point.name, unit), value
    state = clock_of(context)
    if state is not None and state.offset_s is not None:
        low, high = state.offset_s.low, state.offset_s.high
        told = ((OFFSET, (low + high) / 2), (OFFSET_LOW, low), (OFFSET_HIGH, high))
        for name, value in (*told, (TOLERANCE, state.tolerance_s)):
            yield Series(tag, name, "s"), value
    if not context.sent:
        return
    yield Series(tag, REQUESTS), float(len(context.sent))
    yield Series(tag, LOST), float(context.lost)
    times = sorted(_reply_ms(exchange) for _, exchange in context.sent if _counts(exchange))
    if times:
        yield Series(tag, REPLY_MEDIAN, "ms"), percentile(times, 50)
        yield Series(tag, REPLY_P95, "ms"), percentile(times, 95)


def _number(context: DeviceContext, point: Point) -> float | None:
    """The last good reading of a point that is a number to follow."""
    if point.quantity in _NO_NUMBERS:
        return None
    reading = context.latest(point.name)
    if reading is None or not isinstance(reading.value, int | float):
        return None
    return float(reading.value)


def _counts(exchange: Exchange) -> bool:
    """A reply at the first attempt: its time is the device's, not that of a retry."""
    return exchange.outcome is Outcome.DATA and exchange.attempt == 1 and exchange.purpose is Purpose.POLL


def _reply_ms(exchange: Exchange) -> float:
    return (exchange.received_ns - exchange.sent_ns) / 1e6


def _facts(context: DeviceContext) -> Iterator[tuple[Fact, str]]:
    said = identity_of(context)
    for name in FIELDS:
        if name in said:
            yield Fact("identity", context.tag, name), said[name].text
    for point in context.profile.points:
        kind = _FACTS.get(point.quantity)
        reading = context.latest(point.name) if kind else None
        if kind and reading is not None:
            yield Fact(kind, context.tag, point.name), _worded(point, value_text(point, reading.value))


def _worded(point: Point, value: str) -> str:
    return f"{value} {point.unit}" if point.unit else value
