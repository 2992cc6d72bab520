"""YAML text to plain values that remember where they stood; the first half of reading a map or profile.

Decides what a file may be: UTF-8 text (a byte order mark is accepted), one document, a mapping at the top,
no duplicate keys, no tabs in the indentation, no anchors, aliases, merge keys or tags, bounded in bytes,
depth and number of values. Every scalar stays text as it was written: ``0510210600``, ``NO``,
``12:30:45`` and ``1.10`` are not touched. What the values must be is ``shape``'s business.

The parser's events are read one by one, not a composed tree: the limits then act before memory is spent,
and nothing recurses.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import yaml

from probe.model.errors import InputError, Problem
from probe.model.text_bytes import LIMIT_BYTES, decode, refuse_tabs, shown, too_large
from probe.model.yaml_words import explain

__all__ = [
    "LIMIT_BYTES",
    "LIMIT_DEPTH",
    "LIMIT_VALUES",
    "Document",
    "Path",
    "Plain",
    "Spot",
    "decode",
    "dotted",
    "parse",
    "shown",
    "too_large",
]

LIMIT_DEPTH = 20
LIMIT_VALUES = 500_000

#: Keys and list indices from the top of the document to a value.
Path = tuple[str | int, ...]

# A scalar stays str; mapping and sequence become dict and list. Any: pydantic checks them next.
Plain = Any

_LOADER: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
_NULLS = frozenset({"~", "null", "Null", "NULL"})


class Spot(NamedTuple):
    """Where a value stands, and its key (same as the value for list entries); counted from 1."""

    line: int
    column: int
    key_line: int
    key_column: int
    parts: dict[str | int, Spot]


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One file read: its values as plain dict, list and str, and where each stood.

    text: exactly what was read (``text.encode()`` gives the bytes back). sha256: of those bytes.
    """

    name: str
    text: str
    sha256: str
    values: dict[str, Plain]
    spots: Spot

    def value(self, path: Path) -> Plain:
        """The value at the path. Raises KeyError or IndexError if there is none."""
        value: Plain = self.values
        for step in path:
            value = value[step]
        return value

    def spot(self, path: Path) -> Spot:
        """Where the path stands; of the nearest enclosing value if the path itself is not there."""
        spot = self.spots
        for step in path:
            if step not in spot.parts:
                break
            spot = spot.parts[step]
        return spot

    def place(self, path: Path) -> str:
        """``file:line:column`` of a value."""
        spot = self.spot(path)
        return f"{self.name}:{spot.line}:{spot.column}"

    def problem(  # noqa: PLR0913 - the facts of a Problem
        self,
        path: Path,
        what: str,
        *,
        found: str = "",
        allowed: str = "",
        remedy: str = "",
        severity: str = "error",
        at_key: bool = False,
    ) -> Problem:
        """A Problem that points at the value (or its key)."""
        spot = self.spot(path)
        line, column = (spot.key_line, spot.key_column) if at_key else (spot.line, spot.column)
        return Problem(
            file=self.name,
            what=what,
            line=line,
            column=column,
            field=dotted(path),
            found=found,
            allowed=allowed,
            remedy=remedy,
            severity=severity,
        )


def dotted(path: Path) -> str:
    """The path as people write it: ``devices[3].address.unit``."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{shown(step)}" if text else shown(step)
    return text


def parse(name: str, data: bytes | str, *, limit_bytes: int = LIMIT_BYTES) -> Document:
    """The document in the bytes.

    name: as the user or the including map names the file; stands in every Problem.
    Raises InputError with every problem found (a syntax error ends the search).
    """
    raw = data.encode("utf-8", errors="surrogatepass") if isinstance(data, str) else data
    text = decode(name, raw, limit_bytes=limit_bytes)
    body = text.removeprefix("\ufeff")
    refuse_tabs(name, body)
    values, spots = _Builder(name).build(body)
    return Document(name=name, text=text, sha256=hashlib.sha256(raw).hexdigest(), values=values, spots=spots)


class _Frame:
    """A mapping or list that is still open."""

    __slots__ = ("drop", "key", "key_at", "spot", "value")

    def __init__(self, value: Plain, spot: Spot) -> None:
        self.value = value
        self.spot = spot
        self.key: str | None = None
        self.key_at = (0, 0)
        self.drop = False  # the value to come belongs to a refused key


class _Builder:
    """Turns parser events into values and spots; notes what is refused."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._problems: list[Problem] = []
        self._stack: list[_Frame] = []
        self._root: tuple[Plain, Spot] | None = None
        self._documents = 0
        self._count = 0
        self._handlers: dict[type, Callable[[Any], None]] = {
            yaml.ScalarEvent: self._scalar,
            yaml.MappingStartEvent: lambda event: self._open(event, {}),
            yaml.SequenceStartEvent: lambda event: self._open(event, []),
            yaml.MappingEndEvent: self._close,
            yaml.SequenceEndEvent: self._close,
            yaml.AliasEvent: self._alias,
            yaml.DocumentStartEvent: self._document,
        }

    def build(self, text: str) -> tuple[dict[str, Plain], Spot]:
        """The values of the text's one document. Raises InputError."""
        for event in self._events(text):
            handler = self._handlers.get(type(event))
            if handler is not None:
                handler(event)
        if self._problems:
            raise InputError(self._problems)
        if self._root is None or self._root[0] == "":
            raise InputError(
                [
                    Problem(
                        file=self._name,
                        what="the file is empty",
                        line=1,
                        column=1,
                        remedy="is this the right file?",
                    )
                ]
            )
        value, spot = self._root
        if not isinstance(value, dict):
            allowed = "fields, as `format: ...`, one a line"
            self._stop(
                spot.line, spot.column, "the file holds no fields", found=shown(value), allowed=allowed
            )
        return value, spot

    def _events(self, text: str) -> Iterator[Any]:
        try:
            yield from yaml.parse(text, Loader=_LOADER)
        except yaml.MarkedYAMLError as error:
            self._problems.append(explain(self._name, text, error))
            raise InputError(self._problems) from None
        except yaml.YAMLError as error:
            self._problems.append(Problem(file=self._name, what=f"the file cannot be read as YAML: {error}"))
            raise InputError(self._problems) from None

    def _note(self, line: int, column: int, what: str, **facts: str) -> None:
        facts.setdefault("field", dotted(tuple(self._path())))
        self._problems.append(Problem(file=self._name, what=what, line=line, column=column, **facts))

    def _path(self) -> Iterator[str | int]:
        for frame in self._stack:
            if isinstance(frame.value, list):
                yield len(frame.value)
            elif frame.key is not None:
                yield frame.key

    def _stop(self, line: int, column: int, what: str, **facts: str) -> Any:
        self._note(line, column, what, **facts)
        raise InputError(self._problems)

    def _document(self, event: Any) -> None:
        self._documents += 1
        if self._documents > 1:
            line, column = _at(event)
            remedy = "one file holds one document: move the rest to a file of its own"
            self._stop(line, column, "a second document begins here (---)", remedy=remedy)

    def _alias(self, event: Any) -> None:
        line, column = _at(event)
        remedy = "write the value out; a text that begins with * needs quotes"
        self._note(line, column, "aliases (*name) are not used here", found=f"*{event.anchor}", remedy=remedy)
        self._put("", Spot(line, column, line, column, {}))

    def _check_decoration(self, event: Any) -> None:
        line, column = _at(event)
        if event.anchor is not None:
            remedy = "remove it; a text that begins with & needs quotes"
            found = f"&{event.anchor}"
            self._note(line, column, "anchors (&name) are not used here", found=found, remedy=remedy)
        if event.tag is not None:
            remedy = "remove it; a text that begins with ! needs quotes"
            self._note(line, column, "tags (!name) are not used here", found=shown(event.tag), remedy=remedy)

    def _scalar(self, event: Any) -> None:
        if event.anchor is not None or event.tag is not None:
            self._check_decoration(event)
        line, column = _at(event)
        if self._wants_key():
            self._key(event, line, column)
            return
        if not event.style and event.value in _NULLS:
            remedy = "leave the whole line out, or write the text in quotes if it is meant"
            self._note(line, column, "an empty value (null)", found=event.value, remedy=remedy)
        self._put(event.value, Spot(line, column, line, column, {}))

    def _wants_key(self) -> bool:
        if not self._stack:
            return False
        frame = self._stack[-1]
        return isinstance(frame.value, dict) and frame.key is None

    def _key(self, event: Any, line: int, column: int) -> None:
        frame = self._stack[-1]
        key: str = event.value
        frame.key, frame.key_at, frame.drop = key, (line, column), False
        if key == "<<" and not event.style:
            frame.drop = True
            remedy = "write the fields out"
            self._note(line, column, "merge keys (<<) are not used here", found="<<", remedy=remedy)
        elif key in frame.value:
            frame.drop = True
            first = frame.spot.parts[key]
            what = f"{shown(key)} is given twice; first at line {first.key_line}, column {first.key_column}"
            self._note(line, column, what, found=shown(key), remedy="keep one of the two")

    def _open(self, event: Any, value: Plain) -> None:
        self._check_decoration(event)
        line, column = _at(event)
        if self._wants_key():
            what = "a list or group of fields cannot be a field's name"
            self._stop(line, column, what, remedy="a text that begins with [ or { needs quotes")
        if len(self._stack) >= LIMIT_DEPTH:
            allowed = f"at most {LIMIT_DEPTH} levels"
            self._stop(line, column, "the values are nested too deep", allowed=allowed)
        self._stack.append(_Frame(value, Spot(line, column, line, column, {})))

    def _close(self, event: Any) -> None:
        frame = self._stack.pop()
        self._put(frame.value, frame.spot)

    def _put(self, value: Plain, spot: Spot) -> None:
        self._count += 1
        if self._count > LIMIT_VALUES:
            allowed = f"at most {LIMIT_VALUES:,}"
            self._stop(spot.line, spot.column, "the file holds too many values", allowed=allowed)
        if not self._stack:
            self._root = (value, spot)
            return
        frame = self._stack[-1]
        if isinstance(frame.value, list):
            frame.spot.parts[len(frame.value)] = spot
            frame.value.append(value)
            return
        key, frame.key = frame.key, None
        if key is None:  # an alias where a key should stand; it was noted
            frame.key = ""
        elif not frame.drop:
            line, column = frame.key_at
            frame.value[key] = value
            frame.spot.parts[key] = Spot(spot.line, spot.column, line, column, spot.parts)


def _at(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1
