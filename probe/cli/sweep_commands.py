"""The sweep commands: run, watch, import."""

from __future__ import annotations

import logging
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy.exc import DatabaseError

from probe.cli import sweep_summary
from probe.cli.audit_run import stops_on_signals
from probe.history.keep import Keeper
from probe.history.store import History
from probe.model.errors import InputError, Problem, RecordError
from probe.model.fleet import Sweep
from probe.present.console import emit_json, say
from probe.present.counting import counted
from probe.sweep.alerts.deliver import Alerting
from probe.sweep.cycle import Cycle
from probe.sweep.delivery import delivering
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.records import Delivery, RecordStore
from probe.sweep.run import Outcome, take_in
from probe.sweep.starts import said_by

LOG = logging.getLogger("buswitness.sweep")
SWEEP_FORMAT = "buswitness-sweep/1"

_Made = TypeVar("_Made")


def run(fleet: Path, *, names: Sequence[str], due: bool, as_json: bool) -> int:
    """Run sweeps now, or those that are due; the worst of their exit codes, 3 if the history went away.

    Raises InputError for a wrong fleet file, an unknown name, a history that cannot be used, or a store that
    nothing here could sign requests to.
    """
    place = open_fleet(fleet)
    chosen = [place.sweep(name) for name in names]
    records = place.records()
    records.ensure_ready()
    history = place.open_history()
    try:
        with logging_plainly(), stopping() as stop:
            done, is_away = _run(place, history, chosen, due=due, stop=stop)
            delivery = _deliver(records)
        lives = sweep_summary.lives_of(history, done)
    finally:
        history.close()
    if as_json:
        pairs = zip(done, lives, strict=True)
        sweeps = [sweep_summary.as_data(*one, open_, records) for one, open_ in pairs]
        waits = {"waiting": delivery.waiting, "trouble": delivery.trouble}
        emit_json({"format": SWEEP_FORMAT, "sweeps": sweeps, "store": waits})
    elif done or not due:  # a timer that found nothing due writes no mail
        sweep_summary.show(fleet, done, lives, delivery, stopped=stop.is_set())
    return 3 if stop.is_set() or is_away else sweep_summary.exit_code(done)


def _run(
    place: FleetPlace, history: History, chosen: Sequence[Sweep], *, due: bool, stop: threading.Event
) -> tuple[list[tuple[Sweep, Outcome]], bool]:
    """What became of each sweep, and whether something here waits for a history that is away."""
    alerting = Alerting(place.fleet, history)
    cycle = Cycle(place, history, heard=alerting.heard, stop=stop.is_set)
    left = _unless_away(cycle.take_left) or []
    _unless_away(alerting.deliver)
    done: list[tuple[Sweep, Outcome]] = []
    is_away = False
    if due:
        found = _unless_away(cycle.run_due)
        done, is_away = found or [], found is None
    else:
        for one in chosen or cycle.sweeps():
            if not stop.is_set():
                done.append((one, cycle.run_now(one)))
    if any(outcome.waits for _, outcome in done):  # it may be back by now
        late = {sweep.name: outcome for sweep, outcome in _unless_away(cycle.take_left) or []}
        done = [(one, late.get(one.name, outcome) if outcome.waits else outcome) for one, outcome in done]
    _unless_away(lambda: _prune(place, history))
    return [*left, *done], is_away


def _unless_away(work: Callable[[], _Made]) -> _Made | None:
    """What the work gives; None, told in the log, if the history cannot be used."""
    try:
        return work()
    except DatabaseError as error:
        LOG.error("the history cannot be used: %s", said_by(error))
        return None


def _deliver(records: RecordStore) -> Delivery:
    """Send what waits for the store; what could not be sent is told, and safe where it is."""
    delivery = records.deliver()
    if delivery.sent:
        LOG.info("%d records sent to the store", delivery.sent)
    if delivery.trouble:
        LOG.warning(sweep_summary.waiting_words(delivery))
    return delivery


def _prune(place: FleetPlace, history: History) -> None:
    """Let runs that are older than the fleet says leave the history."""
    if place.fleet.keep_runs is not None:
        from probe.history.retention import prune

        prune(history, time.time_ns() - round(place.fleet.keep_runs * 1e9))


def watch(fleet: Path) -> int:
    """Run sweeps by their time tables until a signal; 0. Raises InputError as ``run``."""
    place = open_fleet(fleet)
    records = place.records()
    records.ensure_ready()
    history = place.open_history()
    try:
        with logging_plainly(), stopping() as stop, delivering(records, stop):
            alerting = Alerting(place.fleet, history)
            cycle = Cycle(place, history, heard=alerting.heard, between=alerting.deliver, stop=stop.is_set)
            for sweep, why in cycle.troubles():
                LOG.warning("%s: the time table cannot be met: %s", sweep.name, why)
            following = cycle.next_start(place.fleet.sweeps)
            if following is not None:
                LOG.info(
                    "watching %d sweeps; next %s at %s",
                    len(place.fleet.sweeps),
                    following[0].name,
                    following[1].at,
                )
            cycle.watch()
            LOG.info("stopped")
    finally:
        history.close()
    return 0


def import_records(fleet: Path, records: Sequence[Path], *, as_json: bool) -> int:
    """Take records into the history; 0, or 4 if one of them cannot be read (the others are taken in)."""
    place = open_fleet(fleet)
    files = list(_files(records))
    place.records().ensure_ready()
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
                refused.append((file, str(error)))
                continue
            except DatabaseError as error:
                raise InputError([_away(place, error)]) from error
            finally:
                copy.unlink(missing_ok=True)
            taken, known = taken + kept.is_new, known + (not kept.is_new)
    finally:
        history.close()
    delivery = place.records().deliver()
    _tell_import(taken, known, refused, delivery, as_json=as_json)
    return 4 if refused else 0


def _away(place: FleetPlace, error: DatabaseError) -> Problem:
    return Problem(
        file=place.history_name,
        what="the history cannot be used",
        field="history",
        found=said_by(error),
        remedy="import the same records again when it can: those that were taken in change nothing",
    )


def _files(records: Iterable[Path]) -> Iterator[Path]:
    for one in records:
        if one.is_dir():
            yield from sorted(one.rglob("*.audit.jsonl"))
        elif one.is_file():
            yield one
        else:
            raise InputError([Problem(file=one.as_posix(), what="there is no such file or folder")])


def _tell_import(
    taken: int, known: int, refused: list[tuple[Path, str]], delivery: Delivery, *, as_json: bool
) -> None:
    if as_json:
        data: dict[str, Any] = {
            "taken": taken,
            "known": known,
            "refused": [{"file": str(f), "why": w} for f, w in refused],
        }
        data["store"] = {"waiting": delivery.waiting, "trouble": delivery.trouble}
        emit_json({"format": "buswitness-sweep-import/1", **data})
        return
    for _, why in refused:
        sys.stderr.write(f"{why}\n")
    say(f"{taken} records taken in, {known} were there already, {len(refused)} cannot be read")
    if delivery.waiting:
        say(sweep_summary.waiting_words(delivery), error=True)


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
