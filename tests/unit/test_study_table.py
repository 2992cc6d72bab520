"""Tables of settings as engineers send them: what is understood, refused at its cell, or named."""

from __future__ import annotations

from pathlib import Path

import pytest
import xlsxwriter

from probe.collect.spreadsheet import read_sheet
from probe.model.errors import InputError
from probe.model.study import resolved_group
from probe.model.study_load import load_study
from probe.model.study_table import StudyTable, study_text, understand_table
from probe.model.study_words import heading_of

HEAD = """\
Site: Tarn Hollow Water Works;;;
Lineup: MSB-1;Revision: C;Date: 2026-02-11;Ref: S-1
Prepared by: P. E.;;;
"""
COLUMNS = "Breaker;Group;Plug (A);LTPU (x plug);LTD (s @ 6 x Ir);STPU (x Ir);STD (cycles);ST I²t;INST (x plug);GFPU (A);GFD (s)\n"  # noqa: E501


def table(folder: Path, text: str) -> StudyTable:
    path = folder / "settings.csv"
    path.write_text(text, encoding="utf-8")
    return understand_table(read_sheet(path, None, heading_of))


def problems(folder: Path, text: str) -> list[str]:
    return [f"{p.field}: {p.what}" for p in table(folder, text).problems]


def test_a_whole_table(tmp_path: Path) -> None:
    """Decimal commas, a merged tag, a section line, OFF, I2t OUT."""
    rows = "52-F1;Normal;600;0,9;6;5;6;OUT;8;150;0,1\n;Maintenance;;;;;;;1500 A;;\nFeeders of bus 2;;;\n52-M1;;2500;0,9;12;4;18;IN;OFF;1000;0,4\n"  # noqa: E501
    made = table(tmp_path, HEAD + COLUMNS + rows)
    assert made.problems == []
    assert "row 7 is not used: Feeders of bus 2" in made.notes
    assert "1 rows without a tag take the one above them (merged cells)" in made.notes
    text, blanks = study_text(made)
    assert blanks == ()
    loaded = load_study("s.yaml", text)
    assert loaded.problems == ()
    feeder = resolved_group(loaded.study.devices["52-F1"], "normal", None, None, 60.0)
    assert feeder["long_time"].pickup_a == 540
    assert (feeder["long_time"].delay, feeder["long_time"].multiple) == (6, 6)
    assert feeder["short_time"].pickup_a == 2700
    assert feeder["short_time"].delay == pytest.approx(0.1)
    fast = resolved_group(loaded.study.devices["52-F1"], "maintenance", None, None, 60.0)
    assert fast["instantaneous"].pickup_a == 1500
    assert loaded.study.devices["52-M1"].groups["normal"]["instantaneous"].enabled is False


def test_a_workbook_with_merged_tags(tmp_path: Path) -> None:
    path = tmp_path / "settings.xlsx"
    book = xlsxwriter.Workbook(path)
    sheet = book.add_worksheet("Cover")
    sheet.write(0, 0, "nothing here")
    sheet = book.add_worksheet("Settings")
    for column, name in enumerate(("Tag", "Group", "LTPU (A)", "INST (A)")):
        sheet.write(0, column, name)
    sheet.merge_range(1, 0, 2, 0, "52-F1")
    sheet.write_row(1, 1, ["Normal", 540.5, 4800])
    sheet.write_row(2, 1, ["Maintenance", "", 1500])
    book.close()
    made = understand_table(read_sheet(path, None, heading_of))
    assert made.problems == []
    assert made.rows["52-F1", "normal"] == {"ltpu": "540.5 A", "inst": "4800 A"}
    assert made.rows["52-F1", "maintenance"] == {"inst": "1500 A"}
    assert any("not read: Cover" in note for note in made.notes)


def test_what_the_table_does_not_tell_is_left_blank_and_named(tmp_path: Path) -> None:
    text, blanks = study_text(table(tmp_path, "Tag;LTPU (A)\n52-F1;540\n"))
    assert blanks == ("site", "lineup", "reference", "author", "revision", "date")
    with pytest.raises(InputError, match="still to be filled in"):
        load_study("s.yaml", text)


@pytest.mark.parametrize(
    ("columns", "cell", "expected"),
    [
        ("LTPU (x In)", "0,9", "a multiple without its base"),
        ("LTPU", "0,9", "a number without its unit"),
        ("LTPU (A)", "1,500", "this can be read in two ways"),
        ("LTPU (A)", "about 500", "this is no pickup"),
        ("LTPU (A)", "4 x", "a multiple without its base"),
        ("LTD (s @ 6x)", "8", "a multiple without its base"),
        ("STD (s)", "quick", "this is no delay"),
        ("ST I2t", "maybe", "this is no curve"),
        ("Group", "third", "this is no group of settings"),
    ],
)
def test_cells_that_cannot_be_used(tmp_path: Path, columns: str, cell: str, expected: str) -> None:
    found = problems(tmp_path, f"Tag;{columns};GFPU (A)\n52-F1;{cell};150\n")
    assert len(found) == 1
    assert expected in found[0]
    assert found[0].startswith("cell B2")


def test_two_rows_for_one_group(tmp_path: Path) -> None:
    found = problems(tmp_path, "Tag;LTPU (A)\n52-F1;540\n52-F1;600\n")
    assert found == ["cell A3: 52-F1 has two rows for its normal group; first in row 2"]


def test_columns_that_are_not_understood_are_named(tmp_path: Path) -> None:
    made = table(tmp_path, "Tag;LTPU (A);Remarks;LTPU (A)\n52-F1;540;x;1\n")
    assert made.unused == ("C (Remarks)", "D (LTPU (A))")


def test_a_table_without_headings(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no row of headings"):
        table(tmp_path, "a;b\n1;2\n")
