"""Access: one link, opened within its budget and closed in good order, and what it has shown so far.

Says when a link is to be renewed or given up, so that a dead one costs a bounded time whatever the number of
units behind it: connects that fail or bring no valid reply are counted, and so are requests in a row without
a valid reply; one full turn without any is enough if nothing valid ever came, a second one on a new socket
if it did. Also knows devices that hang up after each answer, and gateways more patient than we are.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from probe.collect.events import Phase
from probe.collect.guest import Manner
from probe.collect.journal import Journal, LinkLog
from probe.collect.nap import Nap
from probe.collect.pacing import SECOND_NS, ConnectBudget
from probe.model.evidence import ConnectOutcome, Exchange, Outcome, Purpose, Stray
from probe.wire.link import Converse, Link, Resume, StrayHandler

_CUT = (Outcome.CLOSED, Outcome.RESET)
#: Outcomes of a connect that another attempt would not change.
_FINAL = (ConnectOutcome.NO_NAME, ConnectOutcome.NO_PORT, ConnectOutcome.NOT_PERMITTED)
#: After a late answer the time-out becomes this much longer than it took, up to so many first time-outs.
_MARGIN, _MOST_PATIENCE = 1.25, 3.0
#: A device that hangs up after each answer does so within this time.
HANG_UP_S = 0.05
_FIRST_LOOK = -1.0


class Access:
    """See module. Attributes are read and set by ``Host``, which is the hot path of a run.

    converse, resume: of the link; converse is None while the device may hang up after each answer, then each
    request waits for that. active: devices that are not done. shared: more than one device sits here.
    due_ns: before which no request may go (gap, connect pause). fresh: nothing was asked yet on this
    connection. proved: a valid reply came over it. misses: requests in a row without a valid reply.
    renewing: the connection is to be closed, a new one may do better. wary: seconds to wait for the end of
    the connection after an answer. least_s: time-out that this link has shown to need. unhurried: there is
    something to wait for before each request.
    """

    __slots__ = (
        "_barren",
        "_connects",
        "_journal",
        "_manner",
        "_missed_ns",
        "_nap",
        "active",
        "converse",
        "due_ns",
        "ever_answered",
        "fresh",
        "least_s",
        "link",
        "log",
        "misses",
        "proved",
        "renewing",
        "resume",
        "shared",
        "unhurried",
        "wary",
    )

    def __init__(
        self, make_link: Callable[[StrayHandler], Link], manner: Manner, journal: Journal, nap: Nap
    ) -> None:
        self.link = make_link(self._stray)
        self.converse: Converse | None = getattr(self.link, "converse", None)
        self.resume: Resume | None = getattr(self.link, "resume", None)
        self.log = LinkLog()
        self._manner = manner
        self._journal = journal
        self._nap = nap
        self._connects = ConnectBudget(manner.pacing)
        self.active = 0
        self.shared = False
        self.due_ns = 0
        self.fresh = self.proved = self.ever_answered = self.renewing = False
        self.wary = _FIRST_LOOK
        self.unhurried = bool(manner.gap_ns or manner.budget is not None)
        self.misses = 0
        self.least_s = 0.0
        self._barren = 0  # connections in a row without a valid reply
        self._missed_ns = 0  # when the last request that was given up was sent

    async def connect(self, tag: str) -> bool:
        """Open the link within the connect budget; False if it is to be given up. tag: for whom."""
        await self.close()  # tells how the last connection ended, if the device ended it
        if self._barren > self._manner.pacing.connect_tries:
            return False
        tries = self._manner.pacing.connect_tries + (2 if self.ever_answered else 0)
        for attempt in range(1, tries + 1):
            await self._nap.until(self._connects.due_ns())
            if self._nap.stopping:
                return False
            self._journal.phase(tag, Phase.CONNECTING)
            outcome = await self._open()
            if outcome is ConnectOutcome.OPEN:
                return True
            if outcome in _FINAL:
                break
            if attempt < tries:
                wait_ns = self._manner.pacing.backoff_ns(attempt, self._manner.pacing.connect_interval_s)
                await self._nap.until((self._connects.last_ns or 0) + wait_ns)
        return False

    async def _open(self) -> ConnectOutcome:
        connect = await self.link.open(self._manner.first_timeout_s)
        self._connects.connected(connect.sent_ns)
        self._journal.connect(self.log, connect)
        if connect.outcome is ConnectOutcome.OPEN:
            self.fresh, self.proved = True, False
            self._barren += 1
            self.due_ns = max(self.due_ns, connect.received_ns + self._manner.connect_pause_ns)
        return connect.outcome

    async def close(self) -> None:
        """Close the link in good order; how it ended is kept."""
        disconnect = await self.link.close()
        if disconnect is not None and disconnect.by_peer and self.proved:
            self._grow_wary()
        if disconnect is not None and self._journal.broken is None:
            self._journal.disconnect(self.log, disconnect)

    async def is_hung_up(self) -> bool:
        """True if the device closes after its answer; a request that meets the close would be lost.

        Waited for only where a connection has ended after an answer before, or is the first one: then for
        what has come already. A device that does not hang up this time is trusted again.
        """
        if self.wary < 0:
            await asyncio.sleep(0)
            self.wary = 0.0
            return not self.link.is_open
        if await self.link.ends_within(self.wary):
            return True
        self.wary = 0.0
        self.converse = getattr(self.link, "converse", None)
        return False

    # what the link has shown -------------------------------------------------------------------------

    def prove(self) -> None:
        """A valid reply came over this connection."""
        self.proved = self.ever_answered = True
        self._barren = 0
        self._connects.answered()

    def missed(self, exchange: Exchange) -> None:
        """Count a request without a valid reply; after a full turn of them the socket is to be renewed."""
        if exchange.outcome in _CUT and self.proved:
            self._grow_wary()
        if exchange.purpose is Purpose.ABSENT_UNIT:
            return  # silence is what is expected
        self.misses += 1
        self._missed_ns = exchange.sent_ns
        if self.ever_answered and self.misses == self._patience():
            self.renewing = True

    def is_lost(self) -> bool:
        """True if so many requests in a row had no valid reply that the link is to be given up."""
        return self.misses >= self._patience() * (2 if self.ever_answered else 1)

    def _patience(self) -> int:
        """Requests in a row without a valid reply that make one full turn of this link."""
        return max(self.active, self._manner.retries + 2)

    def _grow_wary(self) -> None:
        """The device ended a connection over which it had answered: perhaps it does so each time."""
        self.wary = HANG_UP_S
        self.converse = None

    def _stray(self, stray: Stray) -> None:
        """Keep a stray; a late answer shows how long this link must be waited for.

        A gateway whose own time-out is longer than ours answers for a dead unit while the next unit is
        being asked, which then looks dead as well. So the time-out of a shared link grows, within bounds.
        A device alone on its link is judged by its profile's time-out: there its lateness harms nobody.
        """
        self._journal.stray(stray)
        if stray.outcome is Outcome.LATE and self._missed_ns and self.shared:
            took_s = (stray.received_ns - self._missed_ns) / SECOND_NS
            longest_s = _MOST_PATIENCE * self._manner.first_timeout_s
            self.least_s = max(self.least_s, min(_MARGIN * took_s, longest_s))
            self.unhurried = True
