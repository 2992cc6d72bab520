"""Starts that run on this computer: in a journal before gear is touched, until the history has their record.

A run's record stays in the folder of incoming ones until the history and the book of starts hold what it
says; only then it goes to the kept ones. So a history that is away, or a kill at any moment, costs nothing:
the next run (or the next look of ``watch``) takes in what is left, once.
"""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeVar

from filelock import FileLock, Timeout
from sqlalchemy.exc import DatabaseError, DBAPIError, InterfaceError, OperationalError

from probe.history.keep import Keeper
from probe.history.slot_book import SlotState
from probe.model.errors import InputError, RecordError
from probe.model.fleet import Sweep
from probe.sweep.journal import BEGUN, OVER, Entry, Journal
from probe.sweep.place import FleetPlace
from probe.sweep.records import INCOMING
from probe.sweep.run import Outcome, audit_to, digest_of, is_free, put_away, state_of, state_of_left
from probe.sweep.whole_file import put

LOG = logging.getLogger("buswitness.sweep")

WAIT_S = 60.0  # so long a command waits in all for a history that is away
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 15.0
QUIET_S = 86_400.0
_WITH_RECORD = (SlotState.DONE.value, SlotState.STOPPED.value)  # no start ends so without one
DIED = "its process died during the run; what was recorded until then is kept"

_Made = TypeVar("_Made")
Booked = Callable[[Outcome], object]


class Patience:
    """How long one command waits, in all, for a history that is away. total_s: ``WAIT_S`` without it."""

    def __init__(self, total_s: float | None = None, *, stop: Callable[[], bool] = lambda: False) -> None:
        self._left_s = WAIT_S if total_s is None else total_s
        self._stop = stop

    def with_history(self, work: Callable[[], _Made]) -> _Made:
        """What the work gives; tried again, with pauses that double, while the history is away.

        Raises sqlalchemy.exc.DatabaseError when patience is at its end, or the trouble is another one.
        """
        pause_s = FIRST_PAUSE_S
        while True:
            try:
                return work()
            except DatabaseError as error:
                if not is_away(error) or self._left_s <= 0 or self._stop():
                    raise
                LOG.warning("the history is away (%s); tried again for %.0f s", said_by(error), self._left_s)
            self._pause(min(pause_s, self._left_s))
            self._left_s -= pause_s
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _pause(self, seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while (left_s := end_s - time.monotonic()) > 0 and not self._stop():
            time.sleep(min(left_s, 0.25))


def is_away(error: DatabaseError) -> bool:
    """True if the database may well answer later: not reachable, busy, its disk full."""
    lost = isinstance(error, DBAPIError) and error.connection_invalidated
    return lost or isinstance(error, OperationalError | InterfaceError)


def said_by(error: DatabaseError) -> str:
    """What the database said, on one line."""
    return " ".join(str(error.orig or error).split())[:300]


def run_sweep(  # noqa: PLR0913 (each may be left out)
    place: FleetPlace,
    sweep: Sweep,
    keeper: Keeper,
    *,
    due_ns: int | None = None,
    where: str = "",
    stop: Callable[[], bool] = lambda: False,
    booked: Booked = lambda outcome: None,
    patience: Patience | None = None,
) -> Outcome:
    """Run the sweep now, its record kept, the history written.

    due_ns: names the start. where: who runs it, for the history. stop: asked twice a second; True ends the
    run. booked: called once the history has the run, before the record goes to the kept ones.
    A map that cannot be read, a lineup that is busy, an audit that fails and a history that is away are
    outcomes, not exceptions.
    """
    journal = journal_of(place)
    entry = Entry(sweep.name, due_ns if due_ns is not None else time.time_ns(), 0, time.time_ns())
    with _held(journal, entry):
        journal.write(entry)
        record = journal.record(entry)
        ran = audit_to(place, sweep, record, stop=stop)
        state, why = state_of(ran, has_record=record.exists())
        over = entry._replace(stage=OVER, state=state.value, why=why, exit_code=ran.code)
        journal.write(over)
        try:
            return _settle(place, journal, over, keeper, where, booked, patience or Patience(stop=stop))
        except DatabaseError as error:
            return waiting_for(error, over.exit_code, record if record.exists() else None)


def waiting_for(error: DatabaseError, exit_code: int | None = None, record: Path | None = None) -> Outcome:
    """The outcome of a start whose result the history has not taken yet."""
    kept = "; its record is kept, and taken in by the next run" if record else ""
    why = f"the history cannot be used ({said_by(error)}){kept}"
    return Outcome(SlotState.FAILED, why, exit_code, record, waits=True)


def take_left(
    place: FleetPlace,
    keeper: Keeper,
    *,
    where: str = "",
    booked: Callable[[Entry, Outcome], object] = lambda entry, outcome: None,
) -> Iterator[tuple[Entry, Outcome]]:
    """Take in what earlier runs of this computer left: their process died, or the history was away.

    Raises sqlalchemy.exc.DatabaseError if it still is; what is left then stays as it is.
    """
    if not (place.records().folder / INCOMING).is_dir():
        return
    journal = journal_of(place)
    for entry in journal.entries():
        with suppress(Timeout), _held(journal, entry):  # held: a run that goes on
            left = _over(place, journal, entry)
            if left is None:
                continue
            if left.state in _WITH_RECORD and not journal.record(left).exists():
                journal.drop(left)  # all was done but this
                continue

            def book(outcome: Outcome, of: Entry = left) -> None:
                booked(of, outcome)

            yield left, _settle(place, journal, left, keeper, where, book, Patience(0.0))


def journal_of(place: FleetPlace) -> Journal:
    """The journal of the starts that run here; their records lie beside their entries."""
    return Journal(place.records().folder / INCOMING)


def _over(place: FleetPlace, journal: Journal, entry: Entry) -> Entry | None:
    """The entry as a start that is over; None if it is settled, or its audit still works."""
    now = journal.find(entry.sweep, entry.due_ns)
    if now is None or now.stage != BEGUN:
        return now
    record = journal.record(now)
    sweep = next((one for one in place.fleet.sweeps if one.name == entry.sweep), None)
    if not (is_free(place, sweep) if sweep else _is_quiet(record)):
        return None
    state, why = state_of_left(record, DIED)
    LOG.warning("%s: its process died: %s", now.sweep, why or "its record is whole")
    return journal.write(now._replace(stage=OVER, state=state.value, why=why))


def _is_quiet(record: Path) -> bool:
    """True if nobody writes the record any more: of a sweep that is gone from the fleet, no lock is known."""
    return not record.exists() or time.time() - record.stat().st_mtime > QUIET_S


def _settle(  # noqa: PLR0913, PLR0917
    place: FleetPlace,
    journal: Journal,
    entry: Entry,
    keeper: Keeper,
    where: str,
    booked: Booked,
    patience: Patience,
) -> Outcome:
    """The history has the run, then the folder its record, then the journal forgets it. Each may be repeated.

    Raises sqlalchemy.exc.DatabaseError if the history does not take it; then nothing has changed here.
    """
    record = journal.record(entry)
    outcome = Outcome(SlotState(entry.state), entry.why, entry.exit_code)
    if record.exists():
        try:
            digest = digest_of(record, where or socket.gethostname())
            kept = patience.with_history(lambda: keeper.keep(digest))
            outcome = outcome._replace(digest=digest, kept=kept)
        except (InputError, RecordError) as error:
            aside = record.with_name(record.name + ".unreadable")
            put(record, aside)  # it is evidence all the same
            outcome = Outcome(SlotState.FAILED, _unreadable(error), entry.exit_code, aside)
    patience.with_history(lambda: booked(outcome))
    if outcome.digest is not None:
        outcome = outcome._replace(record=put_away(place, record, outcome.digest))
    journal.drop(entry)
    return outcome


def _unreadable(error: InputError | RecordError) -> str:
    return f"its record cannot be read: {' '.join(str(error).split())}"[:500]


@contextmanager
def _held(journal: Journal, entry: Entry) -> Iterator[None]:
    """This process alone works on the entry. Raises filelock.Timeout if another one does."""
    path = journal.folder / f"{entry.name}.lock"
    with FileLock(path, timeout=0):
        try:
            yield
        finally:
            if journal.find(entry.sweep, entry.due_ns) is None:
                with suppress(OSError):  # Windows: not while it is open; it goes with the lock
                    path.unlink(missing_ok=True)
