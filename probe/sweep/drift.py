"""Drift of a lineup: what its history shows beyond single verdicts, each with how sure it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from probe.history.baseline import Baseline, Deviation, baseline, deviations
from probe.history.distil import COUNT, LOST, OFFSET_HIGH, OFFSET_LOW, REPLY_MEDIAN, REPLY_P95, TOLERANCE
from probe.history.store import History
from probe.history.trend import Followed, Point, series_in, trend
from probe.judge.drift.change import changes
from probe.judge.drift.forecast import Forecast, Offset, forecast

YEAR_NS = 365.25 * 86_400 * 1e9
BATTERY = "battery"
FEWEST_RUNS = 50.0  # false alarms are never let be more frequent than this


class Shift(NamedTuple):
    """A series that left its usual range. Times: wall nanoseconds of the runs; medians before and since.

    kind: ``reply time``, ``lost requests``, ``counter`` (growth a day) or ``battery``.
    """

    kind: str
    subject: str
    name: str
    unit: str
    since_ns: int
    before: float
    after: float


class Leaving(NamedTuple):
    """A clock that will leave its tolerance. Times: wall nanoseconds; latest_ns: None if it may never."""

    subject: str
    tolerance_s: float
    earliest_ns: int
    latest_ns: int | None
    rate_s_per_day: tuple[float, float, float]
    runs: int


class Drift(NamedTuple):
    """All drift of a lineup. runs_per_alarm: a series errs at most once in so many runs, on average."""

    against: Baseline | None
    deviations: tuple[Deviation, ...]
    shifts: tuple[Shift, ...]
    leaving: tuple[Leaving, ...]
    series: int
    runs_per_alarm: float


def drift(
    history: History, lineup_id: int, *, false_alarms_a_year: float, since_ns: int = 0, until_ns: int = 2**62
) -> Drift:
    """What drifts in the runs between the two times.

    false_alarms_a_year: so many of ``shifts`` are chance in a year, at most, over all series of the lineup.
    """
    against = baseline(history, lineup_id)
    by_name: dict[tuple[str, str], tuple[Followed, tuple[Point, ...]]] = {}
    for one in series_in(history, lineup_id):
        if one.is_number and _kind(one):
            points = trend(history, lineup_id, one, since_ns=since_ns, until_ns=until_ns)
            by_name[one.subject, one.name] = (one, points)
    watched = [pair for pair in by_name.values() if _kind(pair[0]) != "clock"]
    runs = _runs_per_alarm([points for _, points in watched], false_alarms_a_year)
    shifts = tuple(shift for one, points in watched for shift in _shifts(one, points, runs))
    return Drift(
        against=against,
        deviations=deviations(history, lineup_id, against) if against else (),
        shifts=tuple(sorted(shifts, key=lambda shift: -shift.since_ns)),
        leaving=tuple(_leaving(by_name)),
        series=len(watched),
        runs_per_alarm=runs,
    )


def _kind(series: Followed) -> str:
    """How the series is watched; empty if it is not: loads and voltages move as they like."""
    if series.name in (OFFSET_LOW, OFFSET_HIGH, TOLERANCE):
        return "clock"
    if series.name in (REPLY_MEDIAN, REPLY_P95):
        return "reply time"
    if series.name == LOST:
        return "lost requests"
    if series.unit == COUNT:
        return "counter"
    return "battery" if series.name.startswith(BATTERY) else ""


def _runs_per_alarm(watched: Sequence[tuple[Point, ...]], false_alarms_a_year: float) -> float:
    """Runs of one series that make its share of the alarms that a year may bring by chance."""
    longest = max(watched, key=len, default=())
    if len(longest) < 2:
        return FEWEST_RUNS
    a_year = (len(longest) - 1) * YEAR_NS / max(1, longest[-1].at_ns - longest[0].at_ns)
    return max(FEWEST_RUNS, a_year * len(watched) / false_alarms_a_year)


def _shifts(series: Followed, points: Sequence[Point], runs: float) -> Iterator[Shift]:
    """The latest change of a series, if it has not gone back since."""
    kind = _kind(series)
    told = _growth(points) if kind == "counter" else [(p.at_ns, float(p.value)) for p in points]
    found = changes((value for _, value in told), runs=runs)
    if not found:
        return
    last = found[-1]
    if kind == "battery" and last.up:
        return  # a new one, or charged
    yield Shift(
        kind,
        series.subject,
        series.name,
        f"{series.unit} a day" if kind == "counter" else series.unit,
        told[last.since][0],
        last.before,
        last.after,
    )


def _growth(points: Sequence[Point]) -> list[tuple[int, float]]:
    """Growth of a counter a day, between two runs each; a reset is left out."""
    grown = []
    for a, b in pairwise(points):
        more = float(b.value) - float(a.value)
        if more >= 0 and b.at_ns > a.at_ns:
            grown.append((b.at_ns, more * 86_400e9 / (b.at_ns - a.at_ns)))
    return grown


def _leaving(by_name: dict[tuple[str, str], tuple[Followed, tuple[Point, ...]]]) -> Iterator[Leaving]:
    clocks: dict[str, dict[str, dict[int, float]]] = defaultdict(dict)
    for (subject, name), (_, points) in by_name.items():
        if name in (OFFSET_LOW, OFFSET_HIGH, TOLERANCE):
            clocks[subject][name] = {point.at_ns: float(point.value) for point in points}
    for subject, told in sorted(clocks.items()):
        if len(told) < 3 or not told[TOLERANCE]:
            continue
        low, high = told[OFFSET_LOW], told[OFFSET_HIGH]
        offsets = [Offset(at / 1e9, low[at], high[at]) for at in sorted(low) if at in high]
        tolerance_s = told[TOLERANCE][max(told[TOLERANCE])]
        made = forecast(offsets, tolerance_s)
        if made is not None and made.is_certain:
            yield _as_leaving(subject, tolerance_s, made)


def _as_leaving(subject: str, tolerance_s: float, made: Forecast) -> Leaving:
    return Leaving(
        subject,
        tolerance_s,
        round(made.earliest_s * 1e9),
        round(made.latest_s * 1e9) if made.is_certain else None,
        made.rate_s_per_day,
        made.runs,
    )
