"""Host: serves all devices of one link (a socket or a serial port) in turn, one request in flight.

Decides about connections (when to open, when to give up), gaps and whose turn it is; what is asked is
decided by each device's ``conversation``. One task a link, none a device.

Requests that must go at an instant of their own (a clock about to step) are ``appointments``: the others go
on in between, but none is begun that could still be in flight then.

Fairness: a device gets one request, then it goes to the end of the queue. A unit that fails waits out its
back-off beside the queue, so that it costs the others one time-out at a time and a bounded number in all.

Giving up, so that a dead link costs a bounded time whatever the number of units behind it: connects that
fail or bring no valid reply are counted, and so are requests in a row without a valid reply; one full turn
without any is enough if nothing valid ever came, a second one on a new socket if it did.
"""

from __future__ import annotations

import asyncio
import functools
import heapq
from collections import deque
from collections.abc import Awaitable, Callable, Sequence

from probe.collect.appointments import Appointments
from probe.collect.events import Phase
from probe.collect.guest import Guest, Manner
from probe.collect.journal import Journal, LinkLog
from probe.collect.lanes import Lanes
from probe.collect.pacing import SECOND_NS, ConnectBudget
from probe.collect.turn import Aimed, Aside, Turn
from probe.model.evidence import ConnectOutcome, Exchange, Outcome, Purpose, Stray
from probe.wire.link import Converse, Follow, Hold, Link, Request, Resume, StrayHandler

_DATA, _EXCEPTION = Outcome.DATA, Outcome.EXCEPTION
_CUT = (Outcome.CLOSED, Outcome.RESET)
#: Outcomes of a connect that another attempt would not change.
_FINAL = (ConnectOutcome.NO_NAME, ConnectOutcome.NO_PORT, ConnectOutcome.NOT_PERMITTED)
#: A link whose type must not be held open is closed when nobody has anything to ask for so long.
_IDLE_NS = SECOND_NS
#: After a late answer the time-out becomes this much longer than it took, up to so many first time-outs.
_MARGIN, _MOST_PATIENCE = 1.25, 3.0
#: A device that hangs up after each answer does so within this time.
HANG_UP_S = 0.05
_FIRST_LOOK = -1.0
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
        self.link = make_link(self._stray)
        #: None while the device may hang up after each answer: then each request waits for that.
        self._converse: Converse | None = getattr(self.link, "converse", None)
        self._link_resume: Resume | None = getattr(self.link, "resume", None)
        self.log = LinkLog()
        self.keep_open = False
        self._manner = manner
        self._journal = journal
        self._now_ns = journal.clock.now_ns
        self._finished = finished
        self._lanes = lanes
        self._connects = ConnectBudget(manner.pacing)
        self._ready: deque[Guest] = deque()
        self._paused: list[tuple[int, int, Guest]] = []
        self._appointed: Appointments[Guest] = Appointments(manner.gap_ns)
        self._order = 0
        self._active = 0  # devices that are not done
        self._shared = False  # more than one device sits here
        self._stopping = False
        self._nap: asyncio.Future[None] | None = None
        self._wary = _FIRST_LOOK  # seconds to wait for the end of the connection after an answer
        self._unhurried = bool(manner.gap_ns or manner.budget is not None)
        self._due_ns = 0  # before which no request may go: gap, connect pause
        self._fresh = False  # nothing was asked yet on this connection
        self._proved = False  # a valid reply came over this connection
        self._ever_answered = False
        self._barren = 0  # connections in a row without a valid reply
        self._misses = 0  # requests in a row without a valid reply
        self._in_lane = False  # one of the run's lanes is ours
        self._held: Request | None = None  # for which the link waits
        self._place: asyncio.Future[None] | None = None  # in the queue for one, while a request is held
        self._renewing = False  # the connection is to be closed, a new one may do better
        self._missed_ns = 0  # when the last request that was given up was sent
        self._least_s = 0.0  # time-out that this link has shown to need

    # the run of one link -----------------------------------------------------------------------------

    async def serve(self, guests: Sequence[Guest]) -> None:
        """Carry all conversations to their ends, or until ``stop``; then close the link in good order."""
        self._active = len(guests)
        self._shared = self._shared or len(guests) > 1
        try:
            for guest in guests:
                await self._take(guest, next(guest.script, None))
            while not self._stopping:
                if self._appointed and await self._keep_appointment():
                    continue
                if self._paused:
                    await self._wake()
                if not (self._ready or self._paused or self._appointed):
                    break
                if self._ready and (not self._appointed or self._appointed.leaves_room(self._now_ns())):
                    await self._serve_one(self._ready.popleft())
                if self._misses and self._is_lost():
                    await self._write_off()
        finally:
            if not self.keep_open or self._stopping:
                await self.close()

    def stop(self) -> None:
        """End after the request in flight; waiting ends at once."""
        self._stopping = True
        if self._nap is not None and not self._nap.done():
            self._nap.set_result(None)

    async def close(self) -> None:
        """Close the link in good order; how it ended is kept."""
        disconnect = await self.link.close()
        if disconnect is not None and disconnect.by_peer and self._proved:
            self._grow_wary()
        if disconnect is not None and self._journal.broken is None:
            self._journal.disconnect(self.log, disconnect)

    async def _serve_one(self, guest: Guest, *, aimed: bool = False) -> None:
        """One request of one device, and what it wants next. aimed: its instant has come."""
        if guest.is_over:  # ended by the device's other conversation: it is left alone
            await self._finish(guest)
            return
        request = guest.request
        assert request is not None
        if not self.link.is_open and not await self._connect(guest):
            self._ready.append(guest)
            await self._write_off()
            return
        if self._wary and self._proved and await self._is_hung_up():
            self._ready.appendleft(guest)
            return
        if self._unhurried or self._fresh:
            request = await self._hold_back(request)
            if not self.link.is_open:  # the device closed while we waited
                self._ready.appendleft(guest)
                return
        await self._ask(guest, request, aimed=aimed)

    async def _is_hung_up(self) -> bool:
        """True if the device closes after its answer; a request that meets the close would be lost.

        Waited for only where a connection has ended after an answer before, or is the first one: then for
        what has come already. A device that does not hang up this time is trusted again.
        """
        if self._wary < 0:
            await asyncio.sleep(0)
            self._wary = 0.0
            return not self.link.is_open
        if await self.link.ends_within(self._wary):
            return True
        self._wary = 0.0
        self._converse = getattr(self.link, "converse", None)
        return False

    async def _ask(self, guest: Guest, request: Request, *, aimed: bool) -> None:
        """Ask the device, and go on with its next request while nobody and nothing else is to be heeded.

        That is the usual case (one device on the link, no gaps), and the hot path of a run: plain good
        answers are taken where they come.
        """
        told: list[tuple[Exchange, Turn | None]] = []
        if not aimed and self._wants_lane(request):
            await self._lanes.enter()
            self._in_lane = True
        exchange = await self._exchange(guest, request, self._follower(guest, told))
        if exchange is None:
            return
        turn = told[-1][1] if told and told[-1][0] is exchange else self._heard(guest, exchange)
        if self._renewing:
            self._renewing = False
            await self.close()
        await self._take(guest, turn)

    def _follower(self, guest: Guest, told: list[tuple[Exchange, Turn | None]]) -> Follow:
        """What keeps a plain good answer and says what to ask at once; an answer with which the conversation
        may end goes to ``told``, with what the device wants after it. As ``_heard``, but in one go: this is
        called thousands of times a second.
        """
        keep, shelf, say, gap_ns = self._journal.exchange, guest.shelf, guest.script.send, self._manner.gap_ns
        measured, poll, link = self._appointed.measured, Purpose.POLL, self.link

        def follow(exchange: Exchange) -> Request | Hold | None:
            keep(shelf, exchange)
            received_ns = exchange.received_ns
            first = not self._proved
            self._misses = 0
            measured(received_ns - exchange.sent_ns)
            if first:
                self._prove()
            self._due_ns = received_ns + gap_ns
            try:
                turn: Turn | None = say(exchange)
                while type(turn) is Phase:
                    self._journal.phase(guest.tag, turn)
                    turn = next(guest.script)
            except StopIteration:
                turn = None
            busy = self._ready or self._unhurried or self._has_to_look_up() or not link.is_open
            if type(turn) is not Request or busy:
                told.append((exchange, turn))
                return None
            if not first and ((self._in_lane and turn.purpose is poll) or self._goes_on(turn)):
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
        self._wary = 0.0
        if self._goes_on(request) or not self._wants_lane(request):
            self._resume(request)
        else:
            self._place = self._lanes.place()
            self._place.add_done_callback(functools.partial(self._admitted, request))

    def _admitted(self, request: Request, place: asyncio.Future[None]) -> None:
        """There is a lane for what is held."""
        if place.cancelled():
            return
        if self._place is not place:  # the conversation ended while the lane was given to it
            self._lanes.leave(0)
            return
        self._place = None
        self._in_lane = True
        self._resume(request)

    def _resume(self, request: Request) -> None:
        """Ask what was held, or let the conversation end if there is more to think about by now."""
        assert self._link_resume is not None
        self._link_resume(None if self._ready or self._has_to_look_up() else request)

    def _goes_on(self, request: Request) -> bool:
        """True if the request may go at once: in our lane, in a free one, or beside all if it needs none."""
        if self._wants_lane(request):
            self._in_lane = self._in_lane or self._lanes.take()
            return self._in_lane
        self._leave_lane(0)
        return not self._appointed.entries

    def _leave_lane(self, took_ns: int) -> None:
        if self._in_lane:
            self._in_lane = False
            self._lanes.leave(took_ns)

    def _wants_lane(self, request: Request) -> bool:
        """True if the request waits for its turn among all links; silence must not keep others waiting."""
        expects = self._ever_answered and request.purpose is not Purpose.ABSENT_UNIT
        return expects and not self._appointed.entries

    async def _exchange(self, guest: Guest, request: Request, follow: Follow) -> Exchange | None:
        """The exchange that ended the conversation; None if nothing could be asked any more."""
        exchange: Exchange | None = None
        try:
            if self._stopping or not self.link.is_open:
                self._ready.appendleft(guest)
            elif self._converse is None:
                exchange = await self.link.exchange(request, guest.quirks)
            else:
                exchange = await self._converse(request, guest.quirks, follow)
        finally:
            self._held = None
            if self._place is not None:
                self._place.cancel()
                self._place = None
            self._leave_lane(exchange.reply_ns if exchange and exchange.outcome is _DATA else 0)
        return exchange

    def _heard(self, guest: Guest, exchange: Exchange) -> Turn | None:
        """Keep what came of a request; what the device wants next, None if it is done."""
        self._journal.exchange(guest.shelf, exchange)
        outcome = exchange.outcome
        if outcome is _DATA or outcome is _EXCEPTION:
            self._misses = 0
            if outcome is _DATA:  # a gateway waits before it gives an exception
                self._appointed.measured(exchange.received_ns - exchange.sent_ns)
            if not self._proved:
                self._prove()
        else:
            self._missed(exchange)
        self._due_ns = exchange.received_ns + self._manner.gap_ns
        try:
            return guest.script.send(exchange)
        except StopIteration:
            return None

    def _has_to_look_up(self) -> bool:
        """True if more than the next request may have to be done."""
        return bool(self._paused or self._misses or self._stopping or self._appointed.entries)

    async def _take(self, guest: Guest, turn: Turn | None) -> None:
        """Put a device where its wish belongs: queue, pause, or done."""
        while isinstance(turn, Phase | Aside):
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
        taken = None if self._stopping else self._appointed.take(self._now_ns())
        if taken is not None:
            guest, aimed = taken
            guest.request = aimed.request
            await self._serve_one(guest, aimed=True)
        return True

    async def _idle_until(self, due_ns: int) -> None:
        """Wait with nothing in flight; a link that must not be held open is closed for a long wait."""
        if not self._manner.hold_open and due_ns - self._now_ns() > _IDLE_NS:
            await self.close()
        await self._sleep_until(due_ns)

    async def _finish(self, guest: Guest) -> None:
        guest.leader.open -= 1
        if guest.leader.open:
            return
        guest = guest.leader
        self._active -= 1
        if not self._active and not self.keep_open:
            await self.close()
        await self._finished(guest)

    # gaps and waiting --------------------------------------------------------------------------------

    async def _hold_back(self, request: Request) -> Request:
        """Wait for gap, connect pause and the network's budget; the first request may take longer."""
        await self._sleep_until(self._due_ns)
        if self._manner.budget is not None:
            await self._sleep_until(self._manner.budget.reserve(self._now_ns()))
        least_s = self._least_s
        if self._fresh:
            self._fresh = False
            least_s = max(least_s, self._manner.first_timeout_s)
        return request if request.timeout_s >= least_s else request._replace(timeout_s=least_s)

    async def _sleep_until(self, due_ns: int) -> None:
        """Return at or after the time (never before it), or when the run is stopped."""
        while not self._stopping and (left_ns := due_ns - self._now_ns()) > 0:
            loop = asyncio.get_running_loop()
            self._nap = nap = loop.create_future()
            timer = loop.call_later(max(left_ns, 1000) / SECOND_NS, _end_nap, nap)
            try:
                await nap
            finally:
                timer.cancel()
                self._nap = None

    # connections -------------------------------------------------------------------------------------

    async def _connect(self, guest: Guest) -> bool:
        """Open the link within the connect budget; False if it is to be given up."""
        await self.close()  # tells how the last connection ended, if the device ended it
        if self._barren > self._manner.pacing.connect_tries:
            return False
        tries = self._manner.pacing.connect_tries + (2 if self._ever_answered else 0)
        for attempt in range(1, tries + 1):
            await self._sleep_until(self._connects.due_ns())
            if self._stopping:
                return False
            self._journal.phase(guest.tag, Phase.CONNECTING)
            outcome = await self._open()
            if outcome is ConnectOutcome.OPEN:
                return True
            if outcome in _FINAL:
                break
            if attempt < tries:
                wait_ns = self._manner.pacing.backoff_ns(attempt, self._manner.pacing.connect_interval_s)
                await self._sleep_until((self._connects.last_ns or 0) + wait_ns)
        return False

    async def _open(self) -> ConnectOutcome:
        connect = await self.link.open(self._manner.first_timeout_s)
        self._connects.connected(connect.sent_ns)
        self._journal.connect(self.log, connect)
        if connect.outcome is ConnectOutcome.OPEN:
            self._fresh, self._proved = True, False
            self._barren += 1
            self._due_ns = max(self._due_ns, connect.received_ns + self._manner.connect_pause_ns)
        return connect.outcome

    def _stray(self, stray: Stray) -> None:
        """Keep a stray; a late answer shows how long this link must be waited for.

        A gateway whose own time-out is longer than ours answers for a dead unit while the next unit is
        being asked, which then looks dead as well. So the time-out of a shared link grows, within bounds.
        A device alone on its link is judged by its profile's time-out: there its lateness harms nobody.
        """
        self._journal.stray(stray)
        if stray.outcome is Outcome.LATE and self._missed_ns and self._shared:
            took_s = (stray.received_ns - self._missed_ns) / SECOND_NS
            longest_s = _MOST_PATIENCE * self._manner.first_timeout_s
            self._least_s = max(self._least_s, min(_MARGIN * took_s, longest_s))
            self._unhurried = True

    def _prove(self) -> None:
        """A valid reply came over this connection."""
        self._proved = self._ever_answered = True
        self._barren = 0
        self._connects.answered()

    def _missed(self, exchange: Exchange) -> None:
        """Count a request without a valid reply; after a full turn of them the socket is to be renewed."""
        if exchange.outcome in _CUT and self._proved:
            self._grow_wary()
        if exchange.purpose is Purpose.ABSENT_UNIT:
            return  # silence is what is expected
        self._misses += 1
        self._missed_ns = exchange.sent_ns
        if self._ever_answered and self._misses == self._patience():
            self._renewing = True

    def _grow_wary(self) -> None:
        """The device ended a connection over which it had answered: perhaps it does so each time."""
        self._wary = HANG_UP_S
        self._converse = None

    def _patience(self) -> int:
        """Requests in a row without a valid reply that make one full turn of this link."""
        return max(self._active, self._manner.retries + 2)

    def _is_lost(self) -> bool:
        return self._misses >= self._patience() * (2 if self._ever_answered else 1)

    async def _write_off(self) -> None:
        """End the conversations of all devices of this link."""
        if self._stopping:
            return
        guests = [*self._ready, *(paused[2] for paused in self._paused), *self._appointed.clear()]
        self._ready.clear()
        self._paused.clear()
        for one in guests:
            one.script.close()
        for one in guests:
            await self._finish(one)


def _end_nap(nap: asyncio.Future[None]) -> None:
    if not nap.done():
        nap.set_result(None)
