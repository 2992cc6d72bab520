"""Register lists to profiles: what is understood, what is told, and that nothing is guessed."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from probe.model.lineup import SourceText
from probe.model.profile import Area, Profile
from probe.model.profile_load import ProfileLibrary
from probe.model.register_list import ImportedProfile, make_profile
from probe.model.register_words import heading, text_length, type_word
from probe.model.sheet import Cell, Sheet

LIST = """\
Meter of the example
Addressing: one_based
Byte order,CDAB
Kind,meter
Function,4
Register,Parameter,Data Type,Length,Multiplier,Units,R/W,Remarks,Since
Electrical values
1,Voltage A-B,UINT32,2,0.1,V,R,Voltage A to B,1.0
3,Voltage A-N,uint32,2,x0.1,V,R,,1.0
5,Frequency,U16,1,/100,Hz,R,,1.0
6-7,Energy,float,,,kWh,RO,Energy imported,1.0
8,Reset,UINT16,1,,,W,Write 1 to reset,1.0
9,Model,ASCII[16],,,,R,,1.0
17,Odd,BCD clock,1,,,R,,1.0
18,Status,Bitmap,1,,,R,"Status; ""A"" first",1.0
0,Bad,UINT16,1,,,R,,1.0
19,Voltage A-B,INT,2,1,V,R,Second voltage A to B,1.0
21,PF total,int16,1,0.001,,R,Power factor total,1.0
22,Too short,UINT32,1,,V,R,,1.0
"""


def sheet(text: str) -> Sheet:
    rows = csv.reader(io.StringIO(text))
    return Sheet(
        file="list.csv",
        rows=tuple(
            tuple(Cell(t.strip(), r, c) for c, t in enumerate(row, 1)) for r, row in enumerate(rows, 1)
        ),
    )


def compiled(made: ImportedProfile) -> Profile:
    library = ProfileLibrary({"made": SourceText(name="made.yaml", text=made.text, sha256="")})
    return library.get("made")


@pytest.fixture
def made() -> ImportedProfile:
    return make_profile(sheet(LIST), "made")


def test_the_list_becomes_a_profile_that_loads(made: ImportedProfile) -> None:
    points = {
        p.name: (p.area, p.start, p.count, p.type, p.unit, p.quantity, p.phase) for p in compiled(made).points
    }
    i = Area.INPUT
    assert points == {
        "voltage_a_b": (i, 0, 2, "u32", "V", "voltage_line", "ab"),
        "voltage_a_n": (i, 2, 2, "u32", "V", "voltage_phase", "a"),
        "frequency": (i, 4, 1, "u16", "Hz", "frequency", ""),
        "energy": (i, 5, 2, "f32", "kWh", "energy_active_import", ""),
        "model": (i, 8, 8, "text", "", "text", ""),
        "status": (i, 17, 1, "bits16", "", "state", ""),
        "voltage_a_b_2": (i, 18, 2, "i32", "V", "voltage_line", "ab"),
        "pf_total": (i, 20, 1, "i16", "", "power_factor", "total"),
    }
    profile = compiled(made)
    assert profile.by_name["frequency"].decimals == 2
    assert profile.by_name["voltage_a_b"].order == "CDAB"
    assert profile.by_name["status"].title == 'Status; "A" first'


def test_what_was_understood_and_what_not_is_told(made: ImportedProfile) -> None:
    assert made.columns == {
        "address": "Register", "name": "Parameter", "type": "Data Type", "count": "Length",
        "scale": "Multiplier", "unit": "Units", "access": "R/W", "title": "Remarks",
    }  # fmt: skip
    assert made.unused == ("Since",)
    assert (made.points, made.left_out) == (8, 4)
    assert [(p.line, p.field.split(" (")[0]) for p in made.problems] == [
        (12, "cell G12"), (14, "cell C14"), (16, "cell A16"), (19, "cell D19")
    ]  # fmt: skip
    assert made.blanks == ()


def test_without_a_convention_nothing_is_made() -> None:
    made = make_profile(sheet(LIST.replace("Addressing: one_based", "")), "made")
    assert made.text == ""
    (problem,) = made.problems
    assert "does not say how its addresses count" in problem.what
    assert "1 could be PDU address 1 (zero_based) or 0 (one_based)" in problem.what
    assert problem.allowed == "zero_based, one_based, reference"


def test_the_convention_may_be_an_argument_and_an_unknown_one_is_refused() -> None:
    plain = LIST.replace("Addressing: one_based", "")
    given = make_profile(sheet(plain), "made", addressing="zero_based")
    assert "addressing: zero_based" in given.text
    assert "voltage_a_n: {title: Voltage A-N, address: 3," in given.text
    stated = make_profile(sheet(LIST.replace("one_based", "from one")), "made")
    assert (stated.text, stated.problems[0].found) == ("", "from_one")


def test_a_reference_list_tells_its_areas() -> None:
    text = "Address,Name,Type,Units\n40011,Amps A,U16,A\n30012,Volts A-B,U16,V\n"
    profile_text = make_profile(sheet(text), "made", addressing="reference").text
    filled = profile_text.replace('kind: "?"', "kind: meter")
    points = compiled(ImportedProfile(text=filled)).by_name
    assert (points["amps_a"].area, points["amps_a"].start) == (Area.HOLDING, 10)
    assert (points["volts_a_b"].area, points["volts_a_b"].start) == (Area.INPUT, 11)


def test_what_the_list_does_not_tell_is_left_blank_and_refused_until_filled_in() -> None:
    text = "Address,Name,Type,Units\n10,Volts,U32,V\n12,Thing,U16,\n"
    made = make_profile(sheet(text), "made", addressing="zero_based")
    assert [blank.split(":")[0] for blank in made.blanks] == [
        "kind", "area", "order", "quantity of volts, thing"
    ]  # fmt: skip
    library = ProfileLibrary({"made": SourceText(name="made.yaml", text=made.text, sha256="")})
    told = [problem.what for problem in library.check("made").problems]
    assert "kind is still to be filled in" in told
    assert "area is still to be filled in" in told
    assert "order is still to be filled in" in told


def test_neither_unit_nor_direction_is_guessed() -> None:
    made = make_profile(sheet("Address,Name,Type\n1,Volts A-B,U16\n"), "made", addressing="one_based")
    assert 'unit: "?", quantity: "?"' in made.text
    text = "Address,Name,Type,Units\n1,Energy delivered,U32,kWh\n3,Energy exported,U32,kWh\n"
    made = make_profile(sheet(text), "made", addressing="one_based")
    assert (
        'energy_delivered: {title: Energy delivered, address: 1, type: u32, unit: kWh, quantity: "?"}'
        in made.text
    )
    assert "quantity: energy_active_export" in made.text


def test_a_file_without_a_list_is_refused() -> None:
    made = make_profile(sheet("Tag,IP\nMSB,10.0.0.1\n"), "made", addressing="zero_based")
    assert made.text == ""
    assert "headings of a register list" in made.problems[0].what


def test_a_list_of_nothing_usable_is_refused() -> None:
    made = make_profile(sheet("Address,Name,Type\n1,A,FOO\n"), "made", addressing="one_based")
    assert (made.text, made.left_out) == ("", 1)


def test_hostile_cells_stay_text() -> None:
    text = 'Address,Name,Type,Units,Description\n1,x,u16,A,"{a: [b], ""c"": \\d #e"\n'
    made = make_profile(sheet(text), "made", addressing="one_based")
    filled = made.text.replace('"?"', "meter", 1).replace('area: "?"', "area: input")
    assert compiled(ImportedProfile(text=filled)).points[0].title == '{a: [b], "c": \\d #e'


@pytest.mark.parametrize(
    ("word", "count", "expected"),
    [
        ("UINT16", None, "u16"), ("Unsigned", 2, "u32"), ("int", 1, "i16"),
        ("INT", 4, "i64"), ("Integer", 3, ""),
        ("Float (IEEE754)", None, "f32"), ("ASCII[16]", None, "text"), ("32-bit unsigned", None, "u32"),
        ("DWORD", None, "u32"), ("Datetime", 4, ""), ("bool", None, "bit"),
    ],
)  # fmt: skip
def test_type_words(word: str, count: int | None, expected: str) -> None:
    assert type_word(word, count) == expected


def test_headings_and_lengths() -> None:
    assert heading("Register (dec)") == ("address", 1)
    assert heading("R/W") == ("access", 0)
    assert heading("Colour") is None
    assert (text_length("string[16]"), text_length("ASCII (20)"), text_length("text")) == (16, 20, None)


def test_the_example_of_the_manual(tmp_path: Path) -> None:
    """The CSV reader of the program reads the same list."""
    from probe.collect.spreadsheet import read_sheet

    path = tmp_path / "list.csv"
    path.write_text(LIST, encoding="utf-8")
    assert make_profile(read_sheet(path), "made").points == 8
