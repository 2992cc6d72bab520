"""Reading a reference clock: an NTP server, or this computer's own clock.

Each reading is a ReferenceSample with bounds of (reference - local wall time). What must not be trusted is
kept with its reason and marked unusable; nothing raises. All samples are evidence; the best is the one with
the shortest interval, for delay can only widen it (RFC 5905, 10, clock filter).
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import socket
from collections.abc import Sequence
from typing import NamedTuple

from probe.model.clock import RunClock, paired
from probe.model.evidence import ReferenceSample
from probe.wire import sntp
from probe.wire.lost_time import PatientTimeout
from probe.wire.sync_state import SyncState, sync_state
from probe.wire.system_clock import wall_step_ns


class Sampling(NamedTuple):
    """How often to ask, with what pause (2 s, as in a burst of NTP, from memory), how long to wait."""

    samples: int = 4
    gap_s: float = 2.0
    timeout_s: float = 1.0


CAREFUL = Sampling()
#: How long a name may take to resolve.
NAME_S = 5.0


async def read_ntp(
    host: str,
    clock: RunClock,
    *,
    port: int = 123,
    sampling: Sampling = CAREFUL,
    local_address: str | None = None,
    source: str = "",
) -> tuple[ReferenceSample, ...]:
    """One reading or more of an NTP server, in order; fewer when it refuses (kiss code).

    source: what to call it in the evidence, "ntp HOST" if empty.
    Each has its own socket and source port, so that an answer cannot be guessed and an unreachable port
    does no harm to the next.
    """
    taken: list[ReferenceSample] = []
    for turn in range(sampling.samples):
        if turn:
            await asyncio.sleep(sampling.gap_s)
        sample = await _read_once(
            source or f"ntp {host}", (host, port), clock, sampling.timeout_s, local_address
        )
        taken.append(sample)
        if "kiss code" in sample.reason:
            break
    return tuple(taken)


def best(samples: Sequence[ReferenceSample]) -> ReferenceSample:
    """The usable sample with the narrowest bounds, the last one if none is usable. At least one is needed."""
    usable = [sample for sample in samples if sample.usable]
    return min(usable, key=lambda s: s.high_ns - s.low_ns) if usable else samples[-1]


def read_laptop(clock: RunClock, state: SyncState | None = None) -> ReferenceSample:
    """This computer's own clock as reference: offset 0, within the error that the system states.

    state: as sync_state gives it (read here if None). Unusable when the system says that its clock is not
    synchronised; where the system does not tell, usable, with the reason saying so.
    """
    now_ns = clock.now_ns()
    state = sync_state() if state is None else state
    reach = state.error_ns + wall_step_ns()
    if not state.known:
        return _laptop(now_ns, reach, usable=True, reason="this system does not tell if it is synchronised")
    if not state.synchronised:
        why = "the system says that this computer's clock is not synchronised"
        return _laptop(now_ns, reach, usable=False, reason=why)
    return _laptop(now_ns, reach, usable=True, reason="")


def _laptop(now_ns: int, reach: int, *, usable: bool, reason: str) -> ReferenceSample:
    return ReferenceSample("laptop", now_ns, now_ns, -reach, reach, usable, reason, b"")


class _Exchange(asyncio.DatagramProtocol):
    """One request and the datagrams that come back, each with its time."""

    def __init__(self, clock: RunClock, nonce: int) -> None:
        self._clock = clock
        self._nonce = nonce
        self.answered: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.received_ns = 0
        self.data = b""
        self.trouble = ""

    def datagram_received(self, data: bytes, addr: object) -> None:
        """Keep the answer to our nonce; anything else is kept only until that comes."""
        if self.answered.done():
            return
        answer = sntp.parse(data)
        self.received_ns, self.data = self._clock.now_ns(), data
        if answer is not None and answer.origin == self._nonce:
            self.answered.set_result(None)

    def error_received(self, exc: Exception) -> None:
        """The system reports the server's port or host unreachable."""
        self._fail(exc)

    def connection_lost(self, exc: Exception | None) -> None:
        """The socket broke."""
        if exc is not None:
            self._fail(exc)

    def _fail(self, error: Exception) -> None:
        self.trouble = f"it cannot be reached ({_spoken(error)})"
        if not self.answered.done():
            self.answered.set_result(None)


async def _read_once(
    source: str, place: tuple[str, int], clock: RunClock, timeout_s: float, local_address: str | None
) -> ReferenceSample:
    nonce = secrets.randbits(64) | 1
    local = (local_address, 0) if local_address else None
    sent_ns = clock.now_ns()
    try:
        async with asyncio.timeout(NAME_S):
            transport, talk = await asyncio.get_running_loop().create_datagram_endpoint(
                lambda: _Exchange(clock, nonce), remote_addr=place, local_addr=local
            )
    except (OSError, UnicodeError) as error:  # the second for names that no DNS can hold
        why = f"it cannot be reached ({_spoken(error)})"
        return ReferenceSample(source, sent_ns, clock.now_ns(), 0, 0, False, why, b"")
    try:
        sent_ns, wall_ns = paired(clock)
        transport.sendto(sntp.request(nonce))
        with contextlib.suppress(TimeoutError):
            async with PatientTimeout(timeout_s):
                await talk.answered
    finally:
        transport.close()
    if not talk.data:
        why = talk.trouble or f"no answer within {timeout_s:g} s"
        return ReferenceSample(source, sent_ns, clock.now_ns(), 0, 0, False, why, b"")
    return sample_of(source, talk.data, nonce, sent_ns, talk.received_ns, wall_ns)


def sample_of(
    source: str, data: bytes, nonce: int, sent_ns: int, received_ns: int, wall_ns: int
) -> ReferenceSample:
    """What one answer says. sent_ns, received_ns: monotonic; wall_ns: wall time at sending.

    The wall time of receiving is taken from the monotonic clock, so that a step in between does no harm.
    """
    answer = sntp.parse(data)
    if answer is None:
        why = f"its answer has {len(data)} bytes; at least {sntp.SIZE} are needed"
        return ReferenceSample(source, sent_ns, received_ns, 0, 0, False, why, data)
    why = sntp.why_unusable(answer, nonce)
    if why:
        return ReferenceSample(source, sent_ns, received_ns, 0, 0, False, why, data)
    bounds = sntp.offset(answer, wall_ns, wall_ns + received_ns - sent_ns)
    step = wall_step_ns()
    low, high = bounds.low_ns - step, bounds.high_ns + step
    return ReferenceSample(source, sent_ns, received_ns, low, high, True, sntp.caveat(answer), data)


def _spoken(error: Exception) -> str:
    """What an error of the operating system means here."""
    if isinstance(error, (socket.gaierror, UnicodeError)):
        return "its name does not resolve"
    if isinstance(error, TimeoutError):
        return f"its name did not resolve within {NAME_S:g} s"
    if isinstance(error, ConnectionRefusedError):
        return "nobody listens at its port"
    return type(error).__name__
