"""Schedule files as spreadsheet programs write them: encodings, separators, workbooks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from probe.collect.spreadsheet import read_sheet
from probe.model.errors import InputError
from probe.model.sheet import CellKind

TEXT = "Tag,Type,Description\nF1,Trip unit,Pumpe für Öl\n"


def texts(path: Path) -> list[list[str]]:
    return [[cell.text for cell in row] for row in read_sheet(path).rows]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_encodings_and_separators_are_found_out(tmp_path: Path, encoding: str, separator: str) -> None:
    file = tmp_path / "s.csv"
    file.write_bytes(TEXT.replace(",", separator).replace("\n", "\r\n").encode(encoding))
    assert texts(file) == [["Tag", "Type", "Description"], ["F1", "Trip unit", "Pumpe für Öl"]]


def test_a_decimal_comma_does_not_hide_the_semicolon(tmp_path: Path) -> None:
    file = tmp_path / "s.csv"
    file.write_text("Tag;Sensor;Section\nF1;62,5;1\nF2;62,5;1\n", encoding="utf-8")
    assert texts(file)[1] == ["F1", "62,5", "1"]


def test_the_separator_line_of_spreadsheet_programs_is_obeyed(tmp_path: Path) -> None:
    file = tmp_path / "s.csv"
    file.write_text("sep=;\nTag;Type\nF1;Meter\n", encoding="utf-8")
    sheet = read_sheet(file)
    assert [cell.text for cell in sheet.rows[0]] == ["Tag", "Type"]
    assert sheet.rows[1][0].row == 3


def test_cells_with_line_ends_and_quotes(tmp_path: Path) -> None:
    file = tmp_path / "s.csv"
    file.write_text('Tag,Type,Load\nF1,Meter,"a ""b"",\nc"\nF2,Meter,d\n', encoding="utf-8")
    assert texts(file)[1] == ["F1", "Meter", 'a "b",\nc']
    assert read_sheet(file).rows[2][0].row == 4


def workbook(path: Path, fill: Callable[[xlsxwriter.Workbook], None]) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        fill(book)
    return path


def _two_sheets(book: xlsxwriter.Workbook) -> None:
    book.add_worksheet("Cover").write_string(0, 0, "Schedule of devices")
    sheet = book.add_worksheet("Devices")
    sheet.merge_range(0, 1, 0, 3, "Site: Tarn Hollow Water Works")
    sheet.write_row(2, 1, ["Tag", "Type", "Serial No", "Compartment"])
    sheet.write_string(3, 1, "F1")
    sheet.write_string(3, 2, "Meter")
    sheet.write_number(3, 3, 510210600)
    sheet.write_datetime(
        3, 4, __import__("datetime").date(2026, 1, 2), book.add_format({"num_format": "d/m"})
    )


def test_the_sheet_that_holds_headings_is_found_and_the_others_named(tmp_path: Path) -> None:
    sheet = read_sheet(workbook(tmp_path / "s.xlsx", _two_sheets))
    assert sheet.title == "Devices"
    assert sheet.notes == ("sheet Devices; not read: Cover (choose with --sheet)",)


def test_cells_of_a_workbook_keep_place_and_kind(tmp_path: Path) -> None:
    sheet = read_sheet(workbook(tmp_path / "s.xlsx", _two_sheets))
    cells = {cell.name: cell for row in sheet.rows for cell in row if cell.text}
    assert cells["B3"].text == "Tag"
    assert (cells["D4"].text, cells["D4"].kind) == ("510210600", CellKind.NUMBER)
    assert cells["E4"].kind is CellKind.DATE


def test_a_sheet_can_be_chosen_and_a_wrong_name_gets_the_nearest(tmp_path: Path) -> None:
    file = workbook(tmp_path / "s.xlsx", _two_sheets)
    assert read_sheet(file, "Cover").title == "Cover"
    with pytest.raises(InputError, match="did you mean Devices"):
        read_sheet(file, "Device")


def test_a_workbook_is_known_by_its_bytes(tmp_path: Path) -> None:
    file = workbook(tmp_path / "s.xlsx", _two_sheets).rename(tmp_path / "s.csv")
    assert read_sheet(file).title == "Devices"


@pytest.mark.parametrize(
    ("name", "data", "what"),
    [
        ("s.csv", b"", "the schedule is empty"),
        ("s.csv", b"\x00\x01\x02", "this is a binary file, not a schedule"),
        ("s.csv", b"Tag,Type\nF1,\x81\n", "the text's encoding is not known"),
        ("s.xlsx", b"PK\x03\x04nonsense", "the workbook cannot be read"),
        ("s.xlsx", b"Tag,Type\n", "the workbook cannot be read"),
        ("s.xls", b"\xd0\xcf\x11\xe0" + b"\0" * 600, "the workbook cannot be read"),
    ],
)
def test_what_is_no_table_is_told(tmp_path: Path, name: str, data: bytes, what: str) -> None:
    file = tmp_path / name
    file.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_sheet(file)
    assert caught.value.problems[0].what == what


def test_a_text_file_has_no_sheets(tmp_path: Path) -> None:
    file = tmp_path / "s.csv"
    file.write_text(TEXT, encoding="utf-8")
    with pytest.raises(InputError, match="no sheets"):
        read_sheet(file, "Devices")
