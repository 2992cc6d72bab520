"""The checklist as data: made from a map, written and read back, what is wrong in it told at its place."""

from __future__ import annotations

from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator

import probe
from probe.model.checklist import (
    Quantity,
    checklist_of_text,
    checklist_schema,
    fitting_checklist,
    load_checklist,
)
from probe.model.checklist_draft import draft
from probe.model.checklist_items import Each, Items, items_schema, load_items
from probe.model.checklist_text import checklist_text
from probe.model.device_map import DeviceMap
from probe.model.errors import InputError
from probe.model.lineup import SourceText
from probe.model.map_draft import read_draft
from probe.practice.cabling import ENDS, cabling_text

HEAD = "format: buswitness-map/1\nsite: S\nlineup: L\nsystem: {voltage_v: 480, frequency_hz: 60}\n"
KINDS = {
    "MC-1": "master",
    "SW-1": "switch",
    "SW-2": "switch",
    "UPS-1": "ups",
    "GW-1": "gateway",
    "GW-2": "gateway",
}


def items() -> Items:
    return load_items("field.yaml", (files(probe) / "checklists" / "field.yaml").read_bytes())


@pytest.fixture(scope="module")
def drawn() -> DeviceMap:
    """The practice lineup's control section with its cabling, a breaker and a meter."""
    devices = [*KINDS.items(), ("52-M1", "trip-unit"), ("MTR-1", "meter")]
    text = HEAD + cabling_text(ENDS) + "devices:\n"
    for number, (tag, kind) in enumerate(devices, 1):
        text += f"  - {{tag: {tag}, kind: {kind}, profile: p, section: A, cubicle: 1{number}, "
        text += f"address: {{host: 127.0.0.{number}}}}}\n"
    for gateway in ("GW-1", "GW-2"):
        text += f"  - {{tag: X-{gateway}, kind: other, profile: p, section: A, "
        text += f"address: {{via: {gateway}, unit: 1}}}}\n"
    read, problems = read_draft("map.yaml", lambda _: text.encode())
    assert problems == ()
    return read.whole()


def test_every_kind_of_thing_has_its_lines(drawn: DeviceMap) -> None:
    made = draft(drawn, items())
    about = {line.about for line in made.lines}
    assert about >= {device.tag for device in drawn.devices if device.kind.value != "other"}
    assert about >= {entry.name for name, _, entry in drawn.cabling.entries()}
    assert {f"cubicle 1{number}" for number in range(1, 9)} <= about
    asked = {line.measure.quantity for line in made.lines if line.measure is not None}
    assert asked == set(Quantity)


def test_every_question_of_the_bundled_list_is_used(drawn: DeviceMap) -> None:
    used = {line.id.partition("@")[0] for line in draft(drawn, items()).lines}
    assert used == {item.id for item in items().items}
    assert {item.each for item in items().items} == set(Each) - {Each.PANEL}


def test_a_made_list_is_read_back_as_it_was(drawn: DeviceMap) -> None:
    made = draft(drawn, items())
    text = checklist_text(made)
    assert fitting_checklist("list.yaml", text, drawn) == made
    assert checklist_of_text(SourceText(name="n", text=text, sha256="")) == made


def test_another_sheet_is_no_checklist() -> None:
    assert checklist_of_text(SourceText(name="n", text="format: buswitness-procedure/1\n", sha256="")) is None


def test_the_schemas_are_schemas_and_accept_what_is_bundled() -> None:
    import yaml

    for schema in (checklist_schema(), items_schema()):
        Draft202012Validator.check_schema(schema)
    bundled = yaml.safe_load((files(probe) / "checklists" / "field.yaml").read_text("utf-8"))
    Draft202012Validator(items_schema()).validate(bundled)


LIST = "format: buswitness-checklist/1\nname: n\nsite: S\nlineup: L\n"


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ("lines: []\n", "list.yaml:5:8: error: the checklist has no line"),
        ("lines:\n  - {id: a, about: M9, ask: x}\n", "list.yaml:6:20: error: M9 is not in the map"),
        (
            "lines:\n  - {id: a, about: lineup, ask: x}\n  - {id: a, about: lineup, ask: y}\n",
            "list.yaml:7:10: error: two lines are called a",
        ),
        (
            "lines:\n  - {id: a, about: lineup, ask: x, cautions: [hot]}\n",
            "list.yaml:6:47: error: there is no caution hot",
        ),
        (
            "lines:\n  - {id: a, about: TP-1, ask: x, measure: {quantity: loss}}\n",
            "list.yaml:6:20: error: no loss is measured of TP-1",
        ),
        (
            "lines:\n  - {id: a, about: FO-1, ask: x, measure: {quantity: light}}\n",
            "list.yaml:6:43: error: where is the light of FO-1 measured?",
        ),
        (
            "lines:\n  - {id: a, about: FO-1, ask: x, measure: {quantity: lite}}\n",
            "list.yaml:6:54: error: quantity is none of the allowed words",
        ),
    ],
)
def test_what_is_wrong_is_told_at_its_place(drawn: DeviceMap, lines: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        fitting_checklist("list.yaml", LIST + lines, drawn)
    assert str(caught.value.problems[0]).startswith(expected), str(caught.value.problems[0])


def test_a_list_of_another_lineup_is_refused(drawn: DeviceMap) -> None:
    text = LIST.replace("lineup: L", "lineup: M") + "lines:\n  - {id: a, about: lineup, ask: x}\n"
    with pytest.raises(InputError, match="another lineup"):
        fitting_checklist("list.yaml", text, drawn)


ITEMS = "format: buswitness-checklist-items/1\nname: n\nitems:\n"


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        (
            "{id: a, each: fibre, ask: 'Is {nmae} there?'}",
            "nothing is known that could stand for {nmae} of a fibre",
        ),
        ("{id: a, each: fibre, ask: x, measure: voltage}", "no voltage is measured of a fibre"),
        ("{id: a, each: fibre, ask: x, cautions: [hot]}", "there is no caution hot"),
        ("{id: a, each: fibr, ask: x}", "each is none of the allowed words"),
    ],
)
def test_what_is_wrong_in_a_list_of_questions(item: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        load_items("items.yaml", f"{ITEMS}  - {item}\n")
    assert caught.value.problems[0].what == expected
    assert caught.value.problems[0].line == 4


def test_nothing_is_printed_that_a_loader_would_refuse(drawn: DeviceMap) -> None:
    checklist, _ = load_checklist("x", checklist_text(draft(drawn, items())))
    assert len({line.id for line in checklist.lines}) == len(checklist.lines)
