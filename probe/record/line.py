"""Line: the canonical bytes of one line of a record.

A line is one JSON object with four members, ``body``, ``kind``, ``prev`` and ``seq``, in the canonical form
of RFC 8785: no white space, members sorted, UTF-8. ``prev`` is the SHA-256 of the bytes of the line before
(without its line end), ``seq`` counts lines from 1, so that it is the line's number in the file.

Lines hold text, integers, booleans, null, lists and objects with ASCII keys; no floats. For such values a
fast encoder that sorts keys gives the same bytes as an RFC 8785 library (tests/unit/test_line.py and
tests/property/test_canonical_lines.py prove it for every kind of line). Why and what it costs:
docs/decisions/0005-record-encoding.md.

Source: RFC 8785, 3.2 (clause from memory).
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import orjson

from probe.model.evidence import Connect, Disconnect, Exchange
from probe.model.finding import Finding

#: What a line may hold. A float is a bug of ours and raises TypeError.
Plain = str | int | bool | None | Sequence["Plain"] | Mapping[str, "Plain"]

#: Largest integer that every JSON reader keeps (RFC 8785; an RFC 8785 library refuses more); beyond it: text.
LARGEST = 2**53 - 1
#: ``prev`` of the first line.
NO_LINE = "0" * 64
#: Longest line, bytes. A reader refuses longer ones, so that a hostile file cannot fill its memory.
LONGEST_LINE = 16 * 1024 * 1024
#: Most brackets and most commas of one line: each becomes an object in the memory of who reads it.
MOST_BRACKETS, MOST_COMMAS = 200_000, 2_000_000


_STRICT = orjson.OPT_SORT_KEYS | orjson.OPT_STRICT_INTEGER


def digest(line: bytes) -> str:
    """SHA-256 of a line without its line end, 64 lower-case hexadecimal digits."""
    return hashlib.sha256(line).hexdigest()


def is_bearable(made: bytes) -> bool:
    """Whether a line is small enough for every reader: in bytes and in what it becomes in memory."""
    if len(made) <= MOST_BRACKETS:
        return True
    brackets = made.count(b"[") + made.count(b"{")
    return len(made) <= LONGEST_LINE and brackets <= MOST_BRACKETS and made.count(b",") <= MOST_COMMAS


def integer(number: int) -> int | str:
    """The number itself, or its decimal digits as text where JSON readers would lose digits."""
    return number if -LARGEST <= number <= LARGEST else str(number)


def canonical(value: Plain) -> bytes:
    """The RFC 8785 bytes of a value that holds no floats.

    A lone surrogate, which no UTF-8 can carry, is written as the six characters of its ``\\udc80`` form.
    Raises TypeError for a float, an integer beyond LARGEST, a key that is not ASCII or a foreign type.
    """
    try:
        if _is_ready(value):
            return orjson.dumps(value, option=_STRICT)
    except TypeError:  # a lone surrogate, or what must be refused: the walk tells them apart
        pass
    return orjson.dumps(_checked(value), option=_STRICT)


def line(sequence: int, previous: str, kind: str, body: Plain) -> bytes:
    """The bytes of one line, without its line end. kind: ASCII letters and blanks."""
    return b'{"body":%b,"kind":"%b","prev":"%b","seq":%d}' % (
        canonical(body),
        kind.encode(),
        previous.encode(),
        sequence,
    )


def exchange_line(sequence: int, previous: str, exchange: Exchange) -> bytes:
    """The bytes of an exchange's line; the same as ``line`` gives, at a quarter of the cost."""
    return evidence_lines(sequence, previous, (exchange,))[0][0]


def beginning(kind: str, body: Plain) -> bytes:
    """The bytes of a line up to the hash of the line before; ``evidence_lines`` adds the rest."""
    return b'{"body":%b,"kind":"%b","prev":"' % (canonical(body), kind.encode())


def connect_beginning(connect: Connect) -> bytes:
    """The same for a connection that was opened or not, at a tenth of the cost: thousands come at once."""
    host, sent_ns, received_ns, outcome, detail, local = connect
    quoted = _quoted
    return (
        f'{{"body":{{"detail":{quoted[detail]},"host":{quoted[host]},"local":{canonical(local).decode()},'
        f'"outcome":{quoted[outcome]},"received_ns":{_number(received_ns)},"sent_ns":{_number(sent_ns)}}},'
        f'"kind":"connect","prev":"'
    ).encode()


def disconnect_beginning(disconnect: Disconnect) -> bytes:
    """The same for the end of a connection."""
    host, at_ns, by_peer, requests = disconnect
    return (
        f'{{"body":{{"at_ns":{_number(at_ns)},"by_peer":{"true" if by_peer else "false"},'
        f'"host":{_quoted[host]},"requests":{_number(requests)}}},"kind":"disconnect","prev":"'
    ).encode()


def evidence_lines(
    sequence: int, previous: str, evidence: Iterable[Exchange | bytes]
) -> tuple[list[bytes], str, int]:
    """The lines of pieces of evidence in a row, the hash of the last one, and their size in bytes.

    sequence: of the first. evidence: exchanges, and the ``beginning`` of anything else. Exchanges are nearly
    all of a record, so their text is put together by hand, many in one go.
    """
    made: list[bytes] = []
    size = 0
    heads, quoted, sha256 = _heads, _quoted, hashlib.sha256
    for one in evidence:
        if isinstance(one, bytes):
            text = b'%b%b","seq":%d}' % (one, previous.encode(), sequence)
        else:
            tag, purpose, framing, round_, attempt, sent, received, outcome, code, request, response = one
            if not 0 <= sent <= received <= LARGEST:
                received, sent = _number(received), _number(sent)
            text = (
                f'{heads[attempt, code, framing, outcome, purpose]}{received},"request":"{request.hex()}",'
                f'"response":"{response.hex()}","round":{round_},"sent_ns":{sent},"tag":{quoted[tag]}}},'
                f'"kind":"exchange","prev":"{previous}","seq":{sequence}}}'
            ).encode()
        made.append(text)
        size += len(text)
        previous = sha256(text).hexdigest()
        sequence += 1
    return made, previous, size


class _Heads(dict[tuple[int, int, str, str, str], str]):
    """How lines of exchanges begin: attempt, exception code, framing, outcome and purpose, of which few
    combinations occur."""

    def __missing__(self, key: tuple[int, int, str, str, str]) -> str:
        attempt, code, framing, outcome, purpose = key
        if len(self) > _HEADS_KEPT:
            self.clear()
        made = self[key] = (
            f'{{"body":{{"attempt":{attempt},"exception_code":{code},"framing":"{framing}",'
            f'"outcome":"{outcome}","purpose":"{purpose}","received_ns":'
        )
        return made


_HEADS_KEPT = 1000
_heads = _Heads()


def finding_line(sequence: int, previous: str, finding: Finding) -> bytes:
    """The bytes of a finding's line; the same as ``line`` gives, at a quarter of the cost.

    Raises TypeError or ValueError for a float.
    """
    return finding_lines(sequence, previous, (finding,))[0][0]


def finding_lines(sequence: int, previous: str, findings: Iterable[Finding]) -> tuple[list[bytes], str, int]:
    """The lines of findings in a row, the hash of the last one, and their size in bytes.

    sequence: of the first. A run over thousands of devices has tens of thousands of findings, which differ
    mostly in their subject and in the lines that they rest on: what is common is put together once.
    Raises TypeError or ValueError for a float.
    """
    made: list[bytes] = []
    size = 0
    frames, quoted, sha256 = _frames, _quoted, hashlib.sha256
    for finding in findings:
        words = finding[2:4], finding[5:9], finding[10:]
        known = frames.get(finding[0])  # the last one of the check: devices in a row get like findings
        if known is None or known[0] != words:
            known = _frame_of(words, finding)
        _, before, between, behind, end = known
        rests_on = finding[9]
        numbers = ",".join(map(int.__repr__, rests_on)) if rests_on else ""
        text = (
            f"{before}{numbers}{between}{quoted[finding[4]]}{behind}{quoted[finding[1]]}{end}{previous}"
            f'","seq":{sequence}}}'
        ).encode()
        made.append(text)
        size += len(text)
        previous = sha256(text).hexdigest()
        sequence += 1
    return made, previous, size


#: Fields of a finding that like ones share; Any, because they differ in type.
_Words = tuple[Any, ...]
#: They, and what surrounds evidence, observed, subject and the hash of the line before in the line.
_Frame = tuple[_Words, str, str, str, str]
_FRAMES_KEPT = 2000
_all_frames: dict[tuple[str, _Words], _Frame] = {}
_frames: dict[str, _Frame] = {}  # the one used last, by check


def _frame_of(words: _Words, finding: Finding) -> _Frame:
    """The frame of all findings of the check that differ in subject, observed and evidence only."""
    check = finding[0]
    frame = _all_frames.get((check, words))
    if frame is None:
        if len(_all_frames) >= _FRAMES_KEPT:
            _all_frames.clear()
            _frames.clear()
        frame = _all_frames[check, words] = _new_frame(words, finding)
    _frames[check] = frame
    return frame


def _new_frame(words: _Words, finding: Finding) -> _Frame:
    check, _, verdict, title, _, due, unit, doubt, rule, _, advice, point, cause, danger = finding
    quoted = _quoted
    before = (
        f'{{"body":{{"advice":{quoted[advice]},"cause":{"null" if cause is None else quoted[cause]},'
        f'"check":{quoted[check]},"danger":{danger:d},"evidence":['
    )
    end = (
        f',"title":{quoted[title]},"uncertainty":{quoted[doubt]},"unit":{quoted[unit]},'
        f'"verdict":{quoted[verdict]}}},"kind":"finding","prev":"'
    )
    behind = f',"point":{quoted[point]},"rule":{quoted[rule]},"subject":'
    return words, before, f'],"expected":{quoted[due]},"observed":', behind, end


def expected_line(sequence: int, previous: str, subject: str, due: Sequence[tuple[str, bool]]) -> bytes:
    """The bytes of an ``expected`` line; due: checks, and whether a missing verdict makes the run incomplete.

    The same as ``line`` gives; thousands of devices share a few lists of checks.
    """
    return b'{"body":{"checks":%b,"subject":%b},"kind":"expected","prev":"%b","seq":%d}' % (
        _due(tuple(due)),
        _quoted[subject].encode(),
        previous.encode(),
        sequence,
    )


@functools.lru_cache(maxsize=1024)
def _due(due: tuple[tuple[str, bool], ...]) -> bytes:
    return canonical([{"check": check, "required": required} for check, required in due])


class _Quoted(dict[str, str]):
    """JSON text of texts; kept, because a run has few different ones and writes them again and again."""

    def __missing__(self, text: str) -> str:
        if len(self) > _TEXTS_KEPT:
            self.clear()
        made = self[text] = canonical(text).decode()
        return made


_TEXTS_KEPT = 50_000
_quoted = _Quoted()


def forget() -> None:
    """Let go of what was kept of texts, for a new record: a process that makes many must stay level."""
    _quoted.clear()
    _all_frames.clear()
    _frames.clear()


def _number(number: int) -> Any:
    """As a line holds it; Any, because it stands in for the number only where text is made of it."""
    return number if -LARGEST <= number <= LARGEST else f'"{number}"'


_LEAVES = frozenset({str, int, bool, type(None)})


def _is_ready(value: Plain) -> bool:
    """True if the fast encoder may have the value as it is: no float in it, and no foreign type.

    Exact types only, in steps that Python takes without a loop of its own: this is asked for every line.
    Raises TypeError for a key that is no text. Integers within 2^53-1 are left to the encoder.
    """
    kind = type(value)
    if kind is dict:
        if not "".join(value).isascii():  # type: ignore[arg-type]
            return False
        items = tuple(value.values())  # type: ignore[union-attr]
    elif kind is tuple or kind is list:
        items = value  # type: ignore[assignment]
    else:
        return kind in _LEAVES
    if _LEAVES.issuperset(map(type, items)):
        return True
    return all(map(_is_ready, [item for item in items if type(item) not in _LEAVES]))


def _checked(value: Plain) -> Plain:
    """The value with strict types: what JSON cannot carry is refused, lone surrogates are spelled out."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return _speakable(value)
    if isinstance(value, int):
        if not -LARGEST <= value <= LARGEST:
            raise TypeError(f"an integer beyond 2^53-1 goes into a record as text: {value}")
        return value
    if isinstance(value, Mapping):
        return {_key(key): _checked(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        return [_checked(item) for item in value]
    raise TypeError(f"{type(value).__name__} cannot stand in a record line: {value!r}")


def _key(key: str) -> str:
    if not (isinstance(key, str) and key.isascii()):
        raise TypeError(f"a key of a record line is ASCII text: {key!r}")
    return key


def _speakable(text: str) -> str:
    plain = str(text)
    try:
        plain.encode()
    except UnicodeEncodeError:
        return plain.encode("utf-8", "backslashreplace").decode()
    return plain
