"""XLSX: a view of findings and punch list; text in every cell, never a formula."""

from __future__ import annotations

import io
import re
import zipfile

import pytest
from python_calamine import CalamineWorkbook

from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts
from probe.present.turnover.workbook import LONGEST_CELL, cell_text, workbook


@pytest.fixture(scope="module")
def data(dossier: Dossier, t: Texts) -> bytes:
    return workbook(dossier, t)


def test_every_finding_has_a_row_read_by_another_library(data: bytes, dossier: Dossier, t: Texts) -> None:
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    assert book.sheet_names == ["About", "Findings", "Punch list"]
    rows = book.get_sheet_by_name("Findings").to_python()
    assert rows[0][0] == "Verdict"
    assert [row[-1] for row in rows[1:]] == [cell_text(f.id) for f in dossier.content.findings]
    about = [str(cell) for row in book.get_sheet_by_name("About").to_python() for cell in row]
    assert dossier.content.code in about
    assert t("workbook.view") in about
    assert "INCOMPLETE" in about


def test_rows_are_as_high_as_their_texts_and_printed_pages_say_that_they_are_incomplete(data: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        about, findings, punch = (archive.read(f"xl/worksheets/sheet{n}.xml").decode() for n in (1, 2, 3))
    heights = [float(text) for text in re.findall(r'<row [^>]* ht="([0-9.]+)"', findings)]
    assert max(heights) > 45 > min(heights)
    for sheet in (about, findings, punch):
        assert "INCOMPLETE" in sheet.partition("<oddFooter>")[2]
        assert 'orientation="landscape"' in sheet


def test_formulas_and_links_are_text(data: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheets = [archive.read(name).decode() for name in archive.namelist() if "worksheets/sheet" in name]
        names = archive.namelist()
    assert len(sheets) == 3
    assert not any(re.search(r"<f[ >]|<hyperlink", sheet) for sheet in sheets)
    assert not any("externalLink" in name or (name.endswith(".rels") and "sheet" in name) for name in names)
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    cells = [str(cell) for row in book.get_sheet_by_name("Findings").to_python() for cell in row]
    assert any(cell.startswith("=HYPERLINK(") for cell in cells), "shown as it came"


def test_the_same_record_gives_the_same_file(data: bytes, dossier: Dossier, t: Texts) -> None:
    assert workbook(dossier, t) == data


def test_long_texts_are_cut_where_the_format_ends() -> None:
    assert len(cell_text("x" * 40_000)) == LONGEST_CELL
