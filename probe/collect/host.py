"""Host: serves all devices of one link (a socket or a serial port) in turn, one request in flight.

Decides about gaps and whose turn it is; what is asked is decided by each device's ``conversation``. One task
a link, none a device.

Requests that must go at an instant of their own (a clock about to step) are ``appointments``: the others go
on in between, but none is begun that could still be in flight then.

Fairness: a device gets one request, then it goes to the end of the queue. A unit that fails waits out its
back-off beside the queue, so that it costs the others one time-out at a time and a bounded number in all.

When the link is opened, renewed or given up is decided in ``access``.
"""

from __future__ import annotations

import asyncio
import functools
import heapq
from collections import deque
from collections.abc import Awaitable, Callable, Sequence

from probe.collect.access import Access
from probe.collect.appointments import Appointments
from probe.collect.events import Phase
from probe.collect.guest import Guest, Manner
from probe.collect.journal import Journal, LinkLog
from probe.collect.lanes import Lanes, Pass
from probe.collect.nap import Nap
from probe.collect.pacing import SECOND_NS
from probe.collect.turn import Aimed, Aside, Turn
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.wire.link import Follow, Hold, Link, Request, StrayHandler

#: Turns after which the next one is asked for at once.
_AT_ONCE = (Phase, Aside)
_DATA, _EXCEPTION = Outcome.DATA, Outcome.EXCEPTION
#: A link whose type must not be held open is closed when nobody has anything to ask for so long.
_IDLE_NS = SECOND_NS
#: Turns of the loop after which an end that came with an answer is known: the loop looks at its sockets in
#: the first, and the transport closes in the second and tells it behind whatever waits already.
_LOOK = 2


class Host:
    """See module. finished: called (and awaited) when a device's conversation has ended."""

    def __init__(
        self,
        make_link: Callable[[StrayHandler], Link],
        manner: Manner,
        journal: Journal,
        finished: Callable[[Guest], Awaitable[None]],
        lanes: Lanes,
    ) -> None:
        self._nap = Nap(journal.clock.now_ns)
        self._access = Access(make_link, manner, journal, self._nap)
        self._link = self._access.link
        self.keep_open = False
        self._manner = manner
        self._journal = journal
        self._now_ns = journal.clock.now_ns
        self._finished = finished
        self._pass = Pass(lanes)
        self._ready: deque[Guest] = deque()
        self._paused: list[tuple[int, int, Guest]] = []
        self._appointed: Appointments[Guest] = Appointments(manner.gap_ns)
        self._order = 0
        self._held: Request | None = None  # for which the link waits

    @property
    def log(self) -> LinkLog:
        """What happened to this link's connections."""
        return self._access.log

    @log.setter
    def log(self, log: LinkLog) -> None:
        self._access.log = log

    # the run of one link -----------------------------------------------------------------------------

    async def serve(self, guests: Sequence[Guest]) -> None:
        """Carry all conversations to their ends, or until ``stop``; then close the link in good order."""
        self._access.active = len(guests)
        self._access.shared = self._access.shared or len(guests) > 1
        try:
            for guest in guests:
                await self._take(guest, next(guest.script, None))
            appointed = self._appointed.entries
            while not self._nap.stopping:
                if appointed and await self._keep_appointment():
                    continue
                if self._paused:
                    await self._wake()
                if not (self._ready or self._paused or appointed):
                    break
                if self._ready and (not appointed or self._appointed.leaves_room(self._now_ns())):
                    await self._serve_one(self._ready.popleft())
                if self._access.misses and self._access.is_lost():
                    await self._write_off()
        finally:
            if not self.keep_open or self._nap.stopping:
                await self.close()

    def stop(self) -> None:
        """End after the request in flight; waiting ends at once."""
        self._nap.stop()

    async def close(self) -> None:
        """Close the link in good order; how it ended is kept."""
        await self._access.close()

    async def _serve_one(self, guest: Guest, *, aimed: bool = False) -> None:
        """One request of one device, and what it wants next. aimed: its instant has come."""
        if guest.is_over:  # ended by the device's other conversation: it is left alone
            await self._finish(guest)
            return
        request = guest.request
        assert request is not None
        if not self._link.is_open and not await self._access.connect(guest.tag):
            self._ready.append(guest)
            await self._write_off()
            return
        if self._access.wary and self._access.proved and await self._access.is_hung_up():
            self._ready.appendleft(guest)
            return
        if self._access.unhurried or self._access.fresh:
            request = await self._hold_back(request)
            if not self._link.is_open:  # the device closed while we waited
                self._ready.appendleft(guest)
                return
        await self._ask(guest, request, aimed=aimed)

    async def _ask(self, guest: Guest, request: Request, *, aimed: bool) -> None:
        """Ask the device, and go on with its next request while nobody and nothing else is to be heeded.

        That is the usual case (one device on the link, no gaps), and the hot path of a run: plain good
        answers are taken where they come.
        """
        told: list[tuple[Exchange, Turn | None]] = []
        if not aimed and self._wants_lane(request):
            await self._pass.enter()
        exchange = await self._exchange(guest, request, self._follower(guest, told))
        if exchange is None:
            return
        turn = told[-1][1] if told and told[-1][0] is exchange else self._heard(guest, exchange)
        if self._access.renewing:
            self._access.renewing = False
            await self.close()
        await self._take(guest, turn)

    def _follower(self, guest: Guest, told: list[tuple[Exchange, Turn | None]]) -> Follow:
        """What keeps a plain good answer and says what to ask at once; an answer with which the conversation
        may end goes to ``told``, with what the device wants after it. As ``_heard``, but in one go: this is
        called thousands of times a second.
        """
        keep, shelf, say, gap_ns = self._journal.exchange, guest.shelf, guest.script.send, self._manner.gap_ns
        measured, poll, link = self._appointed.measured, Purpose.POLL, self._link
        access, lane, phase = self._access, self._pass, self._journal.phase

        def follow(exchange: Exchange) -> Request | Hold | None:
            keep(shelf, exchange)
            received_ns = exchange.received_ns
            first = not access.proved
            access.misses = 0
            measured(received_ns - exchange.sent_ns)
            if first:
                access.prove()
            access.due_ns = received_ns + gap_ns
            try:
                turn: Turn | None = say(exchange)
                while type(turn) is Phase:
                    phase(guest.tag, turn)
                    turn = next(guest.script)
            except StopIteration:
                turn = None
            busy = self._ready or access.unhurried or self._has_to_look_up() or not link.is_open
            if type(turn) is not Request or busy:
                told.append((exchange, turn))
                return None
            if not first and ((lane.held and turn.purpose is poll) or self._goes_on(turn)):
                return turn
            told.append((exchange, turn))
            self._held = turn
            self._hold(turn, _LOOK if first else 0)
            return Hold.HOLD

        return follow

    def _hold(self, request: Request, turns: int) -> None:
        """Have the link send the request when so many turns of the loop are over and there is a lane for it.

        The turns are waited for after the first answer over a connection: a device may hang up behind it, and
        a request that meets that end is lost. The link then ends the conversation by itself.
        """
        if self._held is not request:
            return  # the conversation has ended
        if turns:
            asyncio.get_running_loop().call_soon(self._hold, request, turns - 1)
            return
        self._access.wary = 0.0
        if self._goes_on(request) or not self._wants_lane(request):
            self._resume(request)
        else:
            self._pass.when_free(functools.partial(self._resume, request))

    def _resume(self, request: Request) -> None:
        """Ask what was held, or let the conversation end if there is more to think about by now."""
        assert self._access.resume is not None
        self._access.resume(None if self._ready or self._has_to_look_up() else request)

    def _goes_on(self, request: Request) -> bool:
        """True if the request may go at once: in our lane, in a free one, or beside all if it needs none."""
        if self._wants_lane(request):
            return self._pass.held or self._pass.take()
        self._pass.leave(0)
        return not self._appointed.entries

    def _wants_lane(self, request: Request) -> bool:
        """True if the request waits for its turn among all links; silence must not keep others waiting."""
        expects = self._access.ever_answered and request.purpose is not Purpose.ABSENT_UNIT
        return expects and not self._appointed.entries

    async def _exchange(self, guest: Guest, request: Request, follow: Follow) -> Exchange | None:
        """The exchange that ended the conversation; None if nothing could be asked any more."""
        exchange: Exchange | None = None
        try:
            if self._nap.stopping or not self._link.is_open:
                self._ready.appendleft(guest)
            elif self._access.converse is None:
                exchange = await self._link.exchange(request, guest.quirks)
            else:
                exchange = await self._access.converse(request, guest.quirks, follow)
        finally:
            self._held = None
            self._pass.leave(exchange.reply_ns if exchange and exchange.outcome is _DATA else 0)
        return exchange

    def _heard(self, guest: Guest, exchange: Exchange) -> Turn | None:
        """Keep what came of a request; what the device wants next, None if it is done."""
        self._journal.exchange(guest.shelf, exchange)
        outcome = exchange.outcome
        if outcome is _DATA or outcome is _EXCEPTION:
            self._access.misses = 0
            if outcome is _DATA:  # a gateway waits before it gives an exception
                self._appointed.measured(exchange.received_ns - exchange.sent_ns)
            if not self._access.proved:
                self._access.prove()
        else:
            self._access.missed(exchange)
        self._access.due_ns = exchange.received_ns + self._manner.gap_ns
        try:
            return guest.script.send(exchange)
        except StopIteration:
            return None

    def _has_to_look_up(self) -> bool:
        """True if more than the next request may have to be done."""
        return bool(self._paused or self._access.misses or self._nap.stopping or self._appointed.entries)

    async def _take(self, guest: Guest, turn: Turn | None) -> None:
        """Put a device where its wish belongs: queue, pause, or done."""
        while isinstance(turn, _AT_ONCE):
            if isinstance(turn, Phase):
                self._journal.phase(guest.tag, turn)
            else:
                aside = guest.beside(turn.script)
                await self._take(aside, next(aside.script, None))
            turn = next(guest.script, None)
        if turn is None:
            await self._finish(guest)
        elif isinstance(turn, Request):
            guest.request = turn
            self._ready.append(guest)
        elif isinstance(turn, Aimed):
            self._appointed.book(guest, turn, self._now_ns())
        else:
            self._order += 1
            heapq.heappush(self._paused, (turn, self._order, guest))

    async def _wake(self) -> None:
        """Bring the devices whose pause is over back to the queue; waits if nobody else is ready."""
        if not self._ready and not self._appointed:
            await self._idle_until(self._paused[0][0])
        while self._paused and self._paused[0][0] <= self._now_ns():
            guest = heapq.heappop(self._paused)[2]
            await self._take(guest, next(guest.script, None))

    async def _keep_appointment(self) -> bool:
        """Make the request whose instant comes next, if nothing else can be done before it.

        False if there is time for something else first.
        """
        now_ns, due_ns = self._now_ns(), self._appointed.next_ns
        if self._ready and self._appointed.leaves_room(now_ns):
            return False
        if self._paused and self._paused[0][0] < due_ns:
            if not self._ready:  # only then is there anything to wait for
                await self._idle_until(self._paused[0][0])
            if self._appointed.leaves_room(self._now_ns()):
                return False
        await self._idle_until(self._appointed.next_ns)
        taken = None if self._nap.stopping else self._appointed.take(self._now_ns())
        if taken is not None:
            guest, aimed = taken
            guest.request = aimed.request
            await self._serve_one(guest, aimed=True)
        return True

    async def _idle_until(self, due_ns: int) -> None:
        """Wait with nothing in flight; a link that must not be held open is closed for a long wait."""
        if not self._manner.hold_open and due_ns - self._now_ns() > _IDLE_NS:
            await self.close()
        await self._nap.until(due_ns)

    async def _finish(self, guest: Guest) -> None:
        guest.leader.open -= 1
        if guest.leader.open:
            return
        guest = guest.leader
        self._access.active -= 1
        if not self._access.active and not self.keep_open:
            await self.close()
        await self._finished(guest)

    # gaps and waiting --------------------------------------------------------------------------------

    async def _hold_back(self, request: Request) -> Request:
        """Wait for gap, connect pause and the network's budget; the first request may take longer."""
        await self._nap.until(self._access.due_ns)
        if self._manner.budget is not None:
            await self._nap.until(self._manner.budget.reserve(self._now_ns()))
        least_s = self._access.least_s
        if self._access.fresh:
            self._access.fresh = False
            least_s = max(least_s, self._manner.first_timeout_s)
        return request if request.timeout_s >= least_s else request._replace(timeout_s=least_s)

    async def _write_off(self) -> None:
        """End the conversations of all devices of this link."""
        if self._nap.stopping:
            return
        guests = [*self._ready, *(paused[2] for paused in self._paused), *self._appointed.clear()]
        self._ready.clear()
        self._paused.clear()
        for one in guests:
            one.script.close()
        for one in guests:
            await self._finish(one)
