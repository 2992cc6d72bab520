"""Lines as they are read: cut at their ends, in bounded memory, and only in their canonical form.

Source: RFC 8785 (canonical form), with what docs/record.md narrows: no floats, no integers beyond 2^53-1,
ASCII keys. The second opinion on canonical bytes is the PyPI library ``rfc8785``.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pytest
import rfc8785

from probe.model.errors import InputError
from probe.record.line import LARGEST, LONGEST_LINE, NO_LINE, digest, line
from probe.record.reader import (
    Chain,
    NotALineError,
    RawLine,
    Walk,
    json_of,
    open_record,
    parse,
    raw_lines,
)
from probe.record.seal import seal_line

SAMPLE = (Path(__file__).parents[1] / "records" / "format-1-signed.audit.jsonl").read_bytes()
LINES = SAMPLE.splitlines()


def _raw(body: Any, **members: Any) -> bytes:
    return rfc8785.dumps({"kind": "note", "prev": NO_LINE, "seq": 1, **members, "body": body})


def test_a_file_is_cut_at_its_line_ends() -> None:
    cut = [(one.data, one.ended) for one in raw_lines(io.BytesIO(b"a\n\nb\r\nc"))]
    assert cut == [(b"a", True), (b"", True), (b"b\r", True), (b"c", False)]
    assert list(raw_lines(io.BytesIO(b""))) == []


@pytest.mark.parametrize("more", [b"", b"y", b"y" * (1024 * 1024), b"y" * (1024 * 1024 + 1)])
def test_of_a_line_that_is_too_long_the_beginning_is_kept_and_the_next_line_is_found(more: bytes) -> None:
    long = b"x" * (LONGEST_LINE + 1) + more
    first, second = raw_lines(io.BytesIO(long + b"\nnext\n"))
    assert (len(first.data), first.ended) == (LONGEST_LINE + 1, True)
    assert second == RawLine(b"next", True)
    (only,) = raw_lines(io.BytesIO(long))
    assert (len(only.data), only.ended) == (LONGEST_LINE + 1, False)


def test_a_line_of_the_greatest_length_is_whole() -> None:
    longest = b"x" * LONGEST_LINE
    assert list(raw_lines(io.BytesIO(longest))) == [RawLine(longest, False)]
    assert list(raw_lines(io.BytesIO(longest[1:] + b"\n"))) == [RawLine(longest[1:], True)]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"a": [0, -1, LARGEST, -LARGEST], "b": None, "c": True, "d": {"e": "ä€\U0001f602\x7f"}},
        {"a": "1.5", "b": ",1.5", "c": '":12345678901234567890', "d": "[1e5"},  # text that looks like numbers
        {"text": "x" * (2 * 1024 * 1024)},  # beyond what the fast parser gets
    ],
)
def test_the_canonical_form_is_a_line(body: dict[str, Any]) -> None:
    raw = _raw(body)
    read = parse(raw)
    assert (read.sequence, read.previous, read.kind, read.body) == (1, NO_LINE, "note", body)
    assert read.digest == digest(raw)


@pytest.mark.parametrize(
    "number",
    [b"1.0", b"1.5", b"-0.5", b"1e3", b"1E3", b"9007199254740992", b"-9007199254740992", b"1e400", b"01"],
)
@pytest.mark.parametrize("beside", [b"", "ä".encode()])
def test_a_number_that_not_every_reader_keeps_is_none_of_a_line(number: bytes, beside: bytes) -> None:
    """Also beside text that is not ASCII, where another way is gone to look for it."""
    for form in (b'{"a":"%b","n":%b}', b'{"a":"%b","n":[%b]}', b'{"a":"%b","n":[0,{"m":%b}]}'):
        raw = b'{"body":%b,"kind":"note","prev":"%b","seq":1}' % (form % (beside, number), NO_LINE.encode())
        with pytest.raises(NotALineError):
            parse(raw)


@pytest.mark.parametrize(
    "body", [{"ä": 1}, {"a": {"ä": 1}}, {"a": [{"ä": 1}]}, {"a": [[0], {"b": {"ä": 1}}]}]
)
def test_a_key_that_is_not_ascii_is_none_of_a_line(body: dict[str, Any]) -> None:
    with pytest.raises(NotALineError, match="canonical"):
        parse(_raw(body))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"seq": 0}, "of its type"),
        ({"seq": -1}, "of its type"),
        ({"seq": True}, "of its type"),
        ({"seq": "1"}, "of its type"),
        ({"kind": 1}, "of its type"),
        ({"kind": None}, "of its type"),
        ({"body": []}, "of its type"),
        ({"body": "x"}, "of its type"),
        ({"prev": "0" * 63}, "prev is not"),
        ({"prev": "0" * 65}, "prev is not"),
        ({"prev": "A" * 64}, "prev is not"),
        ({"prev": "g" * 64}, "prev is not"),
        ({"prev": 0}, "prev is not"),
        ({"more": 1}, "not an object with"),
    ],
)
def test_members_of_another_type_make_no_line(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(NotALineError, match=says):
        parse(_raw(**{"body": {}, **changes}))


@pytest.mark.parametrize("raw", [b"5", b"null", b"[]", b'"x"', b"{}", b'{"body":{},"kind":"n","seq":1}'])
def test_other_json_is_no_line(raw: bytes) -> None:
    with pytest.raises(NotALineError, match="not an object with"):
        parse(raw)


def test_what_no_reader_could_bear_is_not_even_parsed() -> None:
    with pytest.raises(NotALineError, match="longer than any"):
        json_of(b'"' + b"x" * LONGEST_LINE + b'"')
    with pytest.raises(NotALineError, match="not JSON"):
        json_of(b'"' + b"x" * (LONGEST_LINE - 1))
    with pytest.raises(NotALineError, match="not JSON"):
        json_of(b"[" * 150_000)


def _chain(*lines: bytes) -> tuple[Chain, list[str]]:
    chain = Chain()
    return chain, [chain.take(RawLine(one, True))[1] for one in lines]


def test_a_chain_tells_where_it_is() -> None:
    chain, told = _chain(*LINES[:3])
    assert (told, chain.count) == (["", "", ""], 3)
    assert (chain.head, chain.before) == (digest(LINES[2]), digest(LINES[1]))
    assert (chain.seal, len(chain.key)) == (None, 64)
    chain, told = _chain(*LINES)
    assert set(told) == {""}
    assert chain.seal is not None
    assert (chain.seal.code, chain.seal.count) == (digest(LINES[-1]), len(LINES))


def test_what_does_not_follow_is_not_let_in() -> None:
    for wrong, says in (
        (RawLine(LINES[2], False), "line end is missing"),
        (RawLine(LINES[3], True), "says that it is number 4"),
        (RawLine(b"{}", True), "not an object with"),
        (RawLine(line(3, NO_LINE, "note", {}), True), "does not follow"),
        (RawLine(line(3, digest(LINES[1]), "head", {}), True), "first line, and no other"),
    ):
        chain, _ = _chain(*LINES[:2])
        assert says in chain.take(wrong)[1]
        assert (chain.count, chain.head) == (2, digest(LINES[1]))
        assert chain.take(RawLine(LINES[2], True))[1] == "", "the right one is still let in"


def test_a_record_begins_with_a_head() -> None:
    _, told = _chain(line(1, NO_LINE, "note", {}))
    assert told == ["the first line, and no other, is the head"]
    _, told = _chain(line(1, NO_LINE, "head", {"key": {"algorithm": "rsa"}}))
    assert told[0].startswith("the head names no proper key")


def test_nothing_stands_behind_a_seal() -> None:
    _, told = _chain(*LINES, line(len(LINES) + 1, digest(LINES[-1]), "note", {}))
    assert told[-1] == "something stands behind the seal"


def test_a_signature_is_held_to_what_the_head_promises() -> None:
    """Taken off, put on, or made by another key."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from probe.record.signing import KeySigner

    other = KeySigner(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
    number, previous = len(LINES), digest(LINES[-2])
    for signer, says in ((None, "signature of the seal is gone"), (other, "was not made with the key")):
        made = seal_line(number, previous, complete=True, reason="", signer=signer)
        _, told = _chain(*LINES[:-1], made)
        assert says in told[-1]
    head = line(1, NO_LINE, "head", {"key": None})
    made = seal_line(2, digest(head), complete=True, reason="", signer=other)
    assert "the head names no key" in _chain(head, made)[1][-1]
    chain, told = _chain(head, seal_line(2, digest(head), complete=True, reason=""))
    assert told == ["", ""]
    assert chain.seal is not None


def test_a_walk_stops_where_the_chain_does_and_says_why() -> None:
    walk = Walk(io.BytesIO(b"\n".join([*LINES[:4], LINES[5], b""])))
    assert [one.sequence for one in walk] == [1, 2, 3, 4]
    assert walk.stop is not None
    assert (walk.stop.number, walk.stop.raw.data, walk.raw) == (5, LINES[5], LINES[3])
    assert (walk.count, walk.head, walk.before) == (4, digest(LINES[3]), digest(LINES[2]))
    whole = Walk(io.BytesIO(SAMPLE))
    assert (sum(1 for _ in whole), whole.stop, whole.seal is not None) == (len(LINES), None, True)


def test_a_mended_walk_drops_what_an_editor_adds_and_no_more() -> None:
    mark = b"\xef\xbb\xbf"
    edited = mark + SAMPLE.replace(b"\n", b"\r\n")
    assert sum(1 for _ in Walk(io.BytesIO(edited), mended=True)) == len(LINES)
    assert sum(1 for _ in Walk(io.BytesIO(edited))) == 0
    twice = SAMPLE.replace(b"\n", b"\r\r\n")
    assert sum(1 for _ in Walk(io.BytesIO(twice), mended=True)) == 0
    within = SAMPLE.replace(b"\n", b"\n" + mark, 1)
    assert sum(1 for _ in Walk(io.BytesIO(within), mended=True)) == 1


@pytest.mark.parametrize(
    ("name", "says"),
    [("missing", "there is no such file"), (".", "no ordinary file"), ("nul\0", "cannot be read")],
)
def test_what_cannot_be_opened_is_told(tmp_path: Path, name: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        open_record(tmp_path / name)
    assert "audit.jsonl" in caught.value.problems[0].remedy


@pytest.mark.skipif(os.name != "posix", reason="the name is too long in another way there")
def test_what_the_system_says_of_a_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot be read: .*too long"):
        open_record(tmp_path / ("x" * 300))
