"""Verification: each kind of damage by name, and hostile files that must only get an answer."""

from __future__ import annotations

import hashlib
import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
import pytest

from probe.model.errors import InputError
from probe.model.evidence import Anchor, Exchange, Framing, Outcome, Purpose
from probe.model.scope import Scope
from probe.record.damage import Damage
from probe.record.header import Header
from probe.record.line import NO_LINE, digest, line
from probe.record.verify import Verification, verify
from probe.record.writer import RecordWriter

SAMPLE = (Path(__file__).parents[1] / "records" / "format-1.audit.jsonl").read_bytes()
LINES = SAMPLE.split(b"\n")[:-1]


def _verify(tmp_path: Path, data: bytes) -> Verification:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(data)
    return verify(path)


def _rechained(lines: list[bytes]) -> bytes:
    """The lines with all links made anew, as a forger would; the seal is not."""
    made: list[bytes] = []
    previous = NO_LINE
    for number, raw in enumerate(lines, 1):
        value = orjson.loads(raw)
        made.append(line(number, previous, value["kind"], value["body"]))
        previous = digest(made[-1])
    return b"".join(one + b"\n" for one in made)


def test_the_committed_record_of_format_1_verifies_for_ever(tmp_path: Path) -> None:
    """Its SHA-256 is written here, so that nobody makes the file anew to please a changed format."""
    assert (
        hashlib.sha256(SAMPLE).hexdigest()
        == "22bc50c1cce8c027da2d63125e27e254b8e622c52df52741b21c3bff8b9902e4"
    )
    found = _verify(tmp_path, SAMPLE)
    assert (found.whole, found.unchanged, found.first_bad_line, found.damage) == (
        True,
        True,
        None,
        Damage.NONE,
    )
    assert (found.complete, found.reason) == (False, "interrupted by the operator")
    assert (found.public, found.times_doubt) == ("", "")
    assert found.header is not None
    assert found.header.site == "Tarn Hollow Water Works"
    assert found.short == " ".join(found.head[i : i + 4] for i in range(0, 24, 4))


def test_crlf_is_named_and_nothing_else_differs(tmp_path: Path) -> None:
    found = _verify(tmp_path, SAMPLE.replace(b"\n", b"\r\n"))
    assert (found.damage, found.unchanged, found.first_bad_line) == (Damage.LINE_ENDS, False, 1)
    assert "Nothing else differs" in found.text


def test_byte_order_mark_is_named(tmp_path: Path) -> None:
    found = _verify(tmp_path, b"\xef\xbb\xbf" + SAMPLE)
    assert (found.damage, found.unchanged) == (Damage.BYTE_ORDER_MARK, False)
    assert "Nothing else differs" in found.text


def test_both_at_once_as_an_editor_leaves_them(tmp_path: Path) -> None:
    found = _verify(tmp_path, b"\xef\xbb\xbf" + SAMPLE.replace(b"\n", b"\r\n"))
    assert not found.holds
    assert "Nothing else differs" in found.text


def test_crlf_does_not_hide_another_change(tmp_path: Path) -> None:
    changed = SAMPLE.replace(b"127.0.0.1:40000", b"127.0.0.1:40001").replace(b"\n", b"\r\n")
    assert "not all that differs" in _verify(tmp_path, changed).text


def test_a_forged_chain_does_not_fit_its_old_seal(tmp_path: Path) -> None:
    lines = list(LINES)
    lines[12] = lines[12].replace(b"43670000", b"43680000")
    found = _verify(tmp_path, _rechained(lines))
    assert (found.damage, found.first_bad_line) == (Damage.CHANGED, len(LINES))


def test_what_a_chain_cannot_show_is_said(tmp_path: Path) -> None:
    """Lines cut off behind look like a killed run: not whole, and the text says that it cannot tell."""
    found = _verify(tmp_path, b"".join(one + b"\n" for one in LINES[:-5]))
    assert (found.whole, found.unchanged, found.closed) == (False, True, False)
    assert found.damage is Damage.NOT_CLOSED
    assert "cannot tell which" in found.text


def test_zeros_that_a_power_loss_leaves_are_a_cut(tmp_path: Path) -> None:
    found = _verify(tmp_path, b"".join(one + b"\n" for one in LINES[:9]) + bytes(4096))
    assert (found.damage, found.unchanged, found.count) == (Damage.CUT, True, 9)


def test_a_newer_format_is_refused_plainly(tmp_path: Path) -> None:
    found = _verify(tmp_path, SAMPLE.replace(b"buswitness-record/1", b"buswitness-record/2", 1))
    assert (found.damage, found.unchanged, found.whole) == (Damage.NEWER_FORMAT, None, False)
    assert "newer version of the tool" in found.text


def test_a_newer_kind_of_line_is_passed_over(tmp_path: Path) -> None:
    body = orjson.loads(LINES[0])["body"]
    first = line(1, NO_LINE, "head", body)
    second = line(2, digest(first), "weather", {"sky": "grey"})
    found = _verify(tmp_path, first + b"\n" + second + b"\n")
    assert (found.damage, found.count) == (Damage.NOT_CLOSED, 2)


@pytest.mark.parametrize(
    "body",
    [
        {"at_ns": 1},
        {"at_ns": 1, "text": 5, "topic": "x"},
        {"at_ns": [], "text": "", "topic": ""},
        {"at_ns": "no", "text": "", "topic": ""},
    ],
)
def test_a_chained_line_that_is_not_its_kind_is_named(tmp_path: Path, body: dict[str, object]) -> None:
    first = LINES[0]
    second = line(2, digest(first), "note", body)  # type: ignore[arg-type]
    found = _verify(tmp_path, first + b"\n" + second + b"\n")
    assert (found.damage, found.first_bad_line, found.unchanged) == (Damage.FOREIGN_CONTENT, 2, False)


def test_a_wrong_number_in_a_chained_line_is_found(tmp_path: Path) -> None:
    second = line(5, digest(LINES[0]), "note", {"at_ns": 1, "text": "", "topic": ""})
    found = _verify(tmp_path, LINES[0] + b"\n" + second + b"\n")
    assert (found.damage, found.first_bad_line, found.count) == (Damage.CHANGED, 2, 1)


@pytest.mark.parametrize(
    "wrong",
    [
        {"count": 3},
        {"head": NO_LINE},
        {"complete": 1},
        {"check": NO_LINE},
        {"signature": "00"},
        {"timestamp": ""},
    ],
)
def test_a_chained_seal_that_does_not_fit_is_found(tmp_path: Path, wrong: dict[str, object]) -> None:
    """Each with a ``check`` that is right for the wrong contents, as a forger would make it."""
    previous = digest(LINES[0])
    body: dict[str, Any] = {"check": None, "complete": True, "count": 2, "head": previous, "reason": ""}
    body |= {"signature": None, "timestamp": None, **wrong}
    opened = {**body, "check": None, "signature": None, "timestamp": None}
    body["check"] = wrong.get("check", digest(line(2, previous, "seal", opened)))
    found = _verify(tmp_path, LINES[0] + b"\n" + line(2, previous, "seal", body) + b"\n")
    assert (found.damage, found.first_bad_line, found.closed) == (Damage.CHANGED, 2, False)


def test_a_second_head_is_no_part_of_a_record(tmp_path: Path) -> None:
    second = line(2, digest(LINES[0]), "head", orjson.loads(LINES[0])["body"])
    assert _verify(tmp_path, LINES[0] + b"\n" + second + b"\n").first_bad_line == 2


@pytest.mark.parametrize(
    "second",
    [
        b'{"body":{"at_ns":1.0,"text":"","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"at_ns":1e3,"text":"","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"at_ns":9007199254740992,"text":"","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"at_ns":1, "text":"","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"at_ns":1,"text":"\\u0041","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"at_ns":1,"at_ns":1,"text":"","topic":""},"kind":"note","prev":"%b","seq":2}',
        b'{"kind":"note","body":{"at_ns":1,"text":"","topic":""},"prev":"%b","seq":2}',
        b'{"body":{"at_ns":1,"text":"\xc3\xa9","\xc3\xa9":""},"kind":"note","prev":"%b","seq":2}',
        b'{"body":[],"kind":"note","prev":"%b","seq":2}',
        b'{"body":{},"kind":"note","more":1,"prev":"%b","seq":2}',
        b'{"body":{},"kind":"note","prev":"%b","seq":true}',
        b'{"body":{},"kind":"note","prev":"%b","seq":2.0}',
        b'{"body":{"text":"\xff"},"kind":"note","prev":"%b","seq":2}',
        b'{"body":{"text":"\\ud800"},"kind":"note","prev":"%b","seq":2}',
    ],
)
def test_only_the_canonical_form_is_a_line(tmp_path: Path, second: bytes) -> None:
    """Source: RFC 8785 (form); format page docs/record.md (no floats, no large integers)."""
    raw = second % digest(LINES[0]).encode()
    found = _verify(tmp_path, LINES[0] + b"\n" + raw + b"\n")
    assert (found.damage, found.first_bad_line) == (Damage.CHANGED, 2)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"\n", "first line is empty"),
        (b"hello\n", "not that of a record"),
        (bytes(range(256)) * 10, "binary"),
        (b"\x7fELF" + bytes(100), "binary"),
        (SAMPLE.decode().encode("utf-16"), "UTF-16"),
        (b"null\n", "not that of a record"),
        (b"[" * 100_000, "not that of a record"),
        (b'{"body":{"format":"something/1"}}\n', "something else"),
    ],
)
def test_what_is_no_record_is_said_to_be_none(tmp_path: Path, data: bytes, says: str) -> None:
    found = _verify(tmp_path, data)
    assert (found.damage, found.unchanged, found.whole) == (Damage.NOT_A_RECORD, None, False)
    assert says in found.text


def test_deep_nesting_gets_an_answer(tmp_path: Path) -> None:
    nested = b'{"body":{"command":' + b"[" * 150_000 + b"]" * 150_000 + b"}}\n"
    assert _verify(tmp_path, nested).damage is Damage.CHANGED


def _memory_of(work: Callable[[], object]) -> int:
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_a_line_of_a_gigabyte_takes_bounded_memory(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    with path.open("wb") as file:
        file.write(LINES[0] + b"\n")
        file.truncate(1 << 30)  # a hole: no disk is used
    assert _memory_of(lambda: verify(path)) < 100 * 1024 * 1024
    assert verify(path).damage in (Damage.CUT, Damage.CHANGED)


def test_millions_of_values_in_a_line_take_bounded_memory(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(LINES[0] + b'\n{"body":{"a":[' + b"[]," * 5_000_000 + b"[]]}}\n")
    assert _memory_of(lambda: verify(path)) < 100 * 1024 * 1024


def test_memory_does_not_grow_with_the_record(tmp_path: Path) -> None:
    header = Header(
        tool_version="0",
        site="s",
        lineup="l",
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=("F",)),
        started_wall_ns=0,
    )
    paths = [tmp_path / "short", tmp_path / "long"]
    for path, many in zip(paths, (100, 10_000), strict=True):
        writer = RecordWriter.create(path, header)
        for number in range(many):
            writer.keep(
                Exchange(
                    "F", Purpose.POLL, Framing.MBAP, 0, 1, number, number, Outcome.DATA, 0, b"", bytes(99)
                )
            )
        writer.seal(complete=True, reason="")
    short, long = (_memory_of(lambda path=path: verify(path)) for path in paths)
    assert long < short + 256 * 1024


@pytest.mark.parametrize("name", ["missing", "."])
def test_no_readable_file_is_an_input_error(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError):
        verify(tmp_path / name)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_refused_and_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="no ordinary file"):
        verify(tmp_path / "pipe")


def _run_of(tmp_path: Path, *evidence: Anchor | Exchange) -> Verification:
    header = Header(
        tool_version="0",
        site="s",
        lineup="l",
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=("F",)),
        started_wall_ns=0,
    )
    writer = RecordWriter.create(tmp_path / "r", header)
    for item in evidence:
        writer.keep(item)
    writer.seal(complete=True, reason="")
    return verify(writer.path)


def test_an_answer_older_than_its_question_is_doubted(tmp_path: Path) -> None:
    wrong = Exchange("F", Purpose.POLL, Framing.MBAP, 0, 1, 9, 8, Outcome.DATA, 0, b"", b"")
    found = _run_of(tmp_path, wrong)
    assert found.holds
    assert "older than the question" in found.times_doubt


def test_a_stepped_wall_clock_is_told(tmp_path: Path) -> None:
    second = 1_000_000_000
    found = _run_of(tmp_path, Anchor(0, 0), Anchor(60 * second, 3660 * second))
    assert "stepped by +3600.0 s" in found.times_doubt
    assert _run_of_again(tmp_path).times_doubt == ""


def _run_of_again(tmp_path: Path) -> Verification:
    folder = tmp_path / "again"
    folder.mkdir()
    second = 1_000_000_000
    return _run_of(folder, Anchor(0, 0), Anchor(60 * second, 60 * second + 40_000_000))


def test_run_time_that_goes_backwards_is_doubted(tmp_path: Path) -> None:
    assert "backwards" in _run_of(tmp_path, Anchor(5, 5), Anchor(4, 4)).times_doubt


def test_mixed_line_ends_are_named_at_the_first_one(tmp_path: Path) -> None:
    lines = SAMPLE.splitlines(keepends=True)
    mixed = b"".join(line[:-1] + b"\r\n" if number % 3 == 1 else line for number, line in enumerate(lines))
    found = _verify(tmp_path, mixed)
    assert (found.holds, found.damage, found.first_bad_line) == (False, Damage.LINE_ENDS, 2)
    assert "Nothing else differs" in found.text
    old = _verify(tmp_path, SAMPLE.replace(b"\n", b"\r"))
    assert not old.holds
