"""Field checklist: what people look at and measure at the gear, line by line, as data.

    format: buswitness-checklist/1
    name: field
    site: Tarn Hollow Water Works
    lineup: MSB-1
    cautions:
      live: Live terminals. Only qualified persons, under the site's procedure.
    lines:
      - id: lamp-connected@52-F1
        about: 52-F1
        place: 2 Feeders 1-3, cubicle 2A
        ask: Are both bus lamps of the communication module green in the connected position?
        source: common practice, no source
      - id: volts@DC-1/SW-1
        about: DC-1
        ask: Voltage at the terminals of SW-1, with all loads on
        measure: {quantity: voltage, at: SW-1}
        cautions: [live]

Made from the map (``checklist_draft``); a site may add, change and take out lines. What a person answered is
evidence (``OperatorAnswer``), what it means is the judge's (``judge.checklist``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from probe.model.cabling import Cabling, Equipment
from probe.model.device_map import Device, DeviceMap
from probe.model.document import Document, Path, parse, shown
from probe.model.editor_schema import editor_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup, SourceText
from probe.model.map_words import Line, Strict
from probe.model.nearest import did_you_mean, listed
from probe.model.procedure import Text
from probe.model.shape import must_fit

CHECKLIST_FORMAT = "buswitness-checklist/1"
COMMON_PRACTICE = "common practice, no source"
#: About the whole, not one of its parts.
LINEUP = "lineup"

_IS_CHECKLIST = re.compile(rf"""^format:\s*["']?{re.escape(CHECKLIST_FORMAT)}["']?\s*$""", re.MULTILINE)

LineId = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._/+@-]{0,99}$"),
    Field(json_schema_extra={"x-allowed": "1 to 100 letters, digits and . _ / + @ - (no spaces)"}),
]
CautionId = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z0-9_-]{0,39}$"),
    Field(json_schema_extra={"x-allowed": "1 to 40 small letters, digits, - and _, beginning with a letter"}),
]


class Quantity(StrEnum):
    """What is measured, and held against a desk calculation."""

    VOLTAGE = "voltage"
    LOSS = "loss"
    LIGHT = "light"
    LENGTH = "length"
    INSULATION = "insulation"
    AUTONOMY = "autonomy"


#: Quantity to the units in which it may be typed, with their factor to the first.
UNITS: dict[Quantity, dict[str, float]] = {
    Quantity.VOLTAGE: {"V": 1.0},
    Quantity.LOSS: {"dB": 1.0},
    Quantity.LIGHT: {"dBm": 1.0},
    Quantity.LENGTH: {"m": 1.0, "ft": 0.3048},
    Quantity.INSULATION: {"MOhm": 1.0, "kOhm": 0.001, "GOhm": 1000.0},
    Quantity.AUTONOMY: {"min": 1.0, "h": 60.0, "s": 1 / 60},
}
#: Quantity to the lists of the map's cabling whose entries it can be measured of.
OF_WHAT: dict[Quantity, tuple[str, ...]] = {
    Quantity.VOLTAGE: ("feeders",),
    Quantity.LOSS: ("fibres",),
    Quantity.LIGHT: ("fibres",),
    Quantity.LENGTH: ("fibres", "channels", "buses", "feeders"),
    Quantity.INSULATION: ("feeders",),
    Quantity.AUTONOMY: ("banks",),
}


class Measure(Strict):
    """What is to be measured of the cable or battery that the line is about."""

    quantity: Annotated[Quantity, Field(description="What is measured.")]
    at: Annotated[
        Line | None,
        Field(description="Where: a load of the feeder (voltage, length), an end of the fibre (light)."),
    ] = None

    @property
    def units(self) -> dict[str, float]:
        """Units in which it may be typed, with their factor to the first."""
        return UNITS[self.quantity]


class ChecklistLine(Strict):
    """One line: a question that is answered with yes when all is well, or a value."""

    id: Annotated[LineId, Field(description="Name of the line, unique in the list.")]
    about: Annotated[
        Line,
        Field(description="Tag, or name of a cable or equipment of the map; `lineup`; or `cubicle NAME`."),
    ]
    place: Annotated[Line | None, Field(description="Where to go.")] = None
    ask: Annotated[Text, Field(description="What to look at: yes means as it should be. Or what to measure.")]
    source: Annotated[Line, Field(description="Where the rule comes from.")] = COMMON_PRACTICE
    cautions: Annotated[
        tuple[CautionId, ...], Field(description="What must be read and acknowledged before.")
    ] = ()
    measure: Annotated[Measure | None, Field(description="A value is measured, not a question answered.")] = (
        None
    )
    photograph: Annotated[bool, Field(description="Whether a photograph is wanted.")] = False


class Checklist(Strict):
    """A field checklist."""

    format: Annotated[
        Literal["buswitness-checklist/1"], Field(description="Name and version of this format.")
    ]
    name: Annotated[Line, Field(description="Name of the list.")]
    site: Annotated[Line, Field(description="Name of the site.")]
    lineup: Annotated[Line, Field(description="Name of the lineup.")]
    cautions: Annotated[
        dict[CautionId, Text],
        Field(description="Cautions by name; `before` is acknowledged before the list."),
    ] = Field(default={})
    lines: Annotated[tuple[ChecklistLine, ...], Field(description="The lines, in order.")]

    def cautions_of(self, line: ChecklistLine) -> tuple[tuple[str, str], ...]:
        """Name and text of what must be acknowledged before the line."""
        return tuple((name, self.cautions[name]) for name in line.cautions)


#: The caution that is acknowledged once, before the list.
BEFORE = "before"


def load_checklist(name: str, data: bytes | str) -> tuple[Checklist, Document]:
    """The checklist in the text, and where its values stand. Raises InputError with every problem."""
    document = parse(name, data)
    checklist = must_fit(document, Checklist)
    problems = list(_own_problems(document, checklist))
    if problems:
        raise InputError(problems)
    return checklist, document


def fitting_checklist(name: str, data: bytes | str, drawn: DeviceMap) -> Checklist:
    """The checklist, if it speaks of this map. Raises InputError with every problem."""
    checklist, document = load_checklist(name, data)
    problems = list(_map_problems(document, checklist, drawn))
    if problems:
        raise InputError(problems)
    return checklist


@lru_cache(maxsize=64)
def checklist_of_text(text: SourceText) -> Checklist | None:
    """The checklist that a text of a record holds; None if it is another kind of sheet."""
    if not _IS_CHECKLIST.search(text.text):
        return None
    return load_checklist(text.name, text.text)[0]


def checklists_of(lineup: Lineup) -> tuple[tuple[str, Checklist], ...]:
    """The checklists among a run's sheets, each with the name of its sheet."""
    made = ((text.name, checklist_of_text(text)) for text in lineup.sheet_texts)
    return tuple((name, checklist) for name, checklist in made if checklist is not None)


def checklist_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a checklist, for editors."""
    return editor_schema(Checklist, title=f"Field checklist ({CHECKLIST_FORMAT})")


def _own_problems(document: Document, checklist: Checklist) -> Iterator[Problem]:
    first: dict[str, int] = {}
    if not checklist.lines:
        yield document.problem(("lines",), "the checklist has no line", remedy="add a first line")
    for number, line in enumerate(checklist.lines):
        before = first.setdefault(line.id, number)
        if before != number:
            yield document.problem(
                ("lines", number, "id"),
                f"two lines are called {line.id}",
                found=f"{line.id}, also at {document.place(('lines', before, 'id'))}",
                allowed="each name once",
            )
        for place, name in enumerate(line.cautions):
            if name not in checklist.cautions:
                yield document.problem(
                    ("lines", number, "cautions", place),
                    f"there is no caution {shown(name)}",
                    found=shown(name),
                    allowed=listed(checklist.cautions) or "a name under cautions",
                    remedy=did_you_mean(name, checklist.cautions),
                )


def _map_problems(document: Document, checklist: Checklist, drawn: DeviceMap) -> Iterator[Problem]:
    if checklist.lineup != drawn.lineup or checklist.site != drawn.site:
        yield document.problem(
            ("lineup",),
            "the checklist is of another lineup than the map",
            found=f"{checklist.lineup}, {checklist.site}",
            allowed=f"{drawn.lineup}, {drawn.site}",
            remedy="make it anew from this map (checklist make), or give its own map",
        )
    known = set(subjects(drawn))
    for number, line in enumerate(checklist.lines):
        path: Path = ("lines", number)
        if line.about not in known:
            yield document.problem(
                (*path, "about"),
                f"{shown(line.about)} is not in the map",
                found=shown(line.about),
                allowed="a tag, a name of its cabling, `lineup`, or `cubicle NAME`",
                remedy=did_you_mean(line.about, known),
            )
        elif line.measure is not None:
            yield from _measure_problems(document, path, line, line.measure, drawn.cabling)


def _measure_problems(
    document: Document, path: Path, line: ChecklistLine, measure: Measure, cabling: Cabling
) -> Iterator[Problem]:
    lists = OF_WHAT[measure.quantity]
    able = [entry.name for name, _, entry in cabling.entries() if name in lists]
    if line.about not in able:
        yield document.problem(
            (*path, "about"),
            f"no {measure.quantity} is measured of {line.about}",
            found=line.about,
            allowed=listed(able) or f"one of the map's {listed(lists)}",
        )
        return
    places = places_of(measure.quantity, line.about, cabling)
    if (measure.at is None and places) or (measure.at is not None and measure.at not in places):
        yield document.problem(
            (*path, "measure", "at"),
            f"where is the {measure.quantity} of {line.about} measured?",
            found=shown(measure.at or ""),
            allowed=listed(places) or "nothing: leave `at` out",
            remedy=did_you_mean(measure.at or "", places),
        )


def places_of(quantity: Quantity, name: str, cabling: Cabling) -> tuple[str, ...]:
    """Where a quantity of a cable can be measured; empty where there is only one place."""
    for feeder in cabling.feeders:
        if feeder.name == name and quantity in (Quantity.VOLTAGE, Quantity.LENGTH):
            return tuple(load.name for load in feeder.loads)
    for link in cabling.fibres:
        if link.name == name and quantity is Quantity.LIGHT:
            return link.ends
    return ()


def subjects(drawn: DeviceMap) -> Iterable[str]:
    """Everything that a line can be about: tags, names of the cabling, cubicles, the lineup."""
    yield LINEUP
    yield from (device.tag for device in drawn.devices)
    yield from (entry.name for _, _, entry in drawn.cabling.entries())
    yield from cubicles(drawn)


def cubicles(drawn: DeviceMap) -> dict[str, str]:
    """Each cubicle as a subject, to its place in words, in the map's order."""
    found: dict[str, str] = {}
    placed: tuple[Device | Equipment, ...] = (*drawn.devices, *drawn.cabling.equipment)
    for one in placed:
        if one.cubicle is not None and one.section is not None:
            found.setdefault(f"cubicle {one.cubicle}", f"{one.section}, cubicle {one.cubicle}")
    return found
