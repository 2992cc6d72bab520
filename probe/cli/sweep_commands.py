"""The sweep commands: run, watch, import."""

from __future__ import annotations

import logging
import shutil
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from probe.cli.audit_run import stops_on_signals
from probe.history.keep import Keeper
from probe.history.slot_book import SlotState
from probe.history.store import History
from probe.model.errors import InputError, Problem, RecordError
from probe.model.fleet import Sweep
from probe.present.console import emit_json, say
from probe.present.counting import counted
from probe.sweep.alerts.deliver import Alerting
from probe.sweep.cycle import Cycle
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.run import Outcome, take_in

SWEEP_FORMAT = "buswitness-sweep/1"


def run(fleet: Path, *, names: Sequence[str], due: bool, as_json: bool) -> int:
    """Run sweeps now, or those that are due; the worst of their exit codes.

    Raises InputError for a wrong fleet file, an unknown name or a history that cannot be used.
    """
    place = open_fleet(fleet)
    chosen = [place.sweep(name) for name in names]
    history = place.open_history()
    try:
        with logging_plainly(), stopping() as stop:
            alerting = Alerting(place.fleet, history)
            cycle = Cycle(place, history, heard=alerting.heard, stop=stop.is_set)
            alerting.deliver()
            if due:
                done = cycle.run_due()
            else:
                done = [(one, cycle.run_now(one)) for one in chosen or cycle.sweeps() if not stop.is_set()]
            stopped = stop.is_set()
        _prune(place, history)
    finally:
        history.close()
    if as_json:
        emit_json({"format": SWEEP_FORMAT, "sweeps": [_as_data(sweep, outcome) for sweep, outcome in done]})
    return 3 if stopped else _exit_code(outcome for _, outcome in done)


def _prune(place: FleetPlace, history: History) -> None:
    """Let runs that are older than the fleet says leave the history."""
    if place.fleet.keep_runs is not None:
        from probe.history.retention import prune

        prune(history, time.time_ns() - round(place.fleet.keep_runs * 1e9))


def watch(fleet: Path) -> int:
    """Run sweeps by their time tables until a signal; 0. Raises InputError as ``run``."""
    place = open_fleet(fleet)
    history = place.open_history()
    log = logging.getLogger("buswitness.sweep")
    try:
        with logging_plainly(), stopping() as stop:
            alerting = Alerting(place.fleet, history)
            cycle = Cycle(place, history, heard=alerting.heard, between=alerting.deliver, stop=stop.is_set)
            for sweep, why in cycle.troubles():
                log.warning("%s: the time table cannot be met: %s", sweep.name, why)
            following = cycle.next_start(place.fleet.sweeps)
            if following is not None:
                log.info(
                    "watching %d sweeps; next %s at %s",
                    len(place.fleet.sweeps),
                    following[0].name,
                    following[1].at,
                )
            cycle.watch()
            log.info("stopped")
    finally:
        history.close()
    return 0


def import_records(fleet: Path, records: Sequence[Path], *, as_json: bool) -> int:
    """Take records into the history; 0, or 4 if one of them cannot be read (the others are taken in)."""
    place = open_fleet(fleet)
    files = list(_files(records))
    history = place.open_history()
    keeper = Keeper(history)
    taken, known, refused = 0, 0, []
    try:
        for file in counted(files, "taking records in"):
            copy = place.records().incoming(f"import-{file.name[:80]}")
            shutil.copyfile(file, copy)
            try:
                _, _, kept = take_in(place, keeper, copy, where="")
            except (InputError, RecordError) as error:
                copy.unlink()
                refused.append((file, str(error)))
                continue
            taken, known = taken + kept.is_new, known + (not kept.is_new)
    finally:
        history.close()
    _tell_import(taken, known, refused, as_json=as_json)
    return 4 if refused else 0


def _files(records: Iterable[Path]) -> Iterator[Path]:
    for one in records:
        if one.is_dir():
            yield from sorted(one.rglob("*.audit.jsonl"))
        elif one.is_file():
            yield one
        else:
            raise InputError([Problem(file=one.as_posix(), what="there is no such file or folder")])


def _tell_import(taken: int, known: int, refused: list[tuple[Path, str]], *, as_json: bool) -> None:
    if as_json:
        data = {"taken": taken, "known": known, "refused": [{"file": str(f), "why": w} for f, w in refused]}
        emit_json({"format": "buswitness-sweep-import/1", **data})
        return
    for _, why in refused:
        sys.stderr.write(f"{why}\n")
    say(f"{taken} records taken in, {known} were there already, {len(refused)} cannot be read")


def _as_data(sweep: Sweep, outcome: Outcome) -> dict[str, object]:
    kept = outcome.kept
    return {
        "sweep": sweep.name,
        "state": outcome.state.value,
        "why": outcome.why,
        "exit_code": outcome.exit_code,
        "record": str(outcome.record) if outcome.record else None,
        "opened": [life.finding for life in kept.turn.opened] if kept else [],
        "closed": [life.finding for life in kept.turn.closed] if kept else [],
        "changes": [
            {"subject": c.fact.subject, "name": c.fact.name, "before": c.before, "after": c.after}
            for c in (kept.changes if kept else ())
        ],
    }


def _exit_code(outcomes: Iterable[Outcome]) -> int:
    """The worst of the runs: 3 incomplete or not done, 1 something fails, 0 all passes."""
    codes = {
        outcome.exit_code if outcome.state is SlotState.DONE and outcome.exit_code is not None else 3
        for outcome in outcomes
        if outcome.state is not SlotState.QUEUED  # an agent's answer comes later
    }
    return 3 if 3 in codes else max(codes, default=0)


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that a wish to stop sets."""
    stop = threading.Event()
    with stops_on_signals(stop.set):
        yield stop


@contextmanager
def logging_plainly() -> Iterator[None]:
    """Plain lines with UTC times on stderr, one an event, for people and for a journal."""
    handler = logging.StreamHandler(sys.stderr)
    formatter = logging.Formatter("%(asctime)sZ %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S")
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    log = logging.getLogger("buswitness")
    level = log.level
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.setLevel(level)


def rebuild_history(fleet: Path, *, as_json: bool) -> int:
    """Set the history aside and make it again from the records; 0, or 4 if a record cannot be read."""
    from probe.sweep.rebuild import rebuild

    made = rebuild(open_fleet(fleet), counted=lambda files: counted(files, "taking records in"))
    if as_json:
        refused = [{"file": str(file), "why": why} for file, why in made.refused]
        aside = [str(file) for file in made.aside]
        emit_json({"format": "buswitness-rebuild/1", "aside": aside, "taken": made.taken, "refused": refused})
    else:
        for file in made.aside:
            say(f"set aside: {file}")
        for _, why in made.refused:
            say(why, error=True)
        say(
            f"{made.taken} records taken in; accepted runs and booked starts are not in records: accept again"
        )
    return 4 if made.refused else 0


def schedule(fleet: Path, form: str, *, output: Path | None, as_json: bool) -> int:
    """Print the files for a time service, or write them into a folder; 0."""
    from probe.sweep.timers import FORMS

    place = open_fleet(fleet)
    command = (sys.executable, "-m", "probe", "sweep", "run", str(place.file.resolve()), "--due")
    files = FORMS[form](command, place.folder, place.file.stem)
    if output is not None:
        for one in files:
            (output / one.name).write_text(one.text, encoding="utf-16" if form == "windows" else "utf-8")
    if as_json:
        emit_json({"format": "buswitness-timers/1", "files": [one._asdict() for one in files]})
        return 0
    for one in files:
        say(f"# {one.name}: goes to {one.where}" + (f"; then: {one.use}" if one.use else ""))
        say(one.text)
    return 0
