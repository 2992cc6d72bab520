"""Records judged with the exchanges of devices left in the file: the same as held in memory."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from probe.model.errors import RecordError
from probe.model.evidence import JUDGED, Exchange, Note, Outcome, Purpose, Stray
from probe.model.scope import SurveyScope
from probe.record.content import lineup_of, load
from probe.record.large import opened
from probe.record.rederive import rederive, write
from probe.record.rejudge import Evidence
from probe.record.verify import verify
from probe.record.writer import RecordWriter

SAMPLE = Path(__file__).parents[1] / "records" / "report.audit.jsonl"


def test_every_device_is_judged_on_the_same_evidence_whether_it_is_held_or_read_again() -> None:
    held = load(SAMPLE)
    lineup = lineup_of(held.header)
    with opened(SAMPLE) as apart:
        assert apart.bulk is not None
        assert apart.bulk.exchanges > 0
        assert (apart.exchanges, apart.findings) == (held.exchanges, held.findings)
        one, other = Evidence(held, lineup), Evidence(apart, lineup)
        assert one.of_run() == other.of_run()
        for tag in held.header.scope.tags:
            assert one.of_device(tag) == other.of_device(tag), tag
        assert rederive(apart, lineup, version="x") == rederive(held, lineup, version="x")


def test_a_run_that_was_killed_and_a_packed_copy_are_the_same_too(tmp_path: Path) -> None:
    killed = tmp_path / "k.audit.jsonl"
    lines = SAMPLE.read_bytes().splitlines(keepends=True)
    killed.write_bytes(b"".join(lines[: len(lines) // 3]))
    packed = tmp_path / "k.audit.jsonl.gz"
    packed.write_bytes(gzip.compress(killed.read_bytes()))
    held = load(killed)
    lineup = lineup_of(held.header)
    said = rederive(held, lineup, version="x").conclusion
    for path in (killed, packed):
        with opened(path) as apart:
            assert rederive(apart, lineup, version="x").conclusion == said


def test_judged_into_a_new_record_every_finding_leads_to_the_same_bytes(tmp_path: Path) -> None:
    made = []
    for name in ("held", "apart"):
        with opened(SAMPLE) as apart:
            content = apart if name == "apart" else load(SAMPLE)
            lineup = lineup_of(content.header)
            writer = RecordWriter.create(tmp_path / f"{name}.audit.jsonl", content.header)
            write(writer, content, lineup)
        assert verify(writer.path).holds
        made.append(writer.path.read_bytes())
    assert made[0] == made[1]


def test_a_file_that_is_changed_between_the_two_readings_is_refused(tmp_path: Path) -> None:
    copy = tmp_path / "r.audit.jsonl"
    copy.write_bytes(SAMPLE.read_bytes())
    content = load(copy)
    lineup = lineup_of(content.header)
    number = content.evidence[Exchange][0][0]
    lines = copy.read_bytes().splitlines(keepends=True)
    with opened(copy) as apart:
        lines[number - 1], lines[number] = lines[number], lines[number - 1]
        copy.write_bytes(b"".join(lines))
        with pytest.raises(RecordError):
            rederive(apart, lineup, version="x")


def test_what_belongs_to_devices_is_left_in_the_file() -> None:
    held = load(SAMPLE)
    with opened(SAMPLE) as apart:
        kept = apart.evidence.get(Exchange, ())
        assert len(kept) < len(held.evidence[Exchange]) / 4
        assert all(one.purpose is Purpose.REFERENCE for _, one in kept)


@pytest.mark.parametrize(
    "ways", [{"sheets": ("opening",)}, {"survey": SurveyScope()}, {"sheets": ("a",), "survey": SurveyScope()}]
)
def test_what_is_judged_over_all_devices_is_held_whole(tmp_path: Path, ways: dict[str, Any]) -> None:
    """Where people act, and in a survey, a verdict may rest on the lines of any device."""
    held = load(SAMPLE)
    scope = replace(held.header.scope, **ways)
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", replace(held.header, scope=scope))
    for _, exchange in held.evidence[Exchange][:5]:
        writer.keep(exchange)
    writer.seal(complete=True, reason="")
    with opened(writer.path) as apart:
        assert apart.bulk is not None
        assert apart.bulk.exchanges == 0
        assert len(apart.evidence[Exchange]) == apart.exchanges == 5


def test_the_runs_inside_a_merged_record_are_held_whole() -> None:
    merged = SAMPLE.with_name("format-1-merged.audit.jsonl")
    with opened(merged) as apart:
        assert apart.evidence == load(merged).evidence
        assert apart.exchanges == load(merged).exchanges > 0


def test_only_what_came_before_a_device_was_judged_is_left_and_strays_too(tmp_path: Path) -> None:
    held = load(SAMPLE)
    tag, other = held.header.scope.tags[:2]
    first = next(one for _, one in held.evidence[Exchange] if one.tag == tag)
    pieces: list[Exchange | Note | Stray] = [
        first,
        Stray("127.0.0.1:502", 1, Outcome.LATE, b"", tag),
        Stray("127.0.0.1:502", 1, Outcome.UNASKED, b"", ""),
        first._replace(purpose=Purpose.REFERENCE),
        Note(2, JUDGED, tag),
        first,
        first._replace(tag=other),
        first._replace(tag="in no scope"),
    ]
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", held.header)
    numbers = [writer.keep(piece) for piece in pieces]
    writer.seal(complete=True, reason="")
    with opened(writer.path) as apart:
        assert apart.bulk is not None
        assert list(apart.bulk.numbers()) == [numbers[0], numbers[1], numbers[6]]
        assert apart.bulk.exchanges == 2
        assert [n for n, _ in apart.evidence[Exchange]] == [numbers[3], numbers[5], numbers[7]]
        assert [n for n, _ in apart.evidence[Stray]] == [numbers[2]]


def test_findings_lead_to_their_bytes_where_the_lines_have_other_numbers(tmp_path: Path) -> None:
    """The old record did not say what was expected, so that all its evidence moves in the new one."""
    held = load(SAMPLE)
    writer = RecordWriter.create(tmp_path / "old.audit.jsonl", held.header)
    pieces = sorted((item for items in held.evidence.values() for item in items), key=lambda item: item[0])
    for _, piece in pieces:
        writer.keep(piece)
    writer.seal(complete=True, reason="")
    lineup = lineup_of(held.header)
    made = []
    for name in ("held", "apart"):
        with opened(writer.path) as apart:
            again = RecordWriter.create(tmp_path / f"{name}.audit.jsonl", held.header)
            write(again, apart if name == "apart" else load(writer.path), lineup)
        made.append(load(again.path))
    assert made[0].code == made[1].code
    numbers = {number for kind in made[1].evidence.values() for number, _ in kind}
    rested = {number for finding in made[1].findings for number in finding.evidence}
    assert rested
    assert rested <= numbers
    assert made[1].evidence[Exchange][0][0] != load(writer.path).evidence[Exchange][0][0]
