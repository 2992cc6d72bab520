"""Workbooks that would take all memory are refused before anything makes room for them (found by fuzzing)."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from probe.collect import workbook_bounds
from probe.collect.spreadsheet import read_sheet
from probe.model.errors import InputError

SHEET = "xl/worksheets/sheet1.xml"


def made(path: Path, *cells: tuple[int, int]) -> Path:
    """A workbook with headings and a number in each of these cells (row, column from 0)."""
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("Devices")
        sheet.write_row(0, 0, ["Tag", "Type"])
        for row, column in cells:
            sheet.write_number(row, column, 7)
    return path


def changed(path: Path, old: bytes, new: bytes) -> Path:
    """The workbook with a piece of its sheet's XML exchanged."""
    held = io.BytesIO()
    with zipfile.ZipFile(path) as before, zipfile.ZipFile(held, "w") as after:
        for name in before.namelist():
            data = before.read(name)
            assert name != SHEET or old in data
            after.writestr(name, data.replace(old, new) if name == SHEET else data)
    path.write_bytes(held.getvalue())
    return path


@pytest.mark.parametrize("last", [(1_048_575, 16_383), (59_999, 16_383), (1_048_575, 9)])
def test_a_stray_value_far_away_is_refused_with_its_place(tmp_path: Path, last: tuple[int, int]) -> None:
    path = made(tmp_path / "a.xlsx", (1, 0), last)
    with pytest.raises(InputError, match="reaches too far") as caught:
        read_sheet(path)
    assert f"row {last[0] + 1:,}" in caught.value.problems[0].found
    assert caught.value.problems[0].remedy


def test_a_stray_format_far_away_is_harmless(tmp_path: Path) -> None:
    """Spreadsheet programs often leave the format of an empty cell at the end of the sheet."""
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("Devices")
        sheet.write_row(0, 0, ["Tag", "Type"])
        sheet.write_blank(1_048_575, 16_383, None, book.add_format({"bold": True}))
    assert [cell.text for cell in read_sheet(path).rows[0]] == ["Tag", "Type"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'<c r="A2"', b'<c r="XFD1048576"'),
        (b'<row r="2"', b'<row r="99999999"'),
        (b'<c r="A2"', b'<x:c xmlns:x="y" r="XFD1048576"'),
    ],
)
def test_places_written_in_other_ways_count_too(tmp_path: Path, old: bytes, new: bytes) -> None:
    path = changed(made(tmp_path / "a.xlsx", (1, 0)), old, new)
    if b"row" in old:
        changed(path, b'<c r="A2"', b"<c")
    if b"x:c" in new:
        changed(path, b"</c></row></sheetData>", b"</x:c></row></sheetData>")
    with pytest.raises(InputError, match="too far"):
        read_sheet(path)


def test_what_unpacks_to_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made(tmp_path / "a.xlsx", (1, 0))
    monkeypatch.setattr(workbook_bounds, "MOST_UNPACKED", 1000)
    with pytest.raises(InputError, match="unpacks to too much"):
        read_sheet(path)


def test_a_lie_about_a_size_is_found_out(tmp_path: Path) -> None:
    """The archive says that a part is small; what comes out of it is not what it says."""
    path = made(tmp_path / "a.xlsx", (1, 0))
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as archive:
        size = archive.getinfo(SHEET).file_size.to_bytes(4, "little")
    at = data.rfind(size)
    data[at : at + 4] = (10).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"cannot be read|no sheets"):
        read_sheet(path)


@pytest.mark.parametrize("start", [b"<!DOCTYPE worksheet []><worksheet", b'<worksheet a="1" a="2"'])
def test_a_sheet_that_is_not_well_formed_is_refused(tmp_path: Path, start: bytes) -> None:
    path = changed(made(tmp_path / "a.xlsx", (1, 0)), b"<worksheet", start)
    with pytest.raises(InputError):
        read_sheet(path)


def test_an_archive_without_sheets_is_no_workbook(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("content.xml", "<office/>")
    with pytest.raises(InputError, match="no sheets"):
        read_sheet(path)
