"""Records inside a record, forged with a right chain: a verdict, never a traceback (found by fuzzing)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
import pytest

from probe.model.errors import RecordError
from probe.record.content import load, load_inside
from probe.record.damage import Damage
from probe.record.line import NO_LINE, digest, line
from probe.record.reader import Chain, RawLine
from probe.record.seal import seal_line
from probe.record.verify import verify

MERGED = Path(__file__).parents[1] / "records" / "format-1-merged.audit.jsonl"


def forged(lines: list[dict[str, Any]]) -> bytes:
    """The lines with numbers, links and seal made anew."""
    made: list[bytes] = []
    previous = NO_LINE
    for number, value in enumerate(lines, 1):
        if value["kind"] == "seal":
            made.append(seal_line(number, previous, complete=True, reason=""))
        else:
            made.append(line(number, previous, value["kind"], value["body"]))
        previous = digest(made[-1])
    return b"".join(one + b"\n" for one in made)


@pytest.fixture
def merged(tmp_path: Path) -> Callable[[list[dict[str, Any]]], Path]:
    def write(lines: list[dict[str, Any]]) -> Path:
        path = tmp_path / "r.audit.jsonl"
        path.write_bytes(forged(lines))
        return path

    return write


def sample() -> list[dict[str, Any]]:
    """The merged sample, without the key that its seal would need."""
    lines = [orjson.loads(raw) for raw in MERGED.read_bytes().splitlines()]
    lines[0]["body"]["key"] = None
    return lines


Write = Callable[[list[dict[str, Any]]], Path]


@pytest.mark.parametrize("source", [0, -1, 2, 99])
def test_a_line_of_no_source_that_is_due_is_foreign(merged: Write, source: int) -> None:
    lines = sample()
    first = next(one for one in lines if one["kind"] == "embedded")
    first["body"]["source"] = source
    path = merged(lines)
    assert verify(path).damage is Damage.FOREIGN_CONTENT
    with pytest.raises(RecordError):
        load(path)


@pytest.mark.parametrize("body", [{"line": []}, {"line": "x"}, {"line": "x", "source": "y"}])
def test_a_line_of_another_kind_that_begins_alike_is_no_matter(merged: Write, body: dict[str, Any]) -> None:
    lines = sample()
    lines.insert(len(lines) - 1, {"kind": "of another version", "body": body})
    path = merged(lines)
    assert verify(path).holds
    assert load_inside(path, 1).header is not None


def test_a_record_inside_whose_line_is_no_such_line_is_refused_in_words(merged: Write) -> None:
    """Chain and codes are right throughout: only reading the inner record shows it."""
    lines = sample()
    inner = [orjson.loads(one["body"]["line"]) for one in lines if one["body"].get("source") == 1]
    inner[0]["body"]["key"] = None
    at = next(number for number, one in enumerate(inner) if one["kind"] == "finding")
    inner[at]["body"] = {"no": "finding"}
    raw = forged(inner).splitlines()
    inside = iter(raw)
    for one in lines:
        if one["kind"] == "embedded" and one["body"]["source"] == 1:
            one["body"]["line"] = next(inside).decode()
    chain = Chain()
    for data in raw:
        assert not chain.take(RawLine(data, True))[1]
    source = next(one for one in lines[0]["body"]["sources"] if one["relation"] == "merges")
    source.update(code=chain.head, count=chain.count)
    path = merged(lines)
    assert verify(path).holds
    with pytest.raises(RecordError, match=f"line {at + 1} of record 1 inside is no proper finding line"):
        load_inside(path, 1)


@pytest.mark.parametrize("wrong", ["no line", '{"body":{},"kind":"note","prev":"%s","seq":2}' % ("0" * 64)])
def test_a_line_inside_that_does_not_follow_is_told_where_it_stands(merged: Write, wrong: str) -> None:
    """The chain outside is right: what is wrong is inside, and said at once, not at the end."""
    lines = sample()
    places = [n for n, one in enumerate(lines, 1) if one["kind"] == "embedded"]
    lines[places[3] - 1]["body"]["line"] = wrong
    path = merged(lines)
    found = verify(path)
    assert (found.damage, found.first_bad_line) == (Damage.FOREIGN_CONTENT, places[3])
    assert "inside, source 1: " in found.text
    with pytest.raises(RecordError):
        load(path)
