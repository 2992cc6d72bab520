"""A map as read: its entries checked one by one, each with its place, includes joined; not yet linted.

An entry that does not fit is a problem and left out, the others stay, so that one pass over the files
finds everything that can be found. A file that is included may hold ``format``, ``include``,
``networks`` and ``devices``; its name is relative to the file that names it.
"""

from __future__ import annotations

import posixpath
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Generic, Literal, TypeVar

from pydantic import BaseModel

from probe.model.device_map import Device, DeviceMap, Line, Network, Strict
from probe.model.document import Document, Path, parse, shown
from probe.model.errors import InputError, Problem
from probe.model.shape import fit

#: Gives the bytes of a named file; raises OSError or KeyError if there is none.
Read = Callable[[str], bytes]

LIMIT_FILES = 200
LISTS = ("devices", "networks")

#: Words that people write, to the field that is meant (``shape.fit``).
HINTS = {
    "name": "tag",
    "device": "tag",
    "type": "kind",
    "model": "profile",
    "ip": "address.host",
    "ip_address": "address.host",
    "gateway": "address.via",
    "unit_id": "address.unit",
    "slave": "address.unit",
    "mac": "hardware_address",
    "mac_address": "hardware_address",
    "source": "fed_from",
    "compartment": "cubicle",
    "ct_ratio": "ratings",
    "timezone": "zone",
    "time_zone": "zone",
    "includes": "include",
}

Item = TypeVar("Item", bound=BaseModel)


class IncludedMap(Strict):
    """What a file that a map includes may hold."""

    format: Literal["buswitness-map/1"]
    include: tuple[Line, ...] = ()
    networks: tuple[Network, ...] = ()
    devices: tuple[Device, ...] = ()


@dataclass(frozen=True, slots=True)
class Placed(Generic[Item]):
    """One entry of a list and where it stands."""

    item: Item
    document: Document
    path: Path

    def problem(self, sub: Path, what: str, **facts: str) -> Problem:
        """A Problem at a field of the entry (at the entry itself if the field was left out)."""
        return self.document.problem((*self.path, *sub), what, **facts)  # type: ignore[arg-type]

    def place(self, sub: Path) -> str:
        """``file:line:column`` of a field of the entry."""
        return self.document.place((*self.path, *sub))


@dataclass(frozen=True, slots=True)
class Written:
    """The texts of one device entry that others refer to, as written, also where the entry does not fit."""

    values: dict[str, str]
    document: Document
    path: Path

    @property
    def tag(self) -> str:
        """The tag, or what stands for it in a sentence where there is none."""
        return shown(self.values.get("tag", "a device"))

    def problem(self, name: str, what: str, **facts: str) -> Problem:
        """A Problem at a field of the entry."""
        return self.document.problem((*self.path, name), what, **facts)  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class Draft:
    """All that was read. head: the map without its lists, None if that part does not fit.

    documents: the map first, then its includes in reading order. devices, networks: the entries that fit.
    written: every device entry, so that one that does not fit hides nothing else that is wrong with it.
    """

    head: DeviceMap | None
    documents: tuple[Document, ...]
    devices: tuple[Placed[Device], ...]
    networks: tuple[Placed[Network], ...]
    written: tuple[Written, ...]

    @cached_property
    def tags(self) -> frozenset[str]:
        """Every tag written anywhere."""
        return frozenset(entry.values["tag"] for entry in self.written if "tag" in entry.values)

    @property
    def main(self) -> Document:
        """The map's own file."""
        return self.documents[0]

    @cached_property
    def by_tag(self) -> dict[str, Placed[Device]]:
        """Entries by tag; of several with one tag the first."""
        found: dict[str, Placed[Device]] = {}
        for placed in self.devices:
            found.setdefault(placed.item.tag, placed)
        return found

    def whole(self) -> DeviceMap:
        """The map with all lists joined. The head must fit."""
        assert self.head is not None
        lists = {
            "devices": tuple(placed.item for placed in self.devices),
            "networks": tuple(placed.item for placed in self.networks),
        }
        return self.head.model_copy(update=lists)


@dataclass(kw_only=True)
class _Reading:
    read: Read
    problems: list[Problem] = field(default_factory=list)
    documents: list[Document] = field(default_factory=list)
    devices: list[Placed[Device]] = field(default_factory=list)
    networks: list[Placed[Network]] = field(default_factory=list)
    written: list[Written] = field(default_factory=list)
    seen: dict[str, str] = field(default_factory=dict)  # file to the place that included it


def read_draft(name: str, read: Read) -> tuple[Draft, tuple[Problem, ...]]:
    """What the map and its includes hold, and every problem of single entries.

    Raises InputError if the map itself cannot be read as a document.
    """
    reading = _Reading(read=read)
    document = _document(reading, name, Problem(file=name, what="the map cannot be read"))
    if document is None:
        raise InputError(reading.problems)
    head, problems = fit(document, DeviceMap, without=LISTS, hints=HINTS)
    reading.problems += problems
    reading.seen[name] = name
    _take(reading, document, (name,))
    draft = Draft(
        head=head,
        documents=tuple(reading.documents),
        devices=tuple(reading.devices),
        networks=tuple(reading.networks),
        written=tuple(reading.written),
    )
    return draft, tuple(reading.problems)


def _document(reading: _Reading, name: str, missing: Problem) -> Document | None:
    """The parsed file, or None after noting why not. missing: the problem if it cannot be opened."""
    try:
        data = reading.read(name)
    except (OSError, KeyError) as error:
        found = f"{shown(name)}: {_why(error)}"
        facts = {key: getattr(missing, key) for key in ("file", "what", "line", "column", "field")}
        reading.problems.append(
            Problem(**facts, found=found, remedy="correct the name, or put the file there")
        )
        return None
    except InputError as error:
        reading.problems += error.problems
        return None
    try:
        document = parse(name, data)
    except InputError as error:
        reading.problems += error.problems
        return None
    reading.documents.append(document)
    return document


def _why(error: OSError | KeyError) -> str:
    """The reason in a few words."""
    words = {
        FileNotFoundError: "no such file",
        KeyError: "no such file",
        IsADirectoryError: "that is a directory",
        PermissionError: "no permission to read it",
    }
    for kind, text in words.items():
        if isinstance(error, kind):
            return text
    return str(getattr(error, "strerror", "") or error)


def _take(reading: _Reading, document: Document, chain: tuple[str, ...]) -> None:
    """Collect the lists of one file, then of the files that it includes."""
    reading.devices += _entries(reading, document, "devices", Device)
    reading.networks += _entries(reading, document, "networks", Network)
    include = document.values.get("include", [])
    if not isinstance(include, list):
        return  # noted when the head was fitted
    for i, name in enumerate(include):
        if isinstance(name, str) and name:
            _include(reading, document, ("include", i), name, chain)


def _entries(reading: _Reading, document: Document, key: str, model: type[Item]) -> list[Placed[Item]]:
    values = document.values.get(key, [])
    if not isinstance(values, list):
        _, problems = fit(document, IncludedMap, without=set(document.values) - {key, "format"}, hints=HINTS)
        reading.problems += problems
        return []
    placed = []
    for i, value in enumerate(values):
        if key == "devices" and isinstance(value, dict):
            texts = {name: text for name, text in value.items() if isinstance(text, str) and text}
            reading.written.append(Written(texts, document, (key, i)))
        item, problems = fit(document, model, path=(key, i), hints=HINTS)
        reading.problems += problems
        if item is not None:
            placed.append(Placed(item, document, (key, i)))
    return placed


def _include(reading: _Reading, parent: Document, path: Path, name: str, chain: tuple[str, ...]) -> None:
    """Read one included file, unless that would go in a circle."""
    if _is_foreign(name):
        allowed = "a name relative to this file, with / between folders"
        reading.problems.append(
            parent.problem(path, "an include must travel with the map", found=shown(name), allowed=allowed)
        )
        return
    full = posixpath.normpath(posixpath.join(posixpath.dirname(parent.name.replace("\\", "/")), name))
    refusal = _refusal(reading, full, chain)
    if refusal:
        remedy = "each file is included once, and never from below itself: remove this line"
        reading.problems.append(parent.problem(path, refusal, found=shown(name), remedy=remedy))
        return
    reading.seen[full] = parent.place(path)
    document = _document(reading, full, parent.problem(path, "the included file cannot be read"))
    if document is None:
        return
    _, problems = fit(document, IncludedMap, without=LISTS, hints=HINTS)
    reading.problems += problems
    _take(reading, document, (*chain, full))


def _is_foreign(name: str) -> bool:
    return name.startswith("/") or "\\" in name or ":" in name or not name.isprintable()


def _refusal(reading: _Reading, full: str, chain: tuple[str, ...]) -> str:
    """Why the file must not be included here, "" if it may."""
    own = {posixpath.normpath(name.replace("\\", "/")): name for name in chain}
    if full in own:
        start = list(own).index(full)
        return f"the includes go in a circle: {' -> '.join([*list(own)[start:], full])}"
    if full in reading.seen:
        return f"the file is included twice; first at {reading.seen[full]}"
    if len(reading.seen) >= LIMIT_FILES:
        return f"more than {LIMIT_FILES} files are included"
    return ""
