"""Cycle: starts what is due, books every start, and lets nothing run twice.

``run_due`` looks once and runs what is due, one after the other (for a timer of the system); ``watch`` goes
on until it is stopped and runs several lineups at a time.
"""

from __future__ import annotations

import itertools
import logging
import socket
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from typing import NamedTuple

from sqlalchemy.exc import DatabaseError

from probe.history import slot_book
from probe.history.keep import Keeper
from probe.history.slot_book import SlotState
from probe.history.store import History
from probe.model.fleet import Sweep
from probe.model.slots import Slot, due_now, first_start, next_slot, trouble_with
from probe.sweep.agent import need_database
from probe.sweep.centre import Centre
from probe.sweep.place import FleetPlace
from probe.sweep.run import Outcome
from probe.sweep.starts import Patience, run_sweep, said_by, take_left, waiting_for

LOG = logging.getLogger("buswitness.sweep")

AT_ONCE = 4  # lineups that are swept at the same time
LOOK_S = 5.0

Heard = Callable[[Sweep, Outcome], object]


class _Begun(NamedTuple):
    """A start that was given to the pool, and its run."""

    due_ns: int
    run: Future[Outcome]


def nothing(sweep: Sweep, outcome: Outcome) -> None:
    """A listener that does nothing."""


class Cycle:
    """The sweeps of a fleet that run here, with their history."""

    def __init__(
        self,
        place: FleetPlace,
        history: History,
        *,
        heard: Heard = nothing,
        between: Callable[[], object] = lambda: None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        """heard: told of every run that ended. between: called between two looks of ``watch``.

        now: for tests of the calendar. stop: ends runs early. Raises InputError if the fleet has agents and
        its history is none that they can reach.
        """
        self.place = place
        self.history = history
        self._heard = heard
        self._between = between
        self._now = now
        self._stop = stop
        self._patience = Patience(
            stop=stop
        )  # of a command that runs all after another; each run of watch has its own
        self._where = socket.gethostname()
        self._not_before: dict[str, datetime] = {}  # thousands of sweeps are not all looked up at every look
        self._centre: Centre | None = None
        if any(sweep.agent for sweep in place.fleet.sweeps):
            need_database(place)
            self._centre = Centre(place, history)

    def sweeps(self) -> tuple[Sweep, ...]:
        """Those without an agent of their own."""
        return tuple(sweep for sweep in self.place.fleet.sweeps if sweep.agent is None)

    def troubles(self) -> list[tuple[Sweep, str]]:
        """Sweeps whose time table cannot be met, with the reason."""
        now, fleet = self._now(), self.place.fleet
        told = ((sweep, trouble_with(sweep, fleet.zone_of(sweep), now)) for sweep in fleet.sweeps)
        return [(sweep, why) for sweep, why in told if why]

    def run_now(self, sweep: Sweep) -> Outcome:
        """Run it whatever the time table says; one with an agent is asked of that."""
        due_ns = _ns(self._now())
        if sweep.agent is None:
            return self._run(sweep, due_ns, self._patience)
        assert self._centre is not None
        self._centre.ask(sweep, due_ns)
        return Outcome(SlotState.QUEUED, f"asked of the agent of {sweep.agent}")

    def run_due(self) -> list[tuple[Sweep, Outcome]]:
        """Run what is due, one after the other, and take in what agents have delivered."""
        done = self.serve_agents()
        for sweep in self.sweeps():
            try:
                slot = self._patience.with_history(partial(self.due, sweep))
            except DatabaseError as error:
                done.append((sweep, self._waits(sweep, waiting_for(error))))
                continue
            if slot is not None and not self._stop():
                done.append((sweep, self._run(sweep, _ns(slot.due), self._patience)))
        return done

    def take_left(self) -> list[tuple[Sweep, Outcome]]:
        """Take in what earlier runs left because they died, or because the history was away.

        Raises sqlalchemy.exc.DatabaseError if it still is.
        """
        by_name = {sweep.name: sweep for sweep in self.place.fleet.sweeps}
        done = []
        left = take_left(
            self.place,
            Keeper(self.history),
            where=self._where,
            booked=lambda entry, outcome: self._book(entry.sweep, entry.due_ns, outcome),
        )
        for entry, outcome in left:
            LOG.info("%s: what was left of the start of %s is taken in", entry.sweep, _at(entry.due_ns))
            if sweep := by_name.get(entry.sweep):
                done.append((sweep, outcome))
                self._tell(sweep, outcome)
        return done

    def serve_agents(self) -> list[tuple[Sweep, Outcome]]:
        """Ask agents for what is due, take in what they have delivered."""
        if self._centre is None:
            return []
        now = self._now()
        for sweep in self.place.fleet.sweeps:
            if sweep.agent and now >= self._not_before.get(sweep.name, now):
                if slot := self.due(sweep):
                    self._centre.ask(sweep, _ns(slot.due))
                self._not_before[sweep.name] = first_start(sweep, self.place.fleet.zone_of(sweep), now)
        done = []
        for known, outcome in (*self._centre.take_in(), *self._centre.tidy(self._now())):
            if known is not None:
                done.append((known, outcome))
                self._tell(known, outcome)
        return done

    def due(self, sweep: Sweep) -> Slot | None:
        """The start that is due now; starts that were missed are booked."""
        done_ns = slot_book.done_until_ns(self.history, sweep.name)
        now = self._now()
        if not done_ns:
            slot_book.note(self.history, sweep.name, _ns(now), SlotState.KNOWN, "", place=self._where)
            return None
        zone = self.place.fleet.zone_of(sweep)
        due = due_now(sweep, zone, datetime.fromtimestamp(done_ns / 1e9, UTC), now)
        for slot, why in due.missed:
            LOG.warning("%s: the start of %s was missed: %s", sweep.name, _text(slot.due), why)
            slot_book.note(self.history, sweep.name, _ns(slot.due), SlotState.MISSED, why, place=self._where)
        return due.slot

    def next_start(self, sweeps: Iterable[Sweep]) -> tuple[Sweep, Slot] | None:
        """The next start of any of them."""
        now = self._now()
        nexts = [(s, slot) for s in sweeps if (slot := next_slot(s, self.place.fleet.zone_of(s), now))]
        return min(nexts, key=lambda pair: pair[1].at, default=None)

    def watch(self) -> None:
        """Run what falls due until ``stop`` says so; runs that are on their way are stopped then."""
        running: dict[str, _Begun] = {}
        troubled = False
        with ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="sweep") as pool:
            while not self._stop():
                try:
                    for sweep in self.sweeps():
                        self._look(sweep, running, pool)
                    self.serve_agents()
                    self.take_left()
                    self._between()
                    troubled = False
                except DatabaseError as error:  # it comes back, and nothing is lost until then
                    if not troubled:
                        LOG.warning("the history cannot be used: %s", said_by(error))
                    troubled = True
                self._pause()

    def _look(self, sweep: Sweep, running: dict[str, _Begun], pool: ThreadPoolExecutor) -> None:
        slot = self.due(sweep)
        if slot is None:
            return
        before = running.get(sweep.name)
        if before is not None and not before.run.done():
            if before.due_ns == _ns(slot.due):
                return  # given to the pool, which has not come to book it yet
            why = "the run before had not ended"
            LOG.warning("%s: the start of %s is skipped: %s", sweep.name, _text(slot.due), why)
            slot_book.note(self.history, sweep.name, _ns(slot.due), SlotState.SKIPPED, why, place=self._where)
            return
        running[sweep.name] = _Begun(_ns(slot.due), pool.submit(self._run, sweep, _ns(slot.due)))

    def _pause(self) -> None:
        end = time.monotonic() + LOOK_S
        while time.monotonic() < end and not self._stop():
            time.sleep(0.25)

    def _run(self, sweep: Sweep, due_ns: int, patience: Patience | None = None) -> Outcome:
        patience = patience or Patience(stop=self._stop)
        try:
            if not self._begin(sweep, due_ns, patience):
                return Outcome(SlotState.SKIPPED, "somebody else has this start")
        except DatabaseError as error:
            return self._waits(sweep, waiting_for(error))
        LOG.info("%s: begins", sweep.name)
        is_booked = False

        def book(outcome: Outcome) -> None:
            nonlocal is_booked
            self._book(sweep.name, due_ns, outcome)
            is_booked = True

        try:
            outcome = run_sweep(
                self.place,
                sweep,
                Keeper(self.history),
                due_ns=due_ns,
                where=self._where,
                stop=self._stop,
                booked=book,
                patience=patience,
            )
        except Exception as error:
            LOG.exception("%s: a fault of ours", sweep.name)
            outcome = Outcome(SlotState.FAILED, f"a fault of ours: {error!r}"[:500])
        if not (is_booked or outcome.waits):
            ended = outcome
            try:
                patience.with_history(lambda: book(ended))
            except DatabaseError as error:
                outcome = waiting_for(error, outcome.exit_code)
        if outcome.waits:
            return self._waits(sweep, outcome)
        self._tell(sweep, outcome)
        return outcome

    def _begin(self, sweep: Sweep, due_ns: int, patience: Patience) -> bool:
        began_ns, tries = _ns(self._now()), itertools.count()

        def begin() -> bool:
            where, again = self._where, next(tries) > 0
            return slot_book.begin(
                self.history, sweep.name, due_ns, place=where, now_ns=began_ns, again=again
            )

        return patience.with_history(begin)

    @staticmethod
    def _waits(sweep: Sweep, outcome: Outcome) -> Outcome:
        LOG.error("%s: %s", sweep.name, outcome.why)
        return outcome

    def _tell(self, sweep: Sweep, outcome: Outcome) -> None:
        try:
            self._heard(sweep, outcome)
        except DatabaseError as error:
            LOG.warning("%s: its alerts wait: the history cannot be used: %s", sweep.name, said_by(error))
        except Exception:
            LOG.exception("%s: its alerts could not be brought forward", sweep.name)

    def _book(self, sweep: str, due_ns: int, outcome: Outcome) -> None:
        for one in slot_book.abandoned(self.history, sweep, self._where):
            if one.due_ns < due_ns:  # that we could run shows that nobody holds the lineup
                slot_book.end(self.history, sweep, one.due_ns, SlotState.FAILED, why="its process died")
        slot_book.end(
            self.history,
            sweep,
            due_ns,
            outcome.state,
            why=outcome.why,
            finished_ns=_ns(self._now()),
            exit_code=outcome.exit_code,
            code=outcome.digest.code if outcome.digest else "",
        )
        said = f"{outcome.state.value}{': ' + outcome.why if outcome.why else ''}"
        level = logging.INFO if outcome.state is SlotState.DONE else logging.WARNING
        LOG.log(level, "%s: %s", sweep, said)


def _ns(moment: datetime) -> int:
    return round(moment.timestamp() * 1e9)


def _at(due_ns: int) -> str:
    return _text(datetime.fromtimestamp(due_ns / 1e9, UTC))


def _text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%MZ")
