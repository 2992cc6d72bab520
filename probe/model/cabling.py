"""Cabling: what joins and feeds the devices of a map, and the things without an address that belong to it.

Optional as a whole and in each of its lists. The desk calculates from it (``desk.from_map``), the field
checklist gets its lines from it (``model.checklist_draft``).
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import cached_property
from typing import Annotated

from pydantic import Field, model_validator

from probe.model.cable_data import Channel, FibreLink, SerialBus
from probe.model.cable_power import Bank, Feeder
from probe.model.cable_words import Cable, DataClass, Divider
from probe.model.map_words import Line, Strict, Tag
from probe.model.shape import refuse


class EquipmentKind(StrEnum):
    """What sort of thing a piece of equipment without an address of its own is."""

    ENCLOSURE = "enclosure"  # a control enclosure apart from the lineup
    CONVERTER = "media-converter"
    SWITCH = "switch"  # one that nobody asks anything
    DC_SUPPLY = "dc-supply"  # a converter from control power to 24 V DC
    UPS = "ups"
    PANEL = "patch-panel"
    OTHER = "other"


class Equipment(Strict):
    """A thing that cables end at and that has no address: an enclosure, a media converter, a DC supply."""

    name: Annotated[Tag, Field(description="Name on the drawings; unique in the map, also among tags.")]
    kind: Annotated[EquipmentKind, Field(description="What sort of thing it is.")]
    description: Annotated[Line | None, Field(description="What it is for.")] = None
    section: Annotated[Line | None, Field(description="Section of the lineup in which it sits.")] = None
    cubicle: Annotated[Line | None, Field(description="Cubicle or compartment within the section.")] = None
    inside: Annotated[
        Tag | None, Field(description="Name of the enclosure in which it sits, if not in the lineup.")
    ] = None


class BesidePower(Strict):
    """Power that runs beside the data cables of a conduit."""

    distance_mm: Annotated[float, Field(ge=0, le=100_000, description="Distance between the two, mm.")]
    data_class: Annotated[DataClass, Field(description="Class of the data cable (EN 50174-2).")] = "b"
    divider: Annotated[Divider, Field(description="What stands between them.")] = "none"
    circuits: Annotated[
        int, Field(ge=0, le=1000, description="Power circuits of 20 A; a three-phase one counts as three.")
    ] = 0
    feeder_a: Annotated[
        Annotated[float, Field(gt=0, le=10_000)] | None,
        Field(description="A three-phase power feeder beside, amperes."),
    ] = None

    @model_validator(mode="after")
    def _some_power(self) -> BesidePower:
        if not self.circuits and self.feeder_a is None:
            raise refuse(
                "beside how much power?", allowed="circuits from 1 on, or feeder_a", at=("circuits",)
            )
        return self


class Conduit(Strict):
    """A conduit or duct and what runs in it."""

    name: Annotated[Tag, Field(description="Name of the conduit on the drawings; unique in the map.")]
    holds: Annotated[
        tuple[Tag, ...],
        Field(
            description="Names of cables of this map, or the words control, fibre, twisted-pair, power.",
            examples=[["FO-1", "twisted-pair"]],
        ),
    ]
    beside_power: Annotated[
        BesidePower | None, Field(description="Power that runs beside it, if any does.")
    ] = None

    @model_validator(mode="after")
    def _holds_something(self) -> Conduit:
        if not self.holds:
            raise refuse("a conduit that holds nothing", allowed="at least one cable", at=("holds",))
        return self


Named = Equipment | FibreLink | Channel | SerialBus | Feeder | Bank | Conduit

#: The lists of ``Cabling`` in the order in which they are told.
LISTS = ("equipment", "fibres", "channels", "buses", "feeders", "banks", "conduits")


class Cabling(Strict):
    """Cables, control power and things without an address."""

    equipment: Annotated[
        tuple[Equipment, ...], Field(description="Things without an address that cables end at.")
    ] = ()
    fibres: Annotated[tuple[FibreLink, ...], Field(description="Fibre links.")] = ()
    channels: Annotated[tuple[Channel, ...], Field(description="Copper data channels.")] = ()
    buses: Annotated[tuple[SerialBus, ...], Field(description="Serial lines.")] = ()
    feeders: Annotated[tuple[Feeder, ...], Field(description="DC feeders of control power.")] = ()
    banks: Annotated[tuple[Bank, ...], Field(description="Batteries of UPSs and DC supplies.")] = ()
    conduits: Annotated[tuple[Conduit, ...], Field(description="Conduits and what runs in them.")] = ()

    def entries(self) -> Iterator[tuple[str, int, Named]]:
        """Every entry with its list and its place there, in the order of ``LISTS``."""
        for name in LISTS:
            for number, entry in enumerate(getattr(self, name)):
                yield name, number, entry

    @cached_property
    def by_name(self) -> dict[str, Named]:
        """Entries by name (names are unique: ``map_lint`` makes sure)."""
        return {entry.name: entry for _, _, entry in self.entries()}

    def kind_in_conduit(self, name: str) -> Cable:
        """What sort of cable a word or a cable's name in a conduit is. Raises KeyError for an unknown one."""
        if name in tuple(Cable):
            return Cable(name)
        sorts: tuple[tuple[Cable, tuple[Named, ...]], ...] = (
            (Cable.FIBRE, self.fibres),
            (Cable.PAIR, (*self.channels, *self.buses)),
            (Cable.CONTROL, self.feeders),
        )
        for kind, cables in sorts:
            if any(cable.name == name for cable in cables):
                return kind
        raise KeyError(name)


NO_CABLING = Cabling()
