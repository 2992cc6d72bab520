"""Centre: asks agents for the starts that fall due, and takes in what they deliver, each once.

A start is booked and its job deferred in one transaction: there are both or neither. What an agent delivers
is taken in by the code of its record, so that a repetition changes nothing. Times of runs are put right where
an agent's clock was wrong: the database's clock says when its job was handed out.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import delete, insert, select, update
from sqlalchemy.exc import DatabaseError, DataError, IntegrityError

from probe.history.agent_tables import agent, delivery, piece
from probe.history.digest import RunDigest
from probe.history.distil import distil_file
from probe.history.keep import Keeper
from probe.history.schema import slot as slot_table
from probe.history.slot_book import SlotState
from probe.history.store import History
from probe.model.errors import InputError, Problem, RecordError
from probe.model.fleet import Sweep
from probe.sweep import engine, parcel
from probe.sweep.engine import FORM, AskedJob, Job
from probe.sweep.place import FleetPlace
from probe.sweep.run import Outcome, lineup_named

LOG = logging.getLogger("buswitness.sweep")

CLOCK_WRONG_NS = 10 * 10**9  # less than that is the way of a job to its agent
REAP_S = 900.0  # a silent agent's run is given up so long after its budget
FORGET_DAYS = 30.0
FORGET_EVERY = timedelta(hours=6)
#: How a start can end at an agent.
_ENDS = frozenset(set(SlotState) - {SlotState.QUEUED, SlotState.RUNNING, SlotState.KNOWN})


class AgentSeen(NamedTuple):
    """An agent as the database saw it last. silent_s, clock_s: by the database's clock."""

    site: str
    version: str
    silent_s: float
    clock_s: float
    undelivered: int
    trouble: str


class Centre:
    """What the centre does for sweeps that agents make."""

    def __init__(self, place: FleetPlace, history: History) -> None:
        """Raises InputError if the packages for agents are not installed."""
        self.place = place
        self.history = history
        self._keeper = Keeper(history)
        self._by_name = {sweep.name: sweep for sweep in place.fleet.sweeps}
        self._forget_at = datetime.min.replace(tzinfo=UTC)
        self._refused: set[tuple[str, str, int]] = set()
        engine.prepare(history)

    def ask(self, sweep: Sweep, due_ns: int, *, form: int = FORM) -> bool:
        """Book the start and put its job into the agent's queue; False if it is booked already."""
        assert sweep.agent is not None
        lineup = lineup_named(self.place, sweep)
        row = {"sweep": sweep.name, "due_ns": due_ns, "state": SlotState.QUEUED, "place": sweep.agent}
        try:
            with self.history.writing() as connection:
                connection.execute(insert(slot_table), {"why": "", **row})
                engine.defer(
                    connection,
                    Job(sweep.agent, sweep.name, due_ns),
                    ".".join(lineup) if lineup else sweep.name,
                    form=form,
                )
        except IntegrityError:
            return False
        LOG.info("%s: asked of the agent of %s", sweep.name, sweep.agent)
        return True

    def tidy(self, now: datetime) -> list[tuple[Sweep | None, Outcome]]:
        """Call off jobs that waited too long, and give up those whose agent is gone; what became of them.

        now: by the centre's clock, as all starts are.
        """
        done: list[tuple[Sweep | None, Outcome]] = []
        with self.history.writing() as connection:
            waiting = engine.asked(connection)
            latest = {one.job.sweep: one.job.due_ns for one in waiting}
            for one in waiting:
                sweep = self._by_name.get(one.job.sweep)
                if one.status == "todo":
                    why = _too_late(one, sweep, latest, now)
                    state = SlotState.MISSED
                    over = bool(why) and engine.call_off(connection, one.id)
                else:
                    why = _gone(one, sweep)
                    state = SlotState.FAILED
                    over = bool(why)
                    if over:
                        engine.give_up(connection, one.id)
                if over:
                    LOG.warning("%s: %s", one.job.sweep, why)
                    _book(connection, one.job.sweep, one.job.due_ns, state, why=why)
                    done.append((sweep, Outcome(state, why)))
            if now >= self._forget_at:
                engine.forget(connection, FORGET_DAYS)
                self._forget_at = now + FORGET_EVERY
        return done

    def take_in(self) -> Iterator[tuple[Sweep | None, Outcome]]:
        """Take in what agents have delivered, the earliest start first."""
        wanted = (
            select(delivery)
            .where(delivery.c.taken.is_(False), delivery.c.trouble == "")
            .order_by(delivery.c.due_ns, delivery.c.site, delivery.c.sweep)
        )
        with self.history.reading() as connection:
            rows = connection.execute(wanted).all()
        for row in rows:
            if row.form <= FORM:
                yield self._by_name.get(row.sweep), self._take_or_tell(row)
            elif (key := (row.site, row.sweep, row.due_ns)) not in self._refused:
                self._refused.add(key)
                LOG.warning(
                    "%s: delivered by a newer agent (form %d, here up to %d); kept for a newer centre",
                    row.sweep,
                    row.form,
                    FORM,
                )

    def _take_or_tell(self, row: Any) -> Outcome:
        """One delivery; what nobody foresaw in it is its trouble and stops no other. Raises DatabaseError."""
        try:
            return self._take(row)
        except Exception as error:
            if isinstance(error, DatabaseError) and not isinstance(error, DataError | IntegrityError):
                raise  # the database's own trouble: it comes back, and the delivery waits
            LOG.exception("%s: its delivery cannot be taken in", ascii(row.sweep)[:80])
            why = f"a fault of ours: {type(error).__name__}: {error}"
            self._mark(row, ascii(why)[1:500])
            return Outcome(SlotState.FAILED, why[:500])

    def _take(self, row: Any) -> Outcome:
        """One delivery: record to the store, run to the history, start booked; then its pieces may go.

        It comes from elsewhere: only a start that was asked of this very site counts.
        """
        if not self._was_asked(row):
            why = f"{row.site} delivered a start that was not asked of it"
            LOG.error("%s (%s)", why, ascii(row.sweep)[:80])
            self._mark(row, why)
            return Outcome(SlotState.FAILED, why)
        if row.state not in _ENDS:
            why = f"{row.site} delivered a start that is {ascii(row.state)[:40]}, which is no end of one"
            LOG.error("%s: %s", row.sweep, why)
            self._close(row, Outcome(SlotState.FAILED, why), {}, trouble=why)
            return Outcome(SlotState.FAILED, why)
        outcome = Outcome(SlotState(row.state), row.why[:500], row.exit_code)
        times: dict[str, Any] = {}
        if row.sha256:
            file = self.place.records().incoming(f"{row.site}-{row.sweep}-{row.due_ns}")
            try:
                parcel.unpack(self._pieces(row), row.sha256, file)
                outcome, times = self._keep(row, file, outcome)
            except (InputError, RecordError) as error:
                file.unlink(missing_ok=True)
                LOG.error("%s: its record cannot be taken in: %s", row.sweep, error)
                outcome = Outcome(
                    SlotState.FAILED, f"its record cannot be read: {error}"[:500], row.exit_code
                )
                self._close(row, outcome, {}, trouble=str(error)[:500])
                return outcome
        self._close(row, outcome, times)
        said = f"{outcome.state.value}{': ' + outcome.why if outcome.why else ''}"
        level = logging.INFO if outcome.state is SlotState.DONE else logging.WARNING
        LOG.log(level, "%s: %s, delivered from %s", row.sweep, said, row.site)
        return outcome

    def _keep(self, row: Any, file: Path, outcome: Outcome) -> tuple[Outcome, dict[str, Any]]:
        digest = distil_file(file, place=row.site)
        sweep = self._by_name.get(row.sweep)
        named = lineup_named(self.place, sweep) if sweep else None
        if named is not None and named != (digest.site, digest.lineup):
            raise RecordError(_foreign(file, named, digest))
        shift_ns = self._shift_ns(row)
        if shift_ns:
            LOG.warning(
                "%s: the clock of %s is wrong by %+.0f s; its run is put where the database's clock saw it",
                row.sweep,
                row.site,
                -shift_ns / 1e9,
            )
        digest = replace(
            digest, started_ns=digest.started_ns + shift_ns, finished_ns=digest.finished_ns + shift_ns
        )
        kept = self._keeper.keep(digest)
        path = self.place.records().put(
            file, site=digest.site, lineup=digest.lineup, started_ns=digest.started_ns, code=digest.code
        )
        times = {"started_ns": digest.started_ns, "finished_ns": digest.finished_ns}
        return outcome._replace(record=path, digest=digest, kept=kept), times

    def _shift_ns(self, row: Any) -> int:
        """What has to be added to the agent's times, 0 if its clock was right."""
        with self.history.reading() as connection:
            handed_ns = engine.begun_ns(connection, row.job_id)
        shift_ns = -row.offset_ns if handed_ns is None else handed_ns - row.begun_ns
        return int(shift_ns) if abs(shift_ns) > CLOCK_WRONG_NS else 0

    def _pieces(self, row: Any) -> Iterator[bytes]:
        whose = (piece.c.site == row.site) & (piece.c.sha256 == row.sha256)
        for number in range(row.pieces):
            with self.history.reading() as connection:
                data = connection.execute(
                    select(piece.c.data).where(whose, piece.c.number == number)
                ).scalar()
            yield bytes(data or b"")

    def _close(self, row: Any, outcome: Outcome, times: Mapping[str, Any], *, trouble: str = "") -> None:
        """Book the start and mark the delivery as taken. Pieces of a record that is not whole are kept."""
        with self.history.writing() as connection:
            _book(
                connection,
                row.sweep,
                row.due_ns,
                outcome.state,
                why=outcome.why,
                exit_code=outcome.exit_code,
                code=outcome.digest.code if outcome.digest else "",
                **times,
            )
            connection.execute(update(delivery).where(_same(row)).values(taken=not trouble, trouble=trouble))
            if not trouble:
                connection.execute(
                    delete(piece).where(piece.c.site == row.site, piece.c.sha256 == row.sha256)
                )

    def _was_asked(self, row: Any) -> bool:
        wanted = select(slot_table.c.place).where(
            slot_table.c.sweep == row.sweep, slot_table.c.due_ns == row.due_ns
        )
        with self.history.reading() as connection:
            return bool(connection.execute(wanted).scalar() == row.site)

    def _mark(self, row: Any, trouble: str) -> None:
        with self.history.writing() as connection:
            connection.execute(update(delivery).where(_same(row)).values(trouble=trouble))

    def agents(self) -> tuple[AgentSeen, ...]:
        """Every agent that ever told of itself."""
        with self.history.reading() as connection:
            rows = connection.execute(select(agent).order_by(agent.c.site)).all()
            at_ns = engine.now_ns(connection)
        return tuple(
            AgentSeen(
                row.site,
                row.version,
                (at_ns - row.seen_ns) / 1e9,
                row.offset_ns / 1e9,
                row.waiting,
                row.trouble,
            )
            for row in rows
        )

    def asked(self) -> list[AskedJob]:
        """Jobs that wait or are being done."""
        with self.history.reading() as connection:
            return engine.asked(connection)


def _too_late(one: AskedJob, sweep: Sweep | None, latest: Mapping[str, int], now: datetime) -> str:
    """Why a waiting job is not wanted any more; empty if it is."""
    if sweep is None or sweep.agent != one.job.site:
        return "the fleet has no such sweep for this agent any more"
    if latest[one.job.sweep] > one.job.due_ns:
        return f"the agent of {one.job.site} did not come for it before a later start was due as well"
    if now.timestamp() - one.job.due_ns / 1e9 > max(sweep.catch_up, 60.0):
        return f"the agent of {one.job.site} did not come for it in time"
    return ""


def _gone(one: AskedJob, sweep: Sweep | None) -> str:
    """Why a job that is being done is given up; empty while its agent is heard or may still be at it."""
    budget_s = sweep.budget if sweep else 0.0
    if (one.silent_s or 0.0) < engine.LOST_S or (one.started_s or 0.0) < budget_s + REAP_S:
        return ""
    return f"the agent of {one.job.site} took it and was not heard of since"


def _same(row: Any) -> Any:
    return (delivery.c.site == row.site) & (delivery.c.sweep == row.sweep) & (delivery.c.due_ns == row.due_ns)


def _foreign(file: Path, named: tuple[str, str], digest: RunDigest) -> Problem:
    return Problem(
        file=file.name,
        what="a delivered record is of another lineup",
        found=f"{digest.site} / {digest.lineup}",
        allowed=" / ".join(named),
        remedy="give the sweep the same map at the centre and at its site",
    )


def _book(connection: Any, sweep: str, due_ns: int, state: SlotState, **facts: Any) -> None:
    mine = (slot_table.c.sweep == sweep) & (slot_table.c.due_ns == due_ns)
    connection.execute(update(slot_table).where(mine).values(state=state, **facts))
