"""A profile and those that it extends, laid over each other, each field remembering its file.

The nearest layer that says something wins, field by field: a file that extends another may change one
word of one point. Lists (``proof``, ``states``, ``alarms``, ``holes``) grow; an entry with the same point,
state or name replaces the one below.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from probe.model.document import Document, Path
from probe.model.errors import Problem
from probe.model.profile_document import ProfileDocument


@dataclass(frozen=True, slots=True)
class Layer:
    """One file: what was written and where."""

    document: Document
    written: ProfileDocument


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a list (a state, an alarm, ...) and where it stands."""

    layer: Layer
    path: Path
    item: Any  # StateDocument, AlarmDocument, ProofDocument or HoleDocument: the list's name tells

    def problem(self, field: str, what: str, **facts: Any) -> Problem:
        """A Problem at the field of the entry (at the entry itself for "")."""
        return self.layer.document.problem((*self.path, field) if field else self.path, what, **facts)


class PointFields:
    """The fields of one point from all layers; ``get`` gives the value that counts."""

    def __init__(self, name: str, layers: Iterable[Layer]) -> None:
        """layers: those that mention the point, nearest first."""
        self.name = name
        self._sources: dict[str, tuple[Any, Layer]] = {}
        self.nearest: Layer | None = None
        for layer in layers:
            self.nearest = self.nearest or layer
            point = layer.written.points[name]
            for field in point.model_fields_set:
                self._sources.setdefault(field, (getattr(point, field), layer))

    def get(self, field: str, default: Any = None) -> Any:
        """The field's value, the default where no layer gives it."""
        return self._sources[field][0] if field in self._sources else default

    def has(self, field: str) -> bool:
        """True if some layer gives the field."""
        return field in self._sources

    def layer(self, field: str) -> Layer:
        """The layer that gives the field; the nearest one that mentions the point if none does."""
        if field in self._sources:
            return self._sources[field][1]
        assert self.nearest is not None
        return self.nearest

    def problem(self, field: str, what: str, **facts: Any) -> Problem:
        """A Problem at the field, or at the point's name where the field is not given."""
        path: Path = ("points", self.name)
        if field in self._sources:
            return self.layer(field).document.problem((*path, field), what, **facts)
        return self.layer(field).document.problem(path, what, at_key=True, **facts)


_KEYS: Mapping[str, Callable[[Any], Any]] = {
    "proof": lambda item: item.point,
    "states": lambda item: (item.state, item.bus),
    "alarms": lambda item: item.name,
    "events": lambda item: item.number,
    "holes": lambda item: (item.area, item.first, item.last),
}


class Stack:
    """All layers of one profile, nearest first."""

    def __init__(self, layers: tuple[Layer, ...]) -> None:
        self.layers = layers

    @property
    def top(self) -> Layer:
        """The file that was asked for."""
        return self.layers[0]

    def get(self, field: str, default: Any = None) -> Any:
        """A single field of the profile, from the nearest layer that gives it."""
        layer = self.layer(field)
        return default if layer is None else getattr(layer.written, field)

    def layer(self, field: str) -> Layer | None:
        """The nearest layer that gives the field, None if none does."""
        return next((layer for layer in self.layers if field in layer.written.model_fields_set), None)

    def problem(self, field: str, what: str, *within: str, **facts: Any) -> Problem:
        """A Problem at a field of the profile; ``within``: names of fields below it."""
        layer = self.layer(field) or self.top
        return layer.document.problem((field, *within) if field else (), what, **facts)

    def group(self, field: str) -> dict[str, Any]:
        """The fields of a group (limits, quirks), each from the nearest layer that gives it."""
        found: dict[str, Any] = {}
        for layer in self.layers:
            group: BaseModel = getattr(layer.written, field)
            for name in group.model_fields_set:
                found.setdefault(name, getattr(group, name))
        return found

    def mapping(self, field: str, part: str) -> dict[str, tuple[Any, Layer]]:
        """A mapping within a group (``identity.points``), entry by entry, with the layer of each."""
        found: dict[str, tuple[Any, Layer]] = {}
        for layer in self.layers:
            for name, value in getattr(getattr(layer.written, field), part).items():
                found.setdefault(name, (value, layer))
        return found

    def entries(self, field: str) -> tuple[Entry, ...]:
        """The entries of a list, the lowest layer's first; a nearer one with the same key replaces."""
        found: dict[Any, Entry] = {}
        for layer in reversed(self.layers):
            for index, item in enumerate(getattr(layer.written, field)):
                found[_KEYS[field](item)] = Entry(layer, (field, index), item)
        return tuple(found.values())

    def points(self) -> dict[str, PointFields]:
        """All points by name; those that a nearer layer removes are left out."""
        gone: set[str] = set()
        order: list[str] = []
        for layer in self.layers:
            order += [name for name in layer.written.points if name not in gone]
            gone |= set(layer.written.remove)
        names = dict.fromkeys(order)
        return {name: PointFields(name, self._mentioning(name)) for name in names}

    def _mentioning(self, name: str) -> list[Layer]:
        """Layers that say something of the point, nearest first, down to the one that removes it."""
        found = []
        for layer in self.layers:
            if name in layer.written.points:
                found.append(layer)
            if name in layer.written.remove:
                break
        return found

    def removals(self) -> Iterable[tuple[Layer, int, str]]:
        """Every entry of ``remove`` with its layer and place."""
        for layer in self.layers:
            for index, name in enumerate(layer.written.remove):
                yield layer, index, name

    def below(self, layer: Layer) -> tuple[Layer, ...]:
        """The layers that the given one extends."""
        return self.layers[self.layers.index(layer) + 1 :]
