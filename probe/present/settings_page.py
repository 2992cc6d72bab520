"""What a settings run came to, for people: how it went, then settings, coordination and every device."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult
from probe.model.finding import Verdict
from probe.present.finding_lists import alike_rows, device_rows, not_tested_rows, part_alike
from probe.present.page import page_width, paragraph, print_rows
from probe.present.row import Piece, Row
from probe.present.settings_table import settings_rows
from probe.present.signs import Signs, signs_for
from probe.present.summary import Closing, cause_rows, closing_rows, headline
from probe.record.settings_view import SettingsView

if TYPE_CHECKING:
    from rich.console import Console

#: Findings that the page tells in its own way.
_OWN = ("settings.study", "settings.coordination")


def show(console: Console, result: AuditResult, view: SettingsView, closing: Closing) -> None:
    """Print the page of a run."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    width = page_width(console)
    rows = [*run_rows(result, width, signs), *settings_rows(view, width, signs)]
    print_rows(console, [*rows, *closing_rows(closing, width)])


def run_rows(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """How the run went, and everything that is wrong beside the settings themselves."""
    rows = [*headline(result, width, signs), *cause_rows(result, width)]
    wrong = [
        f for f in result.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW) and f.check not in _OWN
    ]
    alike, own = part_alike(wrong)
    rows += [*alike_rows(alike, width, signs), *device_rows(result, own, width, signs)]
    return [*rows, *not_tested_rows(result, width, signs)]


def show_again(console: Console, view: SettingsView, record: str) -> None:
    """Print the page from a record alone."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    width = page_width(console)
    system = view.lineup.map
    head = paragraph(f"{system.lineup}, {system.site}: settings in {record}", width, style="bold")
    code = Row([Piece(f"Record {view.code[:16]}", "dim")])
    print_rows(console, [*head, code, *settings_rows(view, width, signs)])
