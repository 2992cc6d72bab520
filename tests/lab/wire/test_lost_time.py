"""A computer that is held up does not call a device silent that answered meanwhile.

The server runs in the same loop, so that holding the loop up holds both: as on a laptop that sleeps, the
answer comes after the time-out by the clock, and within it by the time in which anything ran.
"""

from __future__ import annotations

import asyncio
import struct
import time

import pytest

from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome
from probe.model.profile import Quirks
from probe.wire.lost_time import LostTime, PatientTimeout
from probe.wire.system_clock import SystemClock
from probe.wire.tcp_link import TcpLink

GOOD = bytes.fromhex("0306022B00000064")
TIMEOUT_S = 0.4
HELD_S = 0.9


def adu(frame: bytes) -> bytes:
    return struct.pack(">HHHB", int.from_bytes(frame[:2], "big"), 0, 1 + len(GOOD), frame[6]) + GOOD


def held_up(after_s: float) -> None:
    """Block the running loop once, so much later."""
    asyncio.get_running_loop().call_later(after_s, time.sleep, HELD_S)


async def test_what_this_computer_lost_is_added_to_the_wait(hostile, strays, ask):
    async with hostile(lambda frame, _: [0.2, adu(frame)]) as server:
        link = TcpLink(
            Target("127.0.0.1", server.port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append
        )
        await link.open(20.0)
        held_up(0.1)
        exchange = await link.exchange(ask(timeout_s=TIMEOUT_S), Quirks())
        await link.close()
    assert exchange.outcome is Outcome.DATA
    assert exchange.received_ns - exchange.sent_ns >= HELD_S * 1e9
    assert strays == []


async def test_silence_ends_although_the_computer_is_held_up_again_and_again(hostile, strays, ask):
    async with hostile(lambda frame, _: []) as server:
        link = TcpLink(
            Target("127.0.0.1", server.port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append
        )
        await link.open(20.0)
        for beat in range(1, 40):
            asyncio.get_running_loop().call_later(beat * 0.1, time.sleep, 0.09)
        exchange = await link.exchange(ask(timeout_s=TIMEOUT_S), Quirks())
        await link.close()
    assert exchange.outcome is Outcome.NO_ANSWER
    assert exchange.received_ns - exchange.sent_ns >= TIMEOUT_S * 1e9


async def test_a_connection_gets_what_was_lost(hostile, strays):
    async with hostile(lambda frame, _: []) as server:
        link = TcpLink(
            Target("127.0.0.1", server.port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append
        )
        asyncio.get_running_loop().call_soon(time.sleep, HELD_S)
        connect = await link.open(TIMEOUT_S)
        await link.close()
    assert connect.outcome is ConnectOutcome.OPEN


async def test_a_patient_timeout_ends_and_adds_only_what_was_lost():
    with pytest.raises(TimeoutError):
        async with PatientTimeout(0.05):
            await asyncio.Event().wait()
    answered = asyncio.Event()
    asyncio.get_running_loop().call_later(0.2, answered.set)
    held_up(0.05)
    async with PatientTimeout(0.3):
        await asyncio.sleep(0.25)
        await answered.wait()


class LateLoop:
    """A loop whose time is set by hand, and whose one timer is struck by hand."""

    now = 10.0

    def time(self) -> float:
        return self.now

    def call_at(self, when, callback):
        self.callback = callback
        return callback

    def strike(self, now: float) -> None:
        self.now = now
        self.callback()


def test_a_loss_is_made_good_when_the_loop_has_run_four_times_as_long_since():
    """Source: RFC 6298, 5.5: after an outage the next retransmission comes within about its length."""
    loop = LateLoop()
    lost = LostTime(loop)
    lost.watch()
    loop.strike(10.25)  # due at 10.05, so 0.2 s were lost
    loop.strike(10.3)
    loop.now = 10.3
    assert lost.more(10.0, 0.3) == pytest.approx(0.2)  # the wait was mostly loss
    for beat in range(1, 15):
        loop.strike(10.3 + 0.05 * beat)
    assert lost.more(10.0, 1.0) == pytest.approx(0.2)  # 0.75 s since
    for beat in range(15, 18):
        loop.strike(10.3 + 0.05 * beat)
    assert lost.more(10.0, 1.15) == 0.0  # 0.9 s since
    assert lost.since(10.0) == pytest.approx(0.2)  # it was lost all the same


async def test_the_beat_ends_with_its_last_user():
    loop = asyncio.get_running_loop()
    lost = LostTime.of(loop)
    lost.watch()
    began = loop.time()
    await asyncio.sleep(0.01)
    time.sleep(0.2)  # noqa: ASYNC251 - it is what a busy computer does
    assert lost.since(began) >= 0.1
    await asyncio.sleep(0)
    assert lost.since(began) >= 0.1
    assert lost.since(loop.time()) < 0.001
    lost.leave()
    await asyncio.sleep(0.12)
    assert lost._beat is None
