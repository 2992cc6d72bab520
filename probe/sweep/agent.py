"""Agent: makes the runs of one site, where the gear is, for a centre that asks through the database.

A start is written into the agent's journal before gear is touched and stays there until the database has its
result: a lost link delays, it loses and doubles nothing. A run goes on whatever becomes of the link, and its
audit whatever becomes of the agent. The time tables are the centre's: the agent's clock decides nothing.
"""

from __future__ import annotations

import asyncio
import logging
import math
import random
import re
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

from filelock import FileLock, Timeout

from probe import __version__
from probe.history.distil import distil_file
from probe.history.slot_book import SlotState
from probe.model.errors import InputError, Problem, RecordError
from probe.model.fleet import Sweep
from probe.sweep import parcel
from probe.sweep.engine import FORM, LOST_S, NewerForm
from probe.sweep.journal import BEGUN, DELIVERED, OVER, Entry, Journal
from probe.sweep.link import Link, LinkLost, open_link
from probe.sweep.place import FleetPlace
from probe.sweep.run import audit_to, is_free, state_of, state_of_left

LOG = logging.getLogger("buswitness.sweep")

AT_ONCE = 4  # lineups of the site that are swept at the same time
LONGEST_PAUSE_S = 30.0
LAST_S = 10.0
LATE_S = 30.0  # by then the engine has ended a job by itself
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
DIED = "the agent died during the run; what was recorded until then is kept"


class Agent:
    """The agent of a site."""

    def __init__(
        self, place: FleetPlace, site: str, *, stop: Callable[[], bool], refused_s: float = 600.0
    ) -> None:
        """stop: True ends the agent, its runs sealed. refused_s: a job of a newer centre waits so long.

        Raises InputError if the fleet has no sweep for this site, or no database that agents could use.
        """
        self.place = place
        self.site = site
        self._sweeps = {one.name: one for one in place.fleet.sweeps if one.agent == site}
        _check(place, site, self._sweeps)
        self.journal = Journal(place.folder / ".agent" / site)
        self._stop = stop
        self._refused_s = refused_s
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="sweep")
        self._over_at: dict[str, float] = {}
        self._offset_ns = 0
        self._trouble = ""
        self._left: set[asyncio.Task[None]] = set()  # workers of lost links, whose runs are not over yet

    def run(self) -> None:
        """Work until ``stop`` says so. Raises InputError if this installation's agent runs already."""
        try:
            with FileLock(self.journal.folder / "agent.lock", timeout=0):
                # Psycopg needs a loop that watches plain sockets; that of Windows does not by default.
                factory = asyncio.SelectorEventLoop if sys.platform == "win32" else None
                with asyncio.Runner(loop_factory=factory) as runner:
                    runner.run(self._serve())
        except Timeout:
            raise InputError(
                [
                    Problem(
                        file=self.place.file.as_posix(),
                        what=f"an agent of {self.site} runs here already",
                        remedy="stop that one, or leave it be: one agent a site is enough",
                    )
                ]
            ) from None

    async def _serve(self) -> None:
        for entry in self.journal.entries():
            if entry.stage == BEGUN:
                self._take_up(entry)
        told, pause_s = "", 1.0
        while not self._stop():
            try:
                async with open_link(
                    self.place.history_name, self.site, self._handle, refused_s=self._refused_s
                ) as link:
                    await self._linked(link)
                    pause_s = 1.0
            except LinkLost as lost:
                if str(lost) != told:
                    LOG.warning("%s: no link: %s; runs go on, results are kept", self.site, lost)
                    told = str(lost)
            await self._pause(pause_s * random.uniform(0.7, 1.3))  # not all agents at once
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
        self._pool.shutdown()

    # the link ------------------------------------------------------------------------------------------

    async def _linked(self, link: Link) -> None:
        """Work over a link that is up, until it is lost or the agent is to end."""
        await self._hello(link)
        await self._settle(link, is_new=True)
        await link.wake()
        LOG.info("%s: linked to the database; %d sweeps", self.site, len(self._sweeps))
        every_s = self.place.fleet.agents_ask
        worker = asyncio.create_task(link.work(at_once=AT_ONCE, every_s=every_s))
        since = time.monotonic()
        try:
            while not self._stop():
                await self._tick(link)
                if time.monotonic() - since > LOST_S and (silent_s := await link.silent_s()) > LOST_S:
                    raise LinkLost(f"the worker was not heard for {silent_s:.0f} s")
                await self._pause(every_s, worker)
                if worker.done():
                    worker.result()
                    raise LinkLost("the worker ended")
        except LinkLost:
            self._leave(worker)
            raise
        worker.cancel()  # it waits for its runs, which the stop has ended
        with suppress(LinkLost, asyncio.CancelledError):
            await worker
        with suppress(TimeoutError):  # what is not sent by then is sent after the next start
            async with asyncio.timeout(LAST_S):
                await self._tick(link)

    def _leave(self, worker: asyncio.Task[None]) -> None:
        """Let the worker of a lost link wait for its runs; ``_settle`` ends their jobs over the next link."""
        worker.cancel()
        self._left.add(worker)

        def ended(task: asyncio.Task[None]) -> None:
            self._left.discard(task)
            if not task.cancelled():
                task.exception()

        worker.add_done_callback(ended)

    async def _tick(self, link: Link) -> None:
        await self._hello(link)
        for entry in self.journal.entries():
            if entry.stage == OVER:
                await self._deliver(link, entry)
        await self._settle(link, is_new=False)

    async def _hello(self, link: Link) -> None:
        waiting = sum(entry.stage == OVER for entry in self.journal.entries())
        told = await link.hello(
            token=self.journal.token(),
            version=__version__,
            wall_ns=time.time_ns(),
            waiting=waiting,
            trouble=self._trouble,
        )
        if told is None:
            raise LinkLost(f"another agent works at {self.site}; this one waits until that is gone")
        self._offset_ns = told

    async def _deliver(self, link: Link, entry: Entry) -> None:
        record, packed, sha256 = self.journal.record(entry), None, ""
        if record.exists():
            packed = self.journal.packed(entry)
            sha256 = await asyncio.to_thread(parcel.pack, record, packed)
        await link.deliver(entry, packed, sha256, self._offset_ns)
        self.journal.write(entry._replace(stage=DELIVERED))
        LOG.info("%s: delivered: %s", entry.sweep, entry.state)

    async def _settle(self, link: Link, *, is_new: bool) -> None:
        """Bring what the database holds as being done into line with what the journal knows.

        is_new: the link has just come up and its worker has not begun: a job that the journal does not know
        was handed out over the link before and never arrived.
        """
        doing = await link.doing()
        for job in doing:
            entry = self.journal.find(job.sweep, job.due_ns)
            if entry is None:
                if is_new:
                    await link.put_back(job.job_id)
            elif entry.stage != BEGUN and (is_new or self._is_late(entry)):
                await link.finish(job.job_id)
        held = {(job.sweep, job.due_ns) for job in doing}
        for entry in self.journal.entries():
            if entry.stage == DELIVERED and (entry.sweep, entry.due_ns) not in held:
                await asyncio.to_thread(self._put_away, entry)

    def _is_late(self, entry: Entry) -> bool:
        return time.monotonic() - self._over_at.get(entry.name, -math.inf) > LATE_S

    def _put_away(self, entry: Entry) -> None:
        """The record stays at its site as well, in the folder of records."""
        record = self.journal.record(entry)
        if record.exists():
            with suppress(InputError, RecordError):
                digest = distil_file(record)
                self.place.records().put(
                    record,
                    site=digest.site,
                    lineup=digest.lineup,
                    started_ns=digest.started_ns,
                    code=digest.code,
                )
        self._over_at.pop(entry.name, None)
        self.journal.drop(entry)

    async def _pause(self, seconds: float, worker: asyncio.Task[None] | None = None) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not self._stop() and not (worker and worker.done()):  # noqa: ASYNC110
            await asyncio.sleep(0.2)  # the stop comes from a signal, to any thread

    # runs ----------------------------------------------------------------------------------------------

    async def _handle(self, job_id: int, form: int, sweep: str, due_ns: int) -> None:
        """Make the start that a job asks for; the job is over when this returns."""
        if form > FORM:
            self._trouble = (
                f"a job of form {form} was refused: this version ({__version__}) reads forms up to {FORM}"
            )
            LOG.warning("%s: %s; it waits until the agent is renewed", self.site, self._trouble)
            raise NewerForm
        self._trouble = ""
        if NAME.fullmatch(sweep) is None:  # it becomes the name of a file
            raise ValueError(f"a job names a sweep {sweep!r}")
        entry = self.journal.find(sweep, due_ns)
        if entry is None:
            entry = self.journal.write(Entry(sweep, due_ns, job_id, time.time_ns()))
            loop = asyncio.get_running_loop()
            self._over_at[entry.name] = math.inf  # until then, its worker is to end the job
            try:
                await asyncio.shield(loop.run_in_executor(self._pool, self._run, entry))
            finally:
                self._over_at[entry.name] = time.monotonic()
        while (now := self.journal.find(sweep, due_ns)) is not None and now.stage == BEGUN:  # noqa: ASYNC110
            await asyncio.sleep(0.5)

    def _run(self, entry: Entry) -> None:
        sweep = self._sweeps.get(entry.sweep)
        if sweep is None:
            self._end(entry, SlotState.FAILED, f"the fleet file of {self.site} has no such sweep for it")
            return
        LOG.info("%s: begins", entry.sweep)
        record = self.journal.record(entry)
        try:
            ran = audit_to(self.place, sweep, record, stop=self._stop)
        except Exception as error:
            LOG.exception("%s: a fault of ours", entry.sweep)
            self._end(entry, SlotState.FAILED, f"a fault of ours: {error!r}"[:500])
            return
        self._end(entry, *state_of(ran, has_record=record.exists()), ran.code)

    def _end(self, entry: Entry, state: SlotState, why: str = "", code: int | None = None) -> None:
        self.journal.write(entry._replace(stage=OVER, state=state.value, why=why, exit_code=code))
        LOG.log(
            logging.INFO if state is SlotState.DONE else logging.WARNING,
            "%s: %s%s",
            entry.sweep,
            state.value,
            f": {why}" if why else "",
        )

    # what an agent before this one left --------------------------------------------------------------------

    def _take_up(self, entry: Entry) -> None:
        """An agent died in this run: its audit may go on by itself, or lie there as far as it came."""
        sweep = self._sweeps.get(entry.sweep)
        if sweep is not None and not is_free(self.place, sweep):
            LOG.warning("%s: the agent before this one died; its audit still works", entry.sweep)
            self._pool.submit(self._wait_for, entry, sweep)
        elif self.journal.record(entry).exists():
            self._end(entry, *state_of_left(self.journal.record(entry), DIED))
        else:
            LOG.warning("%s: the agent died before it touched gear; the job is taken again", entry.sweep)
            self.journal.drop(entry)

    def _wait_for(self, entry: Entry, sweep: Sweep) -> None:
        while not is_free(self.place, sweep):
            if self._stop():
                return
            time.sleep(0.5)
        self._end(entry, *state_of_left(self.journal.record(entry), DIED))


def _check(place: FleetPlace, site: str, sweeps: dict[str, Sweep]) -> None:
    """Raises InputError if this fleet has no work for an agent of the site."""
    names = sorted({one.agent for one in place.fleet.sweeps if one.agent})
    if not sweeps:
        raise InputError(
            [
                Problem(
                    file=place.file.as_posix(),
                    what="no sweep of the fleet is for this agent",
                    field="agent",
                    found=site,
                    allowed=", ".join(names) or "no sweep names an agent",
                    remedy="write agent: " + site + " into the sweeps that this site is to run",
                )
            ]
        )
    need_database(place)


def need_database(place: FleetPlace) -> None:
    """Raises InputError if the fleet's history is one that agents cannot reach."""
    if not place.history_name.startswith("postgresql"):
        raise InputError(
            [
                Problem(
                    file=place.file.as_posix(),
                    what="agents work through PostgreSQL",
                    field="history",
                    found=place.fleet.history,
                    allowed="postgresql://USER@HOST/DATABASE",
                    remedy="give the fleet such a history, or take agent: out of its sweeps",
                )
            ]
        )
