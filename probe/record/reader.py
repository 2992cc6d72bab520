"""Reader: the lines of a record file, one after the other, in constant memory, each proved by the chain.

A file may be hostile: lines are read up to a bound, brackets and commas are counted before anything is
parsed, and whatever is not the canonical form of a line is no line. What is wrong with a file that does not
hold is told by ``damage``; what a line means by ``body`` and ``content``.
"""

from __future__ import annotations

import json
import re
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any, NamedTuple

import orjson

from probe.model.errors import InputError, Problem
from probe.record.line import LARGEST, LONGEST_LINE, NO_LINE, digest, is_bearable
from probe.record.packed import unpacked
from probe.record.seal import Seal, seal_check, seal_from, signature_of
from probe.record.signing import key_from, seal_message, signature_holds

BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class RawLine(NamedTuple):
    """Bytes between two line ends. ended: False for the last line of a file that does not end in one."""

    data: bytes
    ended: bool


class ReadLine(NamedTuple):
    """One line of a record, parsed. digest: its SHA-256, which the next line holds as ``prev``."""

    sequence: int
    previous: str
    kind: str
    body: Mapping[str, Any]
    digest: str


class NotALineError(ValueError):
    """The bytes are not the canonical form of a record line; the text says why."""


class Stop(NamedTuple):
    """Where and why a walk ended before the end of the file. line: None if the bytes are no line at all."""

    number: int
    raw: RawLine
    line: ReadLine | None
    why: str


def open_record(path: Path) -> IO[bytes]:
    """The file, open for reading, unpacked if it is a compressed copy (see ``packed``).

    Raises InputError if it is no readable ordinary file, or a copy that nothing here can unpack.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise InputError([_unreadable(path, "this is no ordinary file")])
        return unpacked(path)
    except FileNotFoundError as error:
        raise InputError([_unreadable(path, "there is no such file")]) from error
    except (OSError, ValueError) as error:
        raise InputError([_unreadable(path, f"the file cannot be read: {error}")]) from error


def raw_lines(file: IO[bytes]) -> Iterator[RawLine]:
    """The file cut at its line ends; of a line that is too long only the first part is kept."""
    while data := file.readline(LONGEST_LINE + 1):
        if data.endswith(b"\n"):
            yield RawLine(data[:-1], True)
        elif len(data) <= LONGEST_LINE:
            yield RawLine(data, False)
        else:
            yield RawLine(data, _skip_line(file))


def parse(raw: bytes) -> ReadLine:
    """The line that the bytes are. Raises NotALineError unless they are the canonical form of one."""
    value = json_of(raw)
    if not (isinstance(value, dict) and value.keys() == {"body", "kind", "prev", "seq"}):
        raise NotALineError("not an object with body, kind, prev and seq")
    body, kind, previous, sequence = value["body"], value["kind"], value["prev"], value["seq"]
    if not (isinstance(body, dict) and isinstance(kind, str) and type(sequence) is int and sequence > 0):
        raise NotALineError("body, kind or seq is not of its type")
    if not (isinstance(previous, str) and _HASH.fullmatch(previous)):
        raise NotALineError("prev is not 64 hexadecimal digits")
    if _bytes_of(value) != raw or not _plain(raw, value):
        raise NotALineError("not in canonical form")
    return ReadLine(sequence, previous, kind, body, digest(raw))


class Chain:
    """Lines that follow from each other, from a head on; each is proved before it is let in.

    ``count`` and ``head``: number and hash of the last line let in; ``before``: the hash which that line
    follows; ``seal``: None if not closed; ``key``: public key that the head names, empty for none.
    """

    def __init__(self) -> None:
        self.count = 0
        self.head = NO_LINE
        self.before = NO_LINE
        self.seal: Seal | None = None
        self.key = ""

    def take(self, raw: RawLine) -> tuple[ReadLine | None, str]:
        """The line, and why it does not belong here ("" if it does and was let in)."""
        line, why = self._next(raw)
        if line is not None and not why:
            self.before, self.head, self.count = self.head, line.digest, line.sequence
        return line, why

    def _next(self, raw: RawLine) -> tuple[ReadLine | None, str]:
        if self.seal is not None:
            return None, "something stands behind the seal"
        try:
            line = parse(raw.data)
        except NotALineError as error:
            return None, str(error)
        if not raw.ended:
            return line, "the line end is missing"
        if line.sequence != self.count + 1:
            return line, f"the line says that it is number {line.sequence}"
        if line.previous != self.head:
            return line, "the line does not follow from the one before it"
        if (line.kind == "head") != (line.sequence == 1):
            return line, "the first line, and no other, is the head"
        if line.kind == "head":
            return line, self._begun(line)
        return line, self._sealed(line) if line.kind == "seal" else ""

    def _begun(self, line: ReadLine) -> str:
        try:
            self.key = key_from(line.body.get("key"))
        except (KeyError, TypeError, ValueError) as error:
            return f"the head names no proper key ({error})"
        return ""

    def _sealed(self, line: ReadLine) -> str:
        body = line.body
        try:
            seal = seal_from(body, line.digest, self.key)
            if body["check"] != seal_check(line.sequence, line.previous, body):
                return "the seal does not fit itself"
            signature = signature_of(body)
            if body["timestamp"] is not None:
                return "the seal is not one of ours"
        except (KeyError, TypeError, ValueError):
            return "the seal is not one of ours"
        if (seal.count, seal.head) != (line.sequence, line.previous):
            return "the seal does not fit the lines before it"
        if why := _unsigned(self.key, signature, str(body["check"])):
            return why
        self.seal = seal
        return ""


def _unsigned(key: str, signature: str, check: str) -> str:
    """Why the signature is not what the head promises, "" if it is (also for no key and no signature)."""
    if not key:
        return "the seal is signed, but the head names no key" if signature else ""
    if not signature:
        return "the head names a key, but the signature of the seal is gone"
    if not signature_holds(key, signature, seal_message(check)):
        return "the signature of the seal was not made with the key that the head names"
    return ""


class Walk:
    """Goes through a record from its first line on, as long as each line follows from the one before.

    mended: drop a byte-order mark and carriage returns first, to see whether they alone are wrong.
    ``raw``: the bytes of the line that was given last. After the walk: ``stop`` (None if the file's end was
    reached), and what ``Chain`` tells.
    """

    def __init__(self, file: IO[bytes], *, mended: bool = False) -> None:
        self._file = file
        self._mended = mended
        self._chain = Chain()
        self.stop: Stop | None = None
        self.raw = b""  # the last good line, without its end

    def __iter__(self) -> Iterator[ReadLine]:
        chain = self._chain
        for raw in raw_lines(self._file):
            line, why = chain.take(_mend(raw, chain.count) if self._mended else raw)
            if why or line is None:
                self.stop = Stop(chain.count + 1, raw, line, why)
                return
            self.raw = raw.data
            yield line

    @property
    def count(self) -> int:
        """Number of the last good line."""
        return self._chain.count

    @property
    def head(self) -> str:
        """Hash of the last good line."""
        return self._chain.head

    @property
    def before(self) -> str:
        """The hash which the last good line follows."""
        return self._chain.before

    @property
    def seal(self) -> Seal | None:
        """What closes the record, None if nothing does."""
        return self._chain.seal


_HASH = re.compile(r"[0-9a-f]{64}")
#: A number that may be a float or too large; text can look the same, so a hit is looked at closely.
_NUMBER = re.compile(rb"[:,\[]-?[0-9]+(?:[.eE]|[0-9]{15})")
#: Over a broken line the fast parser spends fourteen times its size (measured), the standard one twice.
_SMALL = 1024 * 1024


def json_of(raw: bytes) -> Any:
    """The JSON value of the bytes (of any type, hence Any), in bounded memory. Raises NotALineError."""
    if not is_bearable(raw):
        raise NotALineError("longer than any line of a record")
    try:
        return orjson.loads(raw) if len(raw) <= _SMALL else json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise NotALineError("not JSON") from error


def _bytes_of(value: Any) -> bytes:
    """The sorted, compact JSON of a value that was read; empty if it holds what no line may hold."""
    try:
        return orjson.dumps(value, option=orjson.OPT_SORT_KEYS)
    except orjson.JSONEncodeError:  # a lone surrogate or a huge number
        return b""


def _plain(raw: bytes, value: Any) -> bool:
    """Whether there are only whole numbers that JSON carries, and only ASCII keys."""
    if raw.isascii() and not _NUMBER.search(raw):
        return True
    waiting = [value]
    while waiting:
        item = waiting.pop()
        if isinstance(item, float) or (isinstance(item, int) and not -LARGEST <= item <= LARGEST):
            return False
        if isinstance(item, dict):
            if not all(key.isascii() for key in item):
                return False
            waiting.extend(item.values())
        elif isinstance(item, list):
            waiting.extend(item)
    return True


def _mend(raw: RawLine, count: int) -> RawLine:
    data = raw.data.removesuffix(b"\r")
    return RawLine(data.removeprefix(BYTE_ORDER_MARK) if count == 0 else data, raw.ended)


def _skip_line(file: IO[bytes]) -> bool:
    """Read on to the end of a line that is too long; True if it has an end."""
    while part := file.readline(1024 * 1024):
        if part.endswith(b"\n"):
            return True
    return False


def _unreadable(path: Path, what: str) -> Problem:
    return Problem(
        file=str(path), what=what, remedy="give the path of a record, a file named like *.audit.jsonl"
    )
