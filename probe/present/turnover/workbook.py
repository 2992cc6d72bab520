"""Workbook: findings and punch list for sorting and filtering, as XLSX; a view that says that it is one.

Every cell is written as text (``write_string``), so nothing that a device said can become a formula or a
link. The one module that knows the spreadsheet library.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from probe.model.finding import Verdict
from probe.present.turnover.action import punch_rows
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.front import moment
from probe.present.turnover.palette import LAMPS
from probe.present.turnover.printable import showable
from probe.present.turnover.texts import Texts
from probe.record.seal import spoken

#: Signs that a cell of the format holds.
LONGEST_CELL = 32_767
#: Columns of the findings that go on paper: up to their uncertainty, or the rest would be too small to read.
_PRINTED = 10
#: Points of one line of text, and the highest that the format bears for a row.
_LINE, _HIGHEST = 15.0, 405.0
_LAST_YEAR = 4_102_444_800  # 2100: what the format's dates bear for certain


def workbook(dossier: Dossier, t: Texts) -> bytes:
    """The workbook as the bytes of its file; the same record gives the same bytes."""
    import xlsxwriter

    target = io.BytesIO()
    book = xlsxwriter.Workbook(
        target,
        {"constant_memory": True, "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False},
    )
    seconds = dossier.content.header.started_wall_ns // 1_000_000_000
    made = datetime.fromtimestamp(min(max(seconds, 0), _LAST_YEAR), UTC).replace(tzinfo=None)
    book.set_properties({"title": t("workbook.about"), "created": made, "author": "buswitness"})
    sheets = _Sheets(book, foot=_foot(dossier, t))
    sheets.write(t("workbook.about"), [("", 24), ("", 90)], _about(dossier, t))
    sheets.write(t("workbook.findings"), _finding_columns(t), _findings(dossier, t), printed=_PRINTED)
    punch = [
        (t("column.number"), 6), (t("column.verdict"), 12), (t("column.subject"), 16), (t("column.what"), 90),
        (t("column.cause"), 8), (t("column.done"), 8), (t("column.by"), 16),
    ]  # fmt: skip
    sheets.write(t("workbook.punch"), punch, _punch(dossier, t))
    book.close()
    return target.getvalue()


class _Sheets:
    """Writes sheets of texts. Any: the spreadsheet library has no types."""

    def __init__(self, book: Any, *, foot: str) -> None:
        self._book, self._foot = book, foot
        self._head = book.add_format({"bold": True, "font_color": "#24506f", "bottom": 2, "text_wrap": True})
        self._plain = book.add_format({"text_wrap": True, "valign": "top"})
        self._lamps = {
            verdict: book.add_format({"bold": True, "bg_color": filling, "font_color": ink, "valign": "top"})
            for verdict, (_, filling, ink) in LAMPS.items()
        }

    def write(
        self,
        name: str,
        columns: Sequence[tuple[str, int]],
        rows: Iterable[Sequence[str | Verdict]],
        *,
        printed: int = 0,
    ) -> None:
        """One sheet: head, then the rows. printed: so many columns go on paper, 0 for all."""
        sheet = self._book.add_worksheet(name[:31])
        self._ready_to_print(sheet)
        for number, (_, width) in enumerate(columns):
            sheet.set_column(number, number, width)
        headed = any(title for title, _ in columns)
        if headed:
            sheet.freeze_panes(1, 0)
            sheet.repeat_rows(0)
            for number, (title, _) in enumerate(columns):
                sheet.write_string(0, number, title, self._head)
        last = 0
        for last, row in enumerate(rows, 1):
            place = last if headed else last - 1
            sheet.set_row(place, _height(row, columns))
            for number, cell in enumerate(row):
                if isinstance(cell, Verdict):
                    sheet.write_string(place, number, f"{LAMPS[cell][0]} {cell.value}", self._lamps[cell])
                elif cell:
                    sheet.write_string(place, number, cell_text(cell), self._plain)
        if headed and last:
            sheet.autofilter(0, 0, last, len(columns) - 1)
        if printed:
            sheet.print_area(0, 0, last, printed - 1)

    def _ready_to_print(self, sheet: Any) -> None:
        """All columns on one sheet of paper, across; what is incomplete says so at the foot of each."""
        sheet.set_landscape()
        sheet.set_paper(9)  # A4; a program with Letter in its printer scales it
        sheet.fit_to_pages(1, 0)
        sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.7)
        sheet.set_footer(f"&L{self._foot}&R&P / &N")


def _height(row: Sequence[str | Verdict], columns: Sequence[tuple[str, int]]) -> float:
    """Points that the row needs for its longest cell: not every program finds that out by itself."""
    lines = 1
    for cell, (_, width) in zip(row, columns, strict=True):
        if not isinstance(cell, Verdict) and len(cell) > width:
            lines = max(lines, math.ceil(len(cell) * 0.95 / width))  # letters are narrower than digits
    return min(lines * _LINE, _HIGHEST)


def _foot(dossier: Dossier, t: Texts) -> str:
    """Whose pages they are, and that they are incomplete. At most 255 signs with codes; ``&`` is one."""
    closed = dossier.content.seal is not None
    record = t("paper.record", code=spoken(dossier.content.code)) if closed else t("paper.record_open")
    warning = "" if dossier.complete else t("paper.open" if not closed else "paper.incomplete")
    header = dossier.content.header
    whose = showable(t("paper.head", lineup=header.lineup, site=header.site))[:100]
    return " · ".join(filter(None, (whose, record, warning))).replace("&", "&&")[:220]


def cell_text(text: str) -> str:
    """The text as a cell may hold it."""
    shown = showable(text)
    return shown if len(shown) <= LONGEST_CELL else shown[: LONGEST_CELL - 1] + "…"


def _about(dossier: Dossier, t: Texts) -> Iterable[tuple[str, str | Verdict]]:
    content, header = dossier.content, dossier.content.header
    yield "", t("workbook.view")
    if not dossier.complete:
        yield "", t("paper.open" if content.seal is None else "paper.incomplete")
    yield t("column.verdict"), dossier.verdict
    yield "", t("paper.title", lineup=header.lineup, site=header.site)
    yield t("cover.begun"), moment(header.started_wall_ns)
    yield t("cover.operator"), header.operator
    yield t("proof.code"), content.code if content.seal is not None else t("cover.no_seal")
    yield t("proof.spoken"), spoken(content.code) if content.seal is not None else ""
    for verdict in Verdict:
        yield t(f"verdict.{verdict.name.lower()}"), t(f"meaning.{verdict.name.lower()}")


def _finding_columns(t: Texts) -> list[tuple[str, int]]:
    widths = {
        "verdict": 12, "tag": 14, "kind": 11, "section": 18, "check": 22, "what": 46, "observed": 34,
        "expected": 26, "unit": 8, "uncertainty": 14, "cause": 8, "danger": 8, "advice": 60, "rule": 60,
        "id": 34,
    }  # fmt: skip
    return [(t(f"column.{name}"), width) for name, width in widths.items()]


def _findings(dossier: Dossier, t: Texts) -> Iterable[tuple[str | Verdict, ...]]:
    numbers = {cause.id: str(n) for n, cause in enumerate(dossier.content.causes, 1)}
    devices = dossier.map.by_tag
    for f in dossier.content.findings:
        device = devices.get(f.subject)
        yield (
            f.verdict,
            f.subject,
            device.kind.value if device else "",
            device.section if device else "",
            f.check,
            f.title,
            f.observed,
            f.expected,
            f.unit,
            f.uncertainty,
            numbers.get(f.cause or "", ""),
            str(f.danger),
            f.advice,
            f.rule,
            f.id,
        )


def _punch(dossier: Dossier, t: Texts) -> Iterable[tuple[str | Verdict, ...]]:
    for number, (verdict, subject, what, cause) in enumerate(punch_rows(dossier, t), 1):
        yield (str(number), verdict, subject, what, cause, "", "")
