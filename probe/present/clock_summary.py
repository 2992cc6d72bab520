"""Clock summary: what a clock run came to, for people: a row a clock, then what is wrong and what to do."""

from __future__ import annotations

import os
from collections import Counter
from math import isinf
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult
from probe.judge.checks.clock import drift_text
from probe.judge.clock_fleet import Fleet, fleet_of
from probe.judge.clock_state import ClockState
from probe.judge.wording import span
from probe.model.finding import WORST_FIRST, Verdict
from probe.present.clock_order import order_rows
from probe.present.clock_picture import table
from probe.present.finding_lists import alike_rows, device_rows, not_tested_rows, part_alike
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.row import Piece, Row
from probe.present.signs import Signs, signs_for
from probe.present.summary import Closing, cause_rows, closing_rows, headline, overall

if TYPE_CHECKING:
    from rich.console import Console


def show(console: Console, result: AuditResult, closing: Closing, hints: tuple[str, ...] = ()) -> None:
    """Print the summary of a clock run. hints: what a longer measurement would give."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    width = page_width(console)
    rows = summary(result, width, signs)
    for hint in hints:
        rows += [Row(), *paragraph(hint, width, style="dim")]
    print_rows(console, [*rows, *closing_rows(closing, width)])


def summary(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """The summary as rows of at most ``width`` columns."""
    tolerance_s = result.lineup.map.clock.tolerance_s
    states = {one.tag: (one.state, one.verdict) for one in result.clocks}
    rows = [*headline(result, width, signs), Row(), *table(states, tolerance_s, width, signs)]
    rows += [
        *_set(result, width),
        *_drifts(result, width),
        *order_rows(fleet(result), width, signs),
        *cause_rows(result, width),
    ]
    alike, own = part_alike([f for f in result.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)])
    rows += alike_rows(alike, width, signs)
    rows += device_rows(result, own, width, signs)
    return [*rows, *not_tested_rows(result, width, signs), *_bottom_line(result, width, signs)]


def _set(result: AuditResult, width: int) -> list[Row]:
    """The clocks that were set and are right since; the others have findings further down."""
    done = [f for f in result.findings if f.check == "clock.set" and f.verdict is Verdict.PASS]
    if not done:
        return []
    pairs = [(finding.subject, finding.observed) for finding in done]
    return [Row(), Row([Piece("Set", "bold")]), *facts(pairs, width, indent=2)]


def fleet(result: AuditResult) -> Fleet:
    """How the clocks of a run stand to each other."""
    return fleet_of((one.tag, one.state) for one in result.clocks)


def _drifts(result: AuditResult, width: int) -> list[Row]:
    """What the clocks gain or lose, of those that were watched long enough to say."""
    told = [(one.tag, one.state) for one in result.clocks if one.state and one.state.drift_ppm]
    if not told:
        return []
    pairs = [(tag, drift_phrase(state)) for tag, state in told]
    return [Row(), Row([Piece("Drift", "bold")]), *facts(pairs, width, indent=2)]


def drift_phrase(state: ClockState) -> str:
    """Drift with its bounds, and how long until the tolerance is left."""
    if state.drift_ppm is None:
        return ""
    text = drift_text(state.drift_ppm)
    if state.leaves_s is None:
        return text
    low, high = state.leaves_s
    if isinf(low):
        return f"{text}; does not leave the tolerance"
    if isinf(high):
        return f"{text}; leaves the tolerance in {span(low)} at the earliest, if at all"
    return f"{text}; leaves the tolerance in {span(low)} to {span(high)}"


def _bottom_line(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """How many clocks agree, where the eye is when a long list ends."""
    counts = Counter(one.verdict for one in result.clocks)
    lamp = signs.verdicts[overall(result)]
    total = len(result.clocks)
    parts = [
        f"{counts[verdict]} {signs.verdicts[verdict].word}" for verdict in WORST_FIRST if counts[verdict]
    ]
    text = f"{total} clock{'s' if total != 1 else ''}: {', '.join(parts)}." if parts else "No clock was read."
    return [Row(), *paragraph(text, width, lead=[Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")])]
