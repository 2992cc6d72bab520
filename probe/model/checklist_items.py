"""Items of a field checklist: one question for each thing of a kind, as data; a site may have its own.

format: buswitness-checklist-items/1
name: field
cautions: {live: Live terminals. ...}
items:
  - {id: volts, each: feeder-load, ask: "Voltage at {load} on {name}.", measure: voltage, cautions: [live]}
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import Field

from probe.model.checklist import COMMON_PRACTICE, CautionId, Quantity
from probe.model.document import Document, parse, shown
from probe.model.editor_schema import editor_schema
from probe.model.errors import InputError, Problem
from probe.model.map_words import Line, Strict
from probe.model.nearest import did_you_mean, listed
from probe.model.procedure import Text
from probe.model.shape import must_fit

ITEMS_FORMAT = "buswitness-checklist-items/1"
_BRACES = re.compile(r"\{([^{}]*)\}")


class Each(StrEnum):
    """For what there is a line."""

    LINEUP = "lineup"
    CUBICLE = "cubicle"
    TRIP_UNIT = "trip-unit"
    METER = "meter"
    GATEWAY = "gateway"
    SWITCH = "switch"
    MASTER = "master"
    UPS = "ups"
    ENCLOSURE = "enclosure"
    CONVERTER = "media-converter"
    DC_SUPPLY = "dc-supply"
    PANEL = "patch-panel"
    FIBRE = "fibre"
    FIBRE_END = "fibre-end"
    CHANNEL = "channel"
    BUS = "bus"
    FEEDER = "feeder"
    FEEDER_LOAD = "feeder-load"
    BANK = "bank"
    CONDUIT = "conduit"


_PLACED = ("name", "place", "description")
#: What a question may hold in braces, for each.
WORDS: dict[Each, tuple[str, ...]] = {
    Each.LINEUP: ("name", "site"),
    Each.CUBICLE: ("name", "place", "holds"),
    Each.TRIP_UNIT: (*_PLACED, "address", "ratings"),
    Each.METER: (*_PLACED, "address", "ratings"),
    **dict.fromkeys((Each.GATEWAY, Each.SWITCH, Each.MASTER, Each.UPS), (*_PLACED, "address")),
    **dict.fromkeys((Each.ENCLOSURE, Each.CONVERTER, Each.DC_SUPPLY, Each.PANEL), _PLACED),
    Each.FIBRE: ("name", "ends", "fibre", "connector", "length", "wavelength"),
    Each.FIBRE_END: ("name", "ends", "end"),
    Each.CHANNEL: ("name", "ends", "length"),
    Each.BUS: ("name", "line", "length"),
    Each.FEEDER: ("name", "supply", "conductor"),
    Each.FEEDER_LOAD: ("name", "supply", "conductor", "load", "length"),
    Each.BANK: ("name", "supply", "rating", "wanted"),
    Each.CONDUIT: ("name", "held"),
}
#: What can be measured of each.
MEASURES: dict[Each, tuple[Quantity, ...]] = {
    Each.FIBRE: (Quantity.LENGTH, Quantity.LOSS),
    Each.FIBRE_END: (Quantity.LIGHT,),
    Each.CHANNEL: (Quantity.LENGTH,),
    Each.BUS: (Quantity.LENGTH,),
    Each.FEEDER: (Quantity.INSULATION,),
    Each.FEEDER_LOAD: (Quantity.VOLTAGE, Quantity.LENGTH),
    Each.BANK: (Quantity.AUTONOMY,),
}


class Item(Strict):
    """One question for each thing of a kind."""

    id: Annotated[CautionId, Field(description="Name of the question; with `each` it must be unique.")]
    each: Annotated[Each, Field(description="For what there is a line.")]
    ask: Annotated[Text, Field(description="The question, with what stands in braces filled in.")]
    source: Annotated[Line, Field(description="Where the rule comes from.")] = COMMON_PRACTICE
    cautions: Annotated[tuple[CautionId, ...], Field(description="What must be acknowledged before.")] = ()
    measure: Annotated[Quantity | None, Field(description="A value is measured.")] = None
    photograph: Annotated[bool, Field(description="Whether a photograph is wanted.")] = False


class Items(Strict):
    """A list of questions, from which a checklist is made."""

    format: Annotated[
        Literal["buswitness-checklist-items/1"], Field(description="Name and version of this format.")
    ]
    name: Annotated[Line, Field(description="Name of the list that is made from it.")]
    cautions: Annotated[dict[CautionId, Text], Field(description="Cautions by name.")] = Field(default={})
    items: Annotated[tuple[Item, ...], Field(description="The questions, in order.")]


def load_items(name: str, data: bytes | str) -> Items:
    """The questions in the text. Raises InputError with every problem."""
    document = parse(name, data)
    items = must_fit(document, Items)
    problems = list(_problems(document, items))
    if problems:
        raise InputError(problems)
    return items


def items_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a list of questions, for editors."""
    return editor_schema(Items, title=f"Items of a field checklist ({ITEMS_FORMAT})")


def filled(text: str, words: dict[str, str]) -> str:
    """The question with what stands in braces filled in."""
    return _BRACES.sub(lambda match: words[match[1]], text)


def _problems(document: Document, items: Items) -> Iterator[Problem]:
    seen: dict[tuple[str, str], int] = {}
    if not items.items:
        yield document.problem(("items",), "there is no question", remedy="add a first one")
    for number, item in enumerate(items.items):
        before = seen.setdefault((item.id, item.each), number)
        if before != number:
            yield document.problem(
                ("items", number, "id"),
                f"two questions for each {item.each} are called {item.id}",
                found=f"{item.id}, also at {document.place(('items', before, 'id'))}",
            )
        yield from _item_problems(document, number, item, items)


def _item_problems(document: Document, number: int, item: Item, items: Items) -> Iterator[Problem]:
    for word in _BRACES.findall(item.ask):
        if word not in WORDS[item.each]:
            yield document.problem(
                ("items", number, "ask"),
                f"nothing is known that could stand for {{{word}}} of a {item.each}",
                found=shown(word),
                allowed=listed(WORDS[item.each]),
                remedy=did_you_mean(word, WORDS[item.each]),
            )
    for place, name in enumerate(item.cautions):
        if name not in items.cautions:
            yield document.problem(
                ("items", number, "cautions", place),
                f"there is no caution {shown(name)}",
                found=shown(name),
                allowed=listed(items.cautions),
                remedy=did_you_mean(name, items.cautions),
            )
    if item.measure is not None and item.measure not in MEASURES.get(item.each, ()):
        yield document.problem(
            ("items", number, "measure"),
            f"no {item.measure} is measured of a {item.each}",
            found=item.measure.value,
            allowed=listed(one.value for one in MEASURES.get(item.each, ())) or "nothing: leave it out",
        )
