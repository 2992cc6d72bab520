"""What the history of a fleet shows: status, trend, drift; and the run that others are held against."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from probe.cli.invocation import command
from probe.history import slot_book
from probe.history.baseline import accept
from probe.history.life import Life
from probe.history.status import Standing, open_lives, standings
from probe.history.store import History
from probe.history.trend import Followed, Point, series_in, trend
from probe.model.errors import InputError, Problem
from probe.model.fleet import Sweep
from probe.model.nearest import did_you_mean
from probe.model.slots import due_now, next_slot
from probe.present.console import console, emit_json, say
from probe.present.fleet_page import LineupLine, fleet_rows, open_rows, verdict_of
from probe.present.page import page_width, print_rows
from probe.present.row import Row
from probe.present.signs import Signs, signs_for
from probe.sweep.drift import Drift, drift
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.run import lineup_named

STATUS_FORMAT, TREND_FORMAT, DRIFT_FORMAT = (
    "buswitness-fleet-status/1",
    "buswitness-trend/1",
    "buswitness-drift/1",
)


def status(fleet: Path, *, name: str, as_json: bool) -> int:
    """Show how the lineups stand; 1 if a finding fails somewhere, 3 if a run is missing or cut, else 0.

    name: a sweep, whose open findings are shown; all lineups in one line each without one.
    """
    place = open_fleet(fleet)
    history = place.open_history(create=False)
    try:
        lines = [_line(place, history, sweep) for sweep in _chosen(place, name)]
        lives = open_lives(history, lines[0].standing.lineup_id) if name and lines[0].standing else ()
    finally:
        history.close()
    waiting = place.records().waiting()
    if as_json:
        data = [_line_data(line) for line in lines]
        emit_json({"format": STATUS_FORMAT, "lineups": data, "records_waiting": waiting})
    else:
        target, signs, width = _page()
        rows = fleet_rows(lines, time.time(), width, signs)
        print_rows(target, [*rows, *([Row()] if lives else []), *open_rows(lives, time.time(), width, signs)])
        if waiting:
            say(f"\nRecords that wait for the store: {waiting}. To deliver them, type:")
            say(f"  {command('sweep', 'store', fleet)}")
    verdicts = {verdict_of(line).value for line in lines}
    return 1 if "fail" in verdicts else 3 if "not tested" in verdicts else 0


def show_trend(  # noqa: PLR0913 (one argument an option of the command)
    fleet: Path, tag: str, point: str, *, name: str, days: float, svg: Path | None, as_json: bool
) -> int:
    """Draw one series of a lineup; 0. Raises InputError with the nearest names."""
    from probe.present import trend_picture

    place = open_fleet(fleet)
    history = place.open_history(create=False)
    try:
        standing, series = _series(place, history, name, tag, point)
        since = datetime.now(UTC) - timedelta(days=days)
        points = trend(history, standing.lineup_id, series, since_ns=round(since.timestamp() * 1e9))
    finally:
        history.close()
    title = f"{standing.lineup} {series.subject}: {series.name}"
    if as_json:
        emit_json({"format": TREND_FORMAT, "series": series._asdict(), "points": [_point(p) for p in points]})
    elif not points:
        say(f"{title}: no run in the last {days:g} days tells it.")
    else:
        _, signs, width = _page()
        say(f"{title}{f', {series.unit}' if series.unit else ''}; {len(points)} runs")
        for line in trend_picture.sketch(points, width, "•" if signs.ellipsis == "…" else "*"):
            say(line)
    if svg is not None and points:
        _write(svg, trend_picture.svg(points, title, series.unit))
    return 0


def show_drift(fleet: Path, *, name: str, as_json: bool) -> int:
    """Show what drifts; 1 if anything does, else 0."""
    from probe.present.drift_page import drift_rows

    place = open_fleet(fleet)
    history = place.open_history(create=False)
    told: list[tuple[Standing, Drift]] = []
    try:
        for sweep in _chosen(place, name):
            standing = _standing(place, history, sweep)
            if standing is not None:
                rate = place.fleet.false_alarms
                told.append((standing, drift(history, standing.lineup_id, false_alarms_a_year=rate)))
    finally:
        history.close()
    if as_json:
        emit_json({"format": DRIFT_FORMAT, "lineups": [_drift_data(*one) for one in told]})
    else:
        target, signs, width = _page()
        for standing, one in told:
            say(f"{standing.site} / {standing.lineup}")
            print_rows(target, drift_rows(one, width, signs))
    return int(any(one.deviations or one.shifts or one.leaving for _, one in told))


def set_baseline(fleet: Path, record: Path) -> int:
    """Make the run of a record the one that others are held against; 0.

    record: a file, or the code of a record that the fleet keeps. Raises InputError if the history does not
    have the record; RecordError if it is gone or altered.
    """
    from probe.record.content import load

    place = open_fleet(fleet)
    with _file_of(place, record) as file:
        content = load(file, with_evidence=False)
    history = place.open_history(create=False)
    try:
        known = {(one.site, one.lineup): one.lineup_id for one in standings(history)}
        lineup_id = known.get((content.header.site, content.header.lineup))
        if lineup_id is None or not accept(history, lineup_id, content.code):
            raise InputError([_unknown_record(record)])
    finally:
        history.close()
    say(f"Runs of {content.header.lineup} are held against this one from now on.")
    return 0


@contextmanager
def _file_of(place: FleetPlace, record: Path) -> Iterator[Path]:
    """The record: the file of that name, or the one with that code."""
    if record.exists() or re.fullmatch(r"[0-9a-f]{6,64}", str(record)) is None:
        yield record
        return
    from probe.cli.sweep_record_commands import found

    with found(place.records(), str(record)) as file:
        yield file


# ------------------------------------------------------------------------------------------------------------


def _chosen(place: FleetPlace, name: str) -> tuple[Sweep, ...]:
    return (place.sweep(name),) if name else place.fleet.sweeps


def _standing(place: FleetPlace, history: History, sweep: Sweep) -> Standing | None:
    """The latest run of the sweep's lineup, which the map names; None if there is none, or no map."""
    named = lineup_named(place, sweep)
    return next((one for one in standings(history) if (one.site, one.lineup) == named), None)


def _line(place: FleetPlace, history: History, sweep: Sweep) -> LineupLine:
    zone, now = place.fleet.zone_of(sweep), datetime.now(UTC)
    done_ns = slot_book.done_until_ns(history, sweep.name)
    due = due_now(sweep, zone, datetime.fromtimestamp(done_ns / 1e9, UTC), now) if done_ns else None
    late = due is not None and (due.slot is not None or bool(due.missed))
    following = next_slot(sweep, zone, now)
    slots = [one for one in slot_book.latest(history, sweep.name, 1) if one.state != "known"]
    standing = _standing(place, history, sweep)
    lives: tuple[Life, ...] = open_lives(history, standing.lineup_id) if standing else ()
    return LineupLine(
        sweep=sweep.name,
        standing=standing,
        open=len(lives),
        worst=lives[0] if lives else None,
        last_slot=slots[0] if slots else None,
        next_at_s=following.at.timestamp() if following else None,
        overdue=late and done_ns > 0 and _is_late(due, now),
    )


def _is_late(due: Any, now: datetime) -> bool:
    """True if a start is overdue by more than it takes to look (a quarter of an hour)."""
    first = due.missed[0][0] if due.missed else due.slot
    return bool(now - first.at > timedelta(minutes=15))


def _series(
    place: FleetPlace, history: History, name: str, tag: str, point: str
) -> tuple[Standing, Followed]:
    """The series of that tag and name in the sweep's lineup, or in the one lineup that has the tag."""
    found: list[tuple[Standing, Followed]] = []
    names: set[str] = set()
    for sweep in _chosen(place, name):
        standing = _standing(place, history, sweep)
        if standing is None:
            continue
        for one in series_in(history, standing.lineup_id, tag):
            names.add(one.name)
            if one.name == point:
                found.append((standing, one))
    if len({standing.lineup_id for standing, _ in found}) > 1:
        what = f"{tag} is in several lineups"
        raise InputError(
            [Problem(file="--sweep", what=what, found=tag, remedy="name the sweep with --sweep")]
        )
    if not found:
        what = f"the history has no {point} of {tag}" if names else f"the history has no {tag}"
        allowed = ", ".join(sorted(names)[:40])
        near = did_you_mean(point, sorted(names)) if names else ""
        raise InputError([Problem(file="POINT", what=what, found=point, allowed=allowed, remedy=near)])
    return found[0]


def _page() -> tuple[Any, Signs, int]:
    target = console(sys.stdout)
    return target, signs_for(target.encoding, os.environ.get("TERM", "")), page_width(target)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        what = f"the picture cannot be written: {error.strerror or error}"
        raise InputError([Problem(file=path.as_posix(), what=what, remedy="name another file")]) from None


def _unknown_record(record: Path) -> Problem:
    return Problem(
        file=record.as_posix(),
        what="the history does not have this record",
        remedy="take it in first: buswitness sweep import FLEET RECORD",
    )


def _line_data(line: LineupLine) -> dict[str, Any]:
    standing = line.standing
    return {
        "sweep": line.sweep,
        "verdict": verdict_of(line).value,
        "overdue": line.overdue,
        "open": line.open,
        "worst": line.worst.finding if line.worst else None,
        "latest": standing._asdict() if standing else None,
        "next_at": datetime.fromtimestamp(line.next_at_s, UTC).isoformat() if line.next_at_s else None,
    }


def _point(point: Point) -> dict[str, Any]:
    at = datetime.fromtimestamp(point.at_ns / 1e9, UTC).isoformat(timespec="seconds")
    return {"at": at, "value": point.value if isinstance(point.value, float) else point.value.value}


def _drift_data(standing: Standing, one: Drift) -> dict[str, Any]:
    def items(many: Sequence[Any]) -> list[dict[str, Any]]:
        return [item._asdict() for item in many]

    return {
        "site": standing.site,
        "lineup": standing.lineup,
        "against": one.against._asdict() if one.against else None,
        "deviations": [{**d.fact._asdict(), "before": d.before, "after": d.after} for d in one.deviations],
        "shifts": items(one.shifts),
        "leaving": items(one.leaving),
        "series": one.series,
        "runs_per_alarm": one.runs_per_alarm,
    }
