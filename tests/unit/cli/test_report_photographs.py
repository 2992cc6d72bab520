"""Photographs of a record: only the very bytes that it names are enclosed; no name leads anywhere else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from probe.cli.main import main
from probe.cli.report_photographs import MOST_BYTES, beside
from probe.model.evidence import AnswerTopic, OperatorAnswer
from probe.model.photograph import photograph, said_of
from probe.present.turnover.extraction import enclosed_files
from probe.present.turnover.making import NamedBytes
from probe.record.content import RecordContent, lineup_of, load
from probe.record.rederive import write
from probe.record.writer import RecordWriter

SAMPLE = Path(__file__).parents[2] / "records" / "report.audit.jsonl"
PICTURE = b"\xff\xd8\xff\xe0 no picture, but bytes with a hash \xff\xd9"


def _answer(name: str, data: bytes, item: str = "nameplate") -> OperatorAnswer:
    return OperatorAnswer(
        at_ns=1, sheet="field", item=item, part="", tag="52-M1", round=1, topic=AnswerTopic.PHOTOGRAPH,
        question=name, said=said_of(photograph(name, data)), initials="AT", remark="",
    )  # fmt: skip


def _content(*answers: OperatorAnswer) -> RecordContent:
    content = load(SAMPLE)
    last = content.count
    numbered = tuple((last + n, one) for n, one in enumerate(answers, 1))
    evidence = {**content.evidence, OperatorAnswer: numbered}
    return replace(content, evidence=evidence, count=last + len(numbered))


def test_what_lies_beside_with_the_right_bytes_is_found_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "good.jpg").write_bytes(PICTURE)
    (tmp_path / "changed.jpg").write_bytes(PICTURE + b"!")
    (tmp_path / "folder.jpg").mkdir()
    outside = tmp_path.parent / "outside.jpg"
    outside.write_bytes(PICTURE + b"?")
    names = ["good.jpg", "changed.jpg", "gone.jpg", "folder.jpg"]
    content = _content(
        *(_answer(name, PICTURE + bytes([n]) if n else PICTURE) for n, name in enumerate(names)),
        _answer("../outside.jpg", PICTURE + b"?"),
        _answer(str(outside), PICTURE + b"?"),
    )
    made = beside(tmp_path / "r.audit.jsonl", content, ())
    assert [one.name for one in made.found] == ["good.jpg"]
    assert made.found[0].data == PICTURE
    assert set(made.missing) == {*names[1:], "../outside.jpg", str(outside)}
    assert "changed.jpg" in made.note


def test_each_is_enclosed_once_and_all_together_stay_bounded(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(PICTURE)
    with (tmp_path / "huge.jpg").open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    content = _content(
        _answer("a.jpg", PICTURE), _answer("a.jpg", PICTURE, item="door"), _answer("huge.jpg", b"")
    )
    made = beside(tmp_path / "r.audit.jsonl", content, ())
    assert ([one.name for one in made.found], made.missing) == (["a.jpg"], ("huge.jpg",))
    known = (NamedBytes(name="named in the project.jpg", data=PICTURE),)
    assert beside(tmp_path / "r.audit.jsonl", content, known).found == ()


def test_a_report_carries_them_and_is_proved_with_them(tmp_path: Path) -> None:
    (tmp_path / "nameplate 52-M1.jpg").write_bytes(PICTURE)
    content = _content(_answer("nameplate 52-M1.jpg", PICTURE))
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", content.header)
    write(writer, content, lineup_of(content.header))
    pdf = tmp_path / "r.pdf"
    assert main(["report", str(writer.path), "-o", str(pdf)]) == 0
    assert PICTURE in enclosed_files(pdf.read_bytes()).values()
    (tmp_path / "nameplate 52-M1.jpg").unlink()
    assert main(["report", "--verify", str(pdf)]) == 0
