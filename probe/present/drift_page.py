"""What drifts in a lineup, in sentences: what, since when, how sure, and what to do."""

from __future__ import annotations

from probe.history.baseline import Deviation
from probe.present.fleet_page import date_text
from probe.present.page import paragraph
from probe.present.row import Piece, Row
from probe.present.signs import Signs
from probe.sweep.drift import Drift, Leaving, Shift

_ADVICE = {
    "reply time": "look at the gateway, the cables, and who else asks this device",
    "lost requests": "look for a loose cable, a failing port, two masters",
    "counter": "read what this counter counts, and look at what made it run",
    "battery": "plan its replacement; batteries are live: site procedure",
}


def drift_rows(drift: Drift, width: int, signs: Signs) -> list[Row]:
    """The page of one lineup."""
    rows = list(paragraph(_against(drift), width, style="dim"))
    for one in drift.deviations:
        rows += _item(one.fact.subject, _deviation(one), width, signs)
    for leaving in drift.leaving:
        rows += _item(leaving.subject, leaving_text(leaving), width, signs)
    for shift in drift.shifts:
        rows += _item(shift.subject, shift_text(shift), width, signs)
    if not (drift.deviations or drift.leaving or drift.shifts):
        rows += paragraph("Nothing has drifted, as far as the history can tell.", width)
    rows += paragraph(_promise(drift), width, style="dim")
    return rows


def _item(subject: str, text: str, width: int, signs: Signs) -> list[Row]:
    return paragraph(text, width, lead=[Piece(f" {signs.dash} {subject:<10} ")])


def _against(drift: Drift) -> str:
    if drift.against is None:
        return "No complete run yet: there is nothing to hold later ones against."
    kind = "the accepted run" if drift.against.accepted else "the first complete run (none was accepted)"
    return f"Held against {kind} of {date_text(drift.against.started_ns)}."


def _deviation(one: Deviation) -> str:
    what = {"identity": "", "setting": "setting ", "text": "file "}.get(one.fact.kind, "")
    return f"{what}{one.fact.name}: {one.before} then, {one.after} now"


def leaving_text(one: Leaving) -> str:
    """A clock that will leave its tolerance, with the interval of the date."""
    rate, low, high = one.rate_s_per_day
    until = f" and {date_text(one.latest_ns)}" if one.latest_ns is not None else " or later"
    return (
        f"clock drifts by {rate:+.3g} s a day ({low:+.3g} to {high:+.3g} at 95 %, {one.runs} runs): "
        f"it leaves its tolerance of {one.tolerance_s:g} s between {date_text(one.earliest_ns)}{until}. "
        "Set it, or look why its time source does not reach it"
    )


def shift_text(one: Shift) -> str:
    """A series that left its usual range."""
    unit = f" {one.unit}" if one.unit else ""
    return (
        f"{one.name}: {one.before:.3g} before, {one.after:.3g}{unit} since "
        f"{date_text(one.since_ns)} (medians); {_ADVICE.get(one.kind, 'look at it')}"
    )


def _promise(drift: Drift) -> str:
    return (
        f"{drift.series} series are watched for change; each gives a false alarm at most once in "
        f"{drift.runs_per_alarm:.0f} runs on average."
    )
