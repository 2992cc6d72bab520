"""A record of a newer format: what can be read is shown, the rest is counted, nothing is proved."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
import rfc8785

from probe.cli.record_commands import show, verify
from probe.model.errors import RecordError
from probe.record.content import load, load_newer

SAMPLE = Path(__file__).parents[1] / "records" / "format-1-signed.audit.jsonl"
Capture = pytest.CaptureFixture[str]


def _write(path: Path, lines: list[dict[str, Any]]) -> Path:
    """The lines numbered and chained anew, by an independent encoder."""
    previous, made = "0" * 64, []
    for number, line in enumerate(lines, 1):
        made.append(rfc8785.dumps({**line, "seq": number, "prev": previous}))
        previous = hashlib.sha256(made[-1]).hexdigest()
    path.write_bytes(b"".join(one + b"\n" for one in made))
    return path


@pytest.fixture
def lines() -> list[dict[str, Any]]:
    read = [json.loads(raw) for raw in SAMPLE.read_bytes().splitlines()]
    read[0]["body"]["format"] = "buswitness-record/2"
    return read


def test_known_lines_are_read_and_unknown_ones_counted(
    tmp_path: Path, lines: list[dict[str, Any]], capsys: Capture
) -> None:
    finding = next(number for number, line in enumerate(lines) if line["kind"] == "finding")
    lines[finding + 1]["body"] = {"of": "another shape"}
    lines.insert(10, {"kind": "vibration", "body": {"at_ns": 5}})
    path = _write(tmp_path / "newer.audit.jsonl", lines)
    content, missed = load_newer(path)
    assert missed == {"vibration": 1, "finding": 1}
    assert (len(content.findings), content.count) == (3, 27)
    assert show(path, as_json=False, tag=None, finding=None) == 0
    text = " ".join(capsys.readouterr().out.split())
    for words in (
        "newer format (buswitness-record/2)",
        "1 of kind finding, 1 of kind vibration",
        "cannot tell",
    ):
        assert words in text
    assert "key " not in text.split("Signed", 1)[1][:40]
    assert show(path, as_json=True, tag=None, finding="1") == 0
    assert json.loads(capsys.readouterr().out)["not_understood"] == missed


def test_it_does_not_verify_and_everything_else_refuses_it(
    tmp_path: Path, lines: list[dict[str, Any]], capsys: Capture
) -> None:
    path = _write(tmp_path / "newer.audit.jsonl", lines)
    assert verify(path, as_json=True) == 4
    told = json.loads(capsys.readouterr().out)
    assert (told["unchanged"], told["damage"]) == (None, "newer format")
    with pytest.raises(RecordError, match="newer format"):
        load(path)


def test_reading_ends_where_the_lines_do_not_follow_from_each_other(
    tmp_path: Path, lines: list[dict[str, Any]]
) -> None:
    path = _write(tmp_path / "newer.audit.jsonl", lines)
    path.write_bytes(path.read_bytes().replace(b"43670000", b"43680000", 1))
    content, _ = load_newer(path)
    assert content.count == 11, "the changed line itself is told apart only by the one behind it"


def test_a_head_that_cannot_be_read_is_refused(tmp_path: Path, lines: list[dict[str, Any]]) -> None:
    lines[0]["body"] = {"format": "buswitness-record/2", "all": "new"}
    with pytest.raises(RecordError, match="newer format"):
        show(_write(tmp_path / "newer.audit.jsonl", lines), as_json=False, tag=None, finding=None)


def test_lines_are_counted_by_kind_and_a_cut_one_is_not_read(
    tmp_path: Path, lines: list[dict[str, Any]]
) -> None:
    lines[10:10] = [{"kind": "vibration", "body": {}}] * 2
    finding = next(number for number, line in enumerate(lines) if line["kind"] == "finding")
    for number in (finding, finding + 1):
        lines[number]["body"] = {"of": "another shape"}
    path = _write(tmp_path / "newer.audit.jsonl", lines)
    content, missed = load_newer(path)
    assert missed == {"vibration": 2, "finding": 2}
    assert (content.count, content.seal, content.cut) == (len(lines), None, False)
    assert content.code == hashlib.sha256(path.read_bytes().splitlines()[-1]).hexdigest()
    path.write_bytes(path.read_bytes()[:-1])
    assert load_newer(path)[0].count == len(lines) - 1


def test_a_line_out_of_number_ends_the_reading(tmp_path: Path, lines: list[dict[str, Any]]) -> None:
    path = _write(tmp_path / "newer.audit.jsonl", lines)
    raw = path.read_bytes().splitlines(keepends=True)
    skipped = json.loads(raw[5])
    raw[5] = rfc8785.dumps({**skipped, "seq": 7}) + b"\n"
    path.write_bytes(b"".join(raw))
    assert load_newer(path)[0].count == 5
