"""Loading a record: all that it holds, up to its end or its cut; a damaged one is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.model.errors import InputError, RecordError
from probe.model.evidence import Anchor, Connect, Echo, Exchange, Neighbour, Note, Stray
from probe.model.finding import Expectation
from probe.model.lineup import SourceText
from probe.record.content import first_evidence, lineup_of, load, load_inside, load_newer, pieces
from probe.record.line import digest, line

SAMPLE = Path(__file__).parents[1] / "records" / "format-1.audit.jsonl"


def test_everything_in_the_sample_comes_back() -> None:
    content = load(SAMPLE)
    assert content.header.scope.dwell_s == 600.0
    assert content.expectations == (
        Expectation(check="reach.answers", subject="MTR-M1"),
        Expectation(check="clock.skew", subject="MTR-M1", required=False),
        Expectation(check="reach.answers", subject="F-01"),
    )
    assert content.findings[0].id == "reach.answers@F-01"
    assert content.causes[0].confidence_permille == 700
    assert (len(content.evidence[Exchange]), len(content.evidence[Connect])) == (5, 2)
    assert content.evidence[Note][0][1].text.startswith("Uhr überprüft € \U0001f602")
    assert content.seal is not None
    assert (content.seal.count, content.count, content.last_anchor, content.cut) == (26, 26, 20, False)


def test_without_evidence_the_verdicts_are_still_there() -> None:
    content = load(SAMPLE, with_evidence=False)
    assert content.evidence == {}
    assert len(content.findings) == 4


def test_a_cut_record_is_read_up_to_the_cut(tmp_path: Path) -> None:
    path = tmp_path / "cut.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes()[:5000])
    content = load(path)
    assert (content.seal, content.cut) == (None, True)
    assert content.count == path.read_bytes().count(b"\n")


def test_a_record_that_was_not_closed_is_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "open.audit.jsonl"
    path.write_bytes(b"".join(SAMPLE.read_bytes().splitlines(keepends=True)[:10]))
    content = load(path)
    assert (content.seal, content.cut, content.count) == (None, False, 10)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b"43670000", b"43680000", "changed"),
        (b"\n", b"\r\n", "line ends"),
        (b"buswitness-record/1", b"buswitness-record/2", "newer format"),
    ],
)
def test_a_damaged_record_is_refused_with_its_line(tmp_path: Path, old: bytes, new: bytes, says: str) -> None:
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes().replace(old, new))
    with pytest.raises(RecordError, match=says) as caught:
        load(path)
    assert caught.value.problem.line > 0
    assert "record verify" in caught.value.problem.remedy


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    with pytest.raises(RecordError, match="empty"):
        load(tmp_path / "empty")


def test_no_file_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load(tmp_path / "missing")


def test_lines_of_a_newer_kind_are_kept_and_passed_on(tmp_path: Path) -> None:
    first = SAMPLE.read_bytes().split(b"\n")[0]
    second = line(2, digest(first), "weather", {"sky": "grey"})
    path = tmp_path / "newer.audit.jsonl"
    path.write_bytes(first + b"\n" + second + b"\n")
    assert load(path).others == ((2, "weather", {"sky": "grey"}),)


def test_single_pieces_by_number() -> None:
    found = pieces(SAMPLE, frozenset({9, 10, 1, 99}))
    assert {number: type(piece) for number, piece in found.items()} == {9: Echo, 10: Neighbour}


def test_first_evidence_of_a_device() -> None:
    found, total = first_evidence(SAMPLE, "MTR-M1", 3)
    assert [type(piece) for piece in found.values()] == [Echo, Neighbour, Exchange]
    assert (list(found), total) == ([9, 10, 11], 8)
    assert isinstance(first_evidence(SAMPLE, "MTR-M1", 99)[0][16], Stray)


MERGED = SAMPLE.with_name("format-1-merged.audit.jsonl")


def test_evidence_of_a_merged_record_stands_under_its_number_there() -> None:
    """Each run by itself says the same, under its own numbers."""
    merged = load(MERGED)
    assert merged.is_merged
    assert not load(SAMPLE).is_merged
    assert [(run.count, run.code) for run in merged.runs] == [
        (source.count, source.code) for source in merged.header.sources
    ]
    run = merged.runs[0]
    alone = load_inside(MERGED, 1)
    assert (alone.count, alone.code, alone.header) == (run.count, run.code, run.header)
    for kind, items in alone.evidence.items():
        assert merged.evidence[kind] == tuple((run.first + number - 1, piece) for number, piece in items)
    assert merged.exchanges == alone.exchanges == len(alone.evidence[Exchange])
    assert alone.findings
    assert len(merged.findings) == len(alone.findings)
    assert load_inside(MERGED, 2).acceptances


def test_pieces_and_first_evidence_of_a_merged_record_are_found_inside() -> None:
    run = load(MERGED).runs[0]
    plain = pieces(SAMPLE, frozenset({9, 10}))
    inside = pieces(MERGED, frozenset(run.first + number - 1 for number in plain))
    assert inside == {run.first + number - 1: piece for number, piece in plain.items()}
    found, total = first_evidence(MERGED, "MTR-M1", 2)
    assert (list(found), total) == ([run.first + 8, run.first + 9], 8)


@pytest.mark.parametrize("number", [0, 3])
def test_there_is_no_record_inside_under_another_number(number: int) -> None:
    with pytest.raises(RecordError):
        load_inside(MERGED, number)


def test_no_piece_is_asked_for_and_none_is_given() -> None:
    assert pieces(SAMPLE, frozenset()) == {}
    assert first_evidence(SAMPLE, "nobody", 5) == ({}, 0)
    assert first_evidence(SAMPLE, "MTR-M1", 0) == ({}, 8)


def test_a_line_that_is_not_its_kind_refuses_the_record_at_its_number(tmp_path: Path) -> None:
    first = SAMPLE.read_bytes().split(b"\n")[0]
    second = line(2, digest(first), "finding", {"check": "a"})
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(first + b"\n" + second + b"\n")
    with pytest.raises(RecordError, match="foreign content") as caught:
        load(path)
    assert (caught.value.problem.line, caught.value.problem.file) == (2, str(path))


def test_a_record_without_a_head_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.audit.jsonl"
    path.write_bytes(b"")
    for read in (load, load_newer):
        with pytest.raises(RecordError) as caught:
            read(path)
        assert caught.value.problem.line == 0, "it is bad at no line"


def test_the_last_anchor_is_that_of_the_last_anchors_line() -> None:
    content = load(SAMPLE)
    assert content.last_anchor == content.evidence[Anchor][-1][0] == 20
    assert load(SAMPLE, with_evidence=False).last_anchor == 20


def test_sheets_go_with_the_lineup_of_a_record() -> None:
    content = load(SAMPLE.with_name("report.audit.jsonl"), with_evidence=False)
    assert lineup_of(content.header).sheet_texts == ()
    sheet = SourceText(name="s.yaml", text="a: 1\n", sha256="0" * 64)
    assert lineup_of(replace(content.header, sheet_texts=(sheet,))).sheet_texts == (sheet,)
