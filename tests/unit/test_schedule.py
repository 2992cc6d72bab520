"""Schedules understood: headings, title lines, sections, and everything that is not used named."""

from __future__ import annotations

import pytest

from probe.model.errors import InputError
from probe.model.schedule import Schedule, understand
from probe.model.schedule_map import ImportedMap, make_map
from probe.model.schedule_words import HEADINGS, KINDS, heading_field, kind_of, plain_words, state_of
from probe.model.sheet import Cell, CellKind, Sheet, letters

PROFILES = ("trip-unit-first", "trip-unit-second", "meter-float", "serial-gateway")


def sheet_of(*rows: str) -> Sheet:
    """Rows as ``a|b|c``; a cell ``#800`` is a number, ``@2026-01-02`` a date."""
    return Sheet(file="s.csv", rows=tuple(_row(text, n) for n, text in enumerate(rows, 1)))


def _row(text: str, number: int) -> tuple[Cell, ...]:
    kinds = {"#": CellKind.NUMBER, "@": CellKind.DATE}
    return tuple(
        Cell(part.lstrip("#@"), number, i, kinds.get(part[:1], CellKind.TEXT))
        for i, part in enumerate((part.strip() for part in text.split("|")), 1)
    )


def schedule_of(*rows: str) -> Schedule:
    return understand(sheet_of(*rows))


def made(*rows: str) -> ImportedMap:
    return make_map(schedule_of(*rows), "out.yaml", PROFILES)


TITLE = ("Site: Tarn Hollow Water Works", "Lineup|MSB-1", "System: 480Y/277 V, 60 Hz")
HEAD = "Tag|Type|Profile|Section|IP address|Unit ID|Gateway"
GATEWAY = "GW1|Gateway|serial-gateway|1|10.20.1.31||"


def test_a_plain_schedule_becomes_a_map_without_problems() -> None:
    result = made(*TITLE, "", HEAD, GATEWAY, "F1|Trip unit|trip-unit-first|1||3|GW1")
    assert result.problems == ()
    assert result.blanks == ()
    assert "address: {via: GW1, unit: 3}" in result.text
    assert "voltage_v: 480\n  frequency_hz: 60\n  wiring: wye\n" in result.text


def test_every_heading_is_known_by_one_field_only() -> None:
    words = [word for known in HEADINGS.values() for word in known]
    assert len(words) == len(set(words))
    kinds = [word for known in KINDS.values() for word in known]
    assert len(kinds) == len(set(kinds))
    assert all(plain_words(word) == word for word in (*words, *kinds))


@pytest.mark.parametrize(
    ("heading", "field"),
    [
        ("TAG", "tag"),
        ("Equipment", "tag"),
        ("IP Addr.", "host"),
        ("Frame (A)", "frame_a"),
        ("Serial No.", "serial"),
        ("F/W", "firmware"),
        ("Modbus Unit-ID", "unit"),
        ("Slave", "unit"),
        ("MAC address", "hardware_address"),
        ("Fed From", "fed_from"),
        ("CT Ratio [A]", "ct"),
    ],
)
def test_headings_as_engineers_write_them(heading: str, field: str) -> None:
    found = heading_field(heading)
    assert found is not None
    assert found[0] == field


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Trip Unit", "trip-unit"),
        ("Main breaker", "trip-unit"),
        ("Feeder meter", "meter"),
        ("Power meter (float)", "meter"),
        ("Ethernet switch", "switch"),
        ("UPS", "ups"),
        ("Master controller", "master"),
        ("Meter gateway", None),
        ("Thing", None),
    ],
)
def test_kinds_as_engineers_write_them(text: str, kind: str | None) -> None:
    assert kind_of(text) == kind


def test_states_as_engineers_write_them() -> None:
    assert state_of("position", "Racked in") == "connected"
    assert state_of("breaker", "N.O.") == "open"
    assert state_of("breaker", "half") is None


def test_nothing_is_dropped_silently() -> None:
    schedule = schedule_of("Tag|Type|Colour||Section", "F1|Trip unit|red|loose|1", "note at the end||||")
    assert schedule.unused == ("C (Colour)", "D (no heading)")
    assert any("row 3 is not used" in note for note in schedule.notes)


def test_of_two_columns_for_one_field_the_plainer_is_used_and_the_other_named() -> None:
    schedule = schedule_of("Device|Tag|Type", "Breaker of pump 1|F1|Trip unit")
    assert schedule.devices[0].text("tag") == "F1"
    assert schedule.unused == ("A (Device)",)
    assert any("could both be the tag" in note for note in schedule.notes)


def test_a_section_goes_on_where_it_is_not_repeated() -> None:
    schedule = schedule_of("Tag|Type|Section", "F1|Trip unit|2", "F2|Trip unit|", "F3|Trip unit|3")
    assert [device.text("section") for device in schedule.devices] == ["2", "2", "3"]
    assert any("1 rows without a section" in note for note in schedule.notes)


def test_a_line_of_its_own_can_name_the_section() -> None:
    schedule = schedule_of("Tag|Type", "Section 2|", "F1|Trip unit")
    assert schedule.devices[0].text("section") == "Section 2"


def test_headings_repeated_on_each_page_are_no_devices() -> None:
    assert len(schedule_of("Tag|Type", "F1|Trip unit", "Tag|Type", "F2|Trip unit").devices) == 2


def test_model_is_the_profile_where_there_is_no_profile_column() -> None:
    assert schedule_of("Tag|Model", "F1|trip-unit-first").devices[0].text("profile") == "trip-unit-first"
    device = schedule_of("Tag|Model|Profile", "F1|QT-200|trip-unit-second").devices[0]
    assert (device.text("model"), device.text("profile")) == ("QT-200", "trip-unit-second")


def test_what_the_schedule_cannot_tell_is_blank_and_named() -> None:
    result = made("Tag|Type|Section|IP address", "F1|Trip unit|1|10.20.1.11", "F2|Trip unit|1|")
    assert result.problems == ()
    assert [blank.partition(": ")[2] for blank in result.blanks] == [
        'site: "?"  # fill in',
        'lineup: "?"  # fill in',
        'voltage_v: "?"  # fill in, line to line',
        'frequency_hz: "?"  # fill in',
        'wiring: "?"  # fill in: wye, delta or single',
        'profile: "?"  # fill in',
        'profile: "?"  # fill in',
        'address: {host: "?"}  # fill in: host, or via and unit',
    ]
    line = int(result.blanks[0].split(":")[1])
    assert result.text.splitlines()[line - 1].startswith("site:")


def test_gateways_given_by_address_become_tags_and_a_router_is_a_router() -> None:
    rows = (*TITLE, "Tag|Type|Profile|Section|IP|Mask|Unit|Gateway")
    gateway = "GW1|Gateway|serial-gateway|1|10.20.1.31|255.255.255.0||10.20.1.1"
    result = made(*rows, gateway, "F1|Trip unit|trip-unit-first|1|||3|10.20.1.31")
    assert result.problems == ()
    assert "address: {via: GW1, unit: 3}" in result.text
    assert "{name: network 1, subnet: 10.20.1.0/24, router: 10.20.1.1}" in result.text


@pytest.mark.parametrize(
    ("field", "cell", "what"),
    [
        ("Unit ID", "three", "this is not a whole number"),
        ("Frame", "1,600", "this can be read in two ways: as thousands, or with decimals"),
        ("Frame", "1.600", "this can be read in two ways: as thousands, or with decimals"),
        ("Frame", "big", "this is not a number"),
        ("CT", "1600", "this is not a ratio"),
        ("Serial No", "1E+12", "the spreadsheet program made a number of this text and dropped digits"),
        ("Serial No", "5,1021E+11", "the spreadsheet program made a number of this text and dropped digits"),
        (
            "Serial No",
            "#1234567890123456789",
            "the spreadsheet program made a number of this text and dropped digits",
        ),
        ("Description", "a\x07b", "a character that cannot be shown stands in this cell"),
        ("Compartment", "@2026-01-02", "the spreadsheet program made a date of this text"),
        ("Expected position", "sideways", "sideways is none of the words for this column"),
        ("Kind", "Thing", "it is not plain what kind of device this is"),
    ],
)
def test_a_cell_that_cannot_be_used_is_named_by_row_and_column(field: str, cell: str, what: str) -> None:
    (problem,) = schedule_of(f"Tag|Section|{field}", f"F1|1|{cell}").problems
    assert problem.what == what
    assert (problem.line, problem.column, problem.field) == (2, 3, f"cell C2 ({field})")
    assert problem.severity == "error"


@pytest.mark.parametrize(
    ("field", "cell", "key", "text"),
    [
        ("Port", "#502", "port", "502"),
        ("Port", "502.0", "port", "502"),
        ("Port", "502,0", "port", "502"),
        ("Frame", "800 A", "frame_a", "800"),
        ("Sensor", "62,5", "sensor_a", "62.5"),
        ("Sensor", "62.50", "sensor_a", "62.5"),
        ("Frame", "#1600", "frame_a", "1600"),
        ("CT", "1600/5", "ct", "1600/5"),
        ("CT", "1600 : 5 A", "ct", "1600/5"),
        ("Serial No", "0510210600", "serial", "0510210600"),
        ("Serial No", "12E4", "serial", "12E4"),
        ("Firmware", "2.10", "firmware", "2.10"),
        ("Description", "n/a", "description", ""),
    ],
)
def test_cells_as_engineers_write_them(field: str, cell: str, key: str, text: str) -> None:
    schedule = schedule_of(f"Tag|Section|{field}", f"F1|1|{cell}")
    assert schedule.problems == []
    assert schedule.devices[0].text(key) == text


def test_a_number_where_a_text_was_is_a_warning() -> None:
    schedule = schedule_of("Tag|Section|Serial No", "F1|1|#510210600")
    assert [problem.severity for problem in schedule.problems] == ["warning"]
    assert schedule.devices[0].text("serial") == "510210600"


def test_rules_of_the_map_are_told_at_the_cell() -> None:
    rows = (
        *TITLE,
        HEAD,
        "F1|Trip unit|trip-unit-first|1|10.20.1.11||",
        "F2|Trip unit|trip-unit-first|1|10.20.1.11||",
    )
    (problem,) = made(*rows).problems
    assert problem.what.startswith("F2 and F1 have the same address")
    assert problem.field == "cell E6 (IP address)"
    assert problem.found == "unit 255, also at row 5"


def test_a_tag_that_cannot_be_one_is_told_at_the_cell() -> None:
    (problem,) = made(*TITLE, HEAD, "F 1|Trip unit|trip-unit-first|1|10.20.1.11||").problems
    assert (problem.what, problem.field) == ("tag is not written as allowed", "cell A5 (Tag)")


def test_an_unknown_profile_is_only_a_warning() -> None:
    (problem,) = made(*TITLE, HEAD, "F1|Trip unit|trip-unit-frist|1|10.20.1.11||").problems
    assert (problem.severity, problem.remedy) == ("warning", "did you mean trip-unit-first?")


def test_a_row_without_a_tag_is_an_error() -> None:
    (problem,) = schedule_of("Tag|Type|Section", "|Trip unit|1").problems
    assert (problem.what, problem.field) == ("this row has no tag", "cell A2 (Tag)")


@pytest.mark.parametrize("rows", [("a|b", "c|d"), ("",), ("Tag|Type",), ("Type|Section", "x|y")])
def test_what_is_no_schedule_is_told(rows: tuple[str, ...]) -> None:
    with pytest.raises(InputError):
        schedule_of(*rows)


def test_texts_are_written_so_that_every_yaml_reader_takes_them_as_texts() -> None:
    """Outside check: PyYAML's own types."""
    import yaml

    rows = (
        "Tag|Type|Profile|Section|IP|Description|Serial|MAC",
        "101|Trip unit|p|2|10.20.1.1|Yes: it's #1|0510|02:00:50:10:00:01",
    )
    (device,) = yaml.safe_load(made(*TITLE, *rows).text)["devices"]
    assert (device["tag"], device["section"], device["description"]) == ("101", "2", "Yes: it's #1")
    assert (device["identity"]["serial"], device["hardware_address"]) == ("0510", "02:00:50:10:00:01")


def test_letters() -> None:
    assert [letters(n) for n in (1, 26, 27, 52, 703)] == ["A", "Z", "AA", "AZ", "AAA"]
