"""A record gives the same verdicts again, offline: the same evidence, cut where each device was judged."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.judge import Conclusion, conclude, expected, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import (
    JUDGED,
    Anchor,
    AnswerTopic,
    ClockDecision,
    Connect,
    ConnectOutcome,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Framing,
    Neighbour,
    Note,
    OperatorAnswer,
    Outcome,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.lineup import Lineup, SourceText
from probe.model.map_load import load_lineup
from probe.model.scope import Scope, SurveyScope
from probe.record import rejudge
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Header
from probe.record.rejudge import NEVER, judge_again
from probe.record.rejudge import Evidence as RecordEvidence
from probe.record.writer import RecordWriter

MAP = b"""\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - tag: MTR-1
    kind: meter
    profile: meter-float
    section: Main
    address: {host: 127.0.0.1, port: 15020, unit: 1}
  - tag: MTR-2
    kind: meter
    profile: meter-float
    section: Feeder
    address: {host: 127.0.0.1, port: 15021, unit: 1}
"""
MS = 1_000_000


@pytest.fixture(scope="module")
def lineup() -> Lineup:
    return load_lineup("map.yaml", lambda _: MAP, open_library())[0]


def _exchange(tag: str, at_ms: int, outcome: Outcome = Outcome.DATA) -> Exchange:
    request = struct.pack(">HHHBBHH", at_ms, 0, 6, 1, 3, 0, 2)
    response = struct.pack(">HHHBBBf", at_ms, 0, 7, 1, 3, 4, 480.0) if outcome is Outcome.DATA else b""
    return Exchange(
        tag, Purpose.POLL, Framing.MBAP, 0, 1, at_ms * MS, (at_ms + 3) * MS, outcome, 0, request, response
    )


def _connect(tag_port: int, at_ms: int, outcome: ConnectOutcome) -> Connect:
    return Connect(f"127.0.0.1:{tag_port}", at_ms * MS, (at_ms + 1) * MS, outcome, "", "")


BEFORE: tuple[Evidence, ...] = (
    Anchor(0, 1_773_480_413_000_000_000),
    _connect(15_020, 1, ConnectOutcome.OPEN),
    _connect(15_021, 1, ConnectOutcome.OPEN),
    _exchange("MTR-1", 5),
    _exchange("MTR-2", 6),
    _exchange("MTR-1", 10, Outcome.NO_ANSWER),
    Stray("127.0.0.1:15020", 15 * MS, Outcome.LATE, b"\0\1", "MTR-1"),
)
#: Comes when MTR-1 has been judged: it must not change the verdicts on it.
AFTER: tuple[Evidence, ...] = (
    _connect(15_020, 20, ConnectOutcome.REFUSED),
    Stray("127.0.0.1:15020", 21 * MS, Outcome.UNASKED, b"\0\1", "MTR-1"),
    Note(22 * MS, "clock step", "the clock was stepped"),
    Anchor(23 * MS, 1_773_484_013_000_000_000),
    *(_exchange("MTR-1", 30 + n, Outcome.RESET) for n in range(20)),
    _exchange("MTR-2", 60),
)


def _collected(
    items: Sequence[tuple[int, Evidence]], tag: str, link: str, *, interrupted: bool
) -> DeviceEvidence:
    """What a collector would hand to the judge, put together by hand."""
    own = [item for item in items if getattr(item[1], "tag", None) == tag]
    return DeviceEvidence(
        tag=tag,
        exchanges=tuple((n, e) for n, e in own if isinstance(e, Exchange)),
        strays=tuple((n, e) for n, e in own if isinstance(e, Stray)),
        connects=tuple((n, e) for n, e in items if isinstance(e, Connect) and e.host == link),
        interrupted=interrupted,
    )


def _run(items: Sequence[tuple[int, Evidence]], late: Sequence[tuple[int, Stray]] = ()) -> RunEvidence:
    return RunEvidence(
        anchors=tuple((n, e) for n, e in items if isinstance(e, Anchor)),
        notes=tuple((n, e) for n, e in items if isinstance(e, Note)),
        strays=tuple(late),
    )


def _record(tmp_path: Path, lineup: Lineup) -> tuple[RecordContent, Conclusion]:
    """A record with a device judged in the middle and one cut off, and what its run concluded."""
    scope = Scope(tags=("MTR-1", "MTR-2"))
    header = Header.of(lineup, scope, tool_version="0.1.0", started_wall_ns=0)
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", header)
    writer.expect(expected(lineup, scope))
    items = [(writer.keep(item), item) for item in BEFORE]
    first = _collected(items, "MTR-1", "127.0.0.1:15020", interrupted=False)
    judgements = {"MTR-1": judge_device(lineup, scope, first, _run(items))}
    writer.keep(Note(19 * MS, JUDGED, "MTR-1"))
    items += [(writer.keep(item), item) for item in AFTER]
    late = [(n, e) for n, e in items if isinstance(e, Stray) and e.outcome is Outcome.UNASKED]
    second = _collected(items, "MTR-2", "127.0.0.1:15021", interrupted=True)
    judgements["MTR-2"] = judge_device(lineup, scope, second, _run(items, late))
    conclusion = conclude(lineup, scope, judgements, _run(items, late))
    writer.conclude(conclusion.findings, conclusion.causes)
    writer.seal(complete=False, reason="stopped")
    return load(writer.path), conclusion


def test_verdicts_come_out_the_same_again(tmp_path: Path, lineup: Lineup) -> None:
    content, concluded = _record(tmp_path, lineup)
    again = judge_again(content, lineup_of(content.header))
    assert again.findings == concluded.findings == content.findings
    assert again.causes == concluded.causes == content.causes
    assert {finding.verdict.value for finding in content.findings} > {"not tested"}


def test_the_cut_matters(tmp_path: Path, lineup: Lineup) -> None:
    """With the mark ignored, the verdicts would be others: so the test above can fail."""
    content, concluded = _record(tmp_path, lineup)
    notes = tuple(item for item in content.evidence[Note] if item[1].topic != JUDGED)
    unmarked = RecordContent(
        header=content.header,
        count=content.count,
        code=content.code,
        evidence={**content.evidence, Note: notes},
    )
    assert judge_again(unmarked, lineup).findings != concluded.findings


def test_the_lineup_is_rebuilt_from_the_texts_in_the_record(tmp_path: Path, lineup: Lineup) -> None:
    content, _ = _record(tmp_path, lineup)
    again = lineup_of(content.header)
    assert again.map == lineup.map
    assert again.map_texts == lineup.map_texts
    assert again.profile_texts == lineup.profile_texts
    assert again.profiles["meter-float"].sha256 == lineup.profiles["meter-float"].sha256


def test_expectations_come_back(tmp_path: Path, lineup: Lineup) -> None:
    content, _ = _record(tmp_path, lineup)
    assert content.expectations == tuple(expected(lineup, content.header.scope))


def _one_of_each(tag: str, port: int, at: int) -> tuple[Evidence, ...]:
    """A piece of every kind that belongs to a device or to the run, numbered by its time."""
    host = f"127.0.0.1:{port}"
    reading = _exchange(tag, at)
    return (
        reading,
        reading._replace(purpose=Purpose.REFERENCE),
        Stray(host, at, Outcome.LATE, b"\0", tag),
        Stray(host, at, Outcome.UNASKED, b"\0", ""),
        Echo("127.0.0.1", tag, at, at, True),
        Neighbour("127.0.0.1", tag, at, "02:00:5e:10:00:01"),
        ClockDecision(tag, at, "left", "A. Tester", "no", "", ""),
        Connect(host, at, at, ConnectOutcome.OPEN, "", ""),
        Disconnect(host, at, True, 1),
        Anchor(at, at),
        Note(at, "said", tag),
        ReferenceSample("laptop", at, at, 0, 0, True, "", b""),
        OperatorAnswer(at, "sheet", "item", "part", tag, 1, AnswerTopic.DONE, "?", "yes", "AT", ""),
    )


def _numbers(items: Sequence[tuple[int, object]]) -> list[int]:
    return [number for number, _ in items]


def _evidence_of(tmp_path: Path, lineup: Lineup, scope: Scope) -> tuple[RecordEvidence, int]:
    """Lines 2 to 14 are of MTR-1, 15 its mark, 16 to 28 of it again, 29 to 41 of MTR-2, which is not done."""
    writer = RecordWriter.create(
        tmp_path / "r.audit.jsonl", Header.of(lineup, scope, tool_version="0", started_wall_ns=0)
    )
    for piece in _one_of_each("MTR-1", 15_020, 1):
        writer.keep(piece)
    mark = writer.keep(Note(2, JUDGED, "MTR-1"))
    for piece in (*_one_of_each("MTR-1", 15_020, 3), *_one_of_each("MTR-2", 15_021, 4)):
        writer.keep(piece)
    writer.seal(complete=True, reason="")
    return RecordEvidence(load(writer.path), lineup), mark


def test_a_device_is_given_what_came_before_it_was_judged_and_nothing_of_another(
    tmp_path: Path, lineup: Lineup
) -> None:
    evidence, mark = _evidence_of(tmp_path, lineup, Scope(tags=("MTR-1", "MTR-2")))
    assert (mark, evidence.judged_at) == (15, {"MTR-1": 15})
    for tag, first, interrupted in (("MTR-1", 2, False), ("MTR-2", 29, True)):
        seen = evidence.of_device(tag)
        assert (seen.tag, seen.interrupted) == (tag, interrupted)
        held = (seen.exchanges, seen.strays, seen.echoes, seen.neighbours, seen.decisions)
        assert [_numbers(items) for items in held] == [
            [first],
            [first + 2],
            [first + 4],
            [first + 5],
            [first + 6],
        ]
        assert (_numbers(seen.connects), _numbers(seen.disconnects)) == ([first + 7], [first + 8])


def test_the_run_is_given_what_belongs_to_nobody_up_to_then(tmp_path: Path, lineup: Lineup) -> None:
    evidence, mark = _evidence_of(tmp_path, lineup, Scope(tags=("MTR-1", "MTR-2")))
    for end, firsts in ((mark, [2]), (NEVER, [2, 16, 29])):
        run = evidence.of_run(end)
        for items, behind in (
            (run.reference_exchanges, 1), (run.anchors, 9), (run.notes, 10), (run.references, 11),
            (run.answers, 12),
        ):  # fmt: skip
            assert _numbers(items) == [first + behind for first in firsts]
        assert (run.network, run.witnessed) == ((), ()), "nothing was surveyed and nobody acted"
    assert _numbers(evidence.of_run(mark).strays) == [5]
    assert _numbers(evidence.of_run().strays) == [5, 18, 19, 32], (
        "18: of a device that had been judged already"
    )


def test_a_stray_of_a_device_that_was_not_asked_is_the_runs(tmp_path: Path, lineup: Lineup) -> None:
    evidence, _ = _evidence_of(tmp_path, lineup, Scope(tags=("MTR-1",), left_out=("MTR-2",)))
    assert 31 in _numbers(evidence.of_run().strays)


def test_a_survey_is_judged_on_all_that_speaks_of_the_network(tmp_path: Path, lineup: Lineup) -> None:
    scope = Scope(tags=("MTR-1", "MTR-2"), survey=SurveyScope())
    evidence, mark = _evidence_of(tmp_path, lineup, scope)
    of_network = [0, 1, 4, 5, 7]  # exchanges, echo, neighbour, connection
    assert _numbers(evidence.of_run(mark).network) == [2 + n for n in of_network]
    assert _numbers(evidence.of_run().network) == [first + n for first in (2, 16, 29) for n in of_network]


def test_where_people_act_the_run_is_given_what_all_devices_did(tmp_path: Path, lineup: Lineup) -> None:
    scope = Scope(tags=("MTR-1", "MTR-2"), sheets=("opening",))
    evidence, mark = _evidence_of(tmp_path, lineup, scope)
    assert _numbers(evidence.of_run(mark).witnessed) == [2, 3, 9]
    assert _numbers(evidence.of_run().witnessed) == [first + n for first in (2, 16, 29) for n in (0, 1, 7)]


def test_what_people_worked_through_stays_when_another_map_is_judged_by(
    tmp_path: Path, lineup: Lineup, monkeypatch: pytest.MonkeyPatch
) -> None:
    content, _ = _record(tmp_path, lineup)
    sheet = SourceText(name="s.yaml", text="a: 1\n", sha256="0" * 64)
    seen: list[Lineup] = []
    real = rejudge.conclude
    monkeypatch.setattr(rejudge, "conclude", lambda one, *more: (seen.append(one), real(one, *more))[1])
    judge_again(replace(content, header=replace(content.header, sheet_texts=(sheet,))), lineup)
    judge_again(content, replace(lineup, sheet_texts=(sheet,)))
    assert [one.sheet_texts for one in seen] == [(sheet,), ()]


def test_a_device_that_was_never_done_is_judged_on_all_that_there_is(tmp_path: Path, lineup: Lineup) -> None:
    """However long the record is."""
    header = Header.of(lineup, Scope(tags=("MTR-1", "MTR-2")), tool_version="0", started_wall_ns=0)
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", header)
    numbers = [writer.keep(_exchange("MTR-2", n)) for n in range(300)]
    strays = [writer.keep(Stray("127.0.0.1:15021", n, Outcome.LATE, b"\0", "MTR-2")) for n in range(300)]
    writer.seal(complete=False, reason="stopped")
    evidence = RecordEvidence(load(writer.path), lineup)
    seen = evidence.of_device("MTR-2")
    assert (_numbers(seen.exchanges), _numbers(seen.strays)) == (numbers, strays)
    assert evidence.of_run().strays == (), "they are the device's"
