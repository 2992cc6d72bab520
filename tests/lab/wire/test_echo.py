"""ICMP echo to loopback, as far as the system permits this process."""

from __future__ import annotations

import pytest

from probe.wire.echo import EchoRight, echo, echo_right
from probe.wire.system_clock import SystemClock


async def test_loopback_answers_where_echo_is_permitted():
    right = echo_right()
    assert isinstance(right, EchoRight)
    if right not in (EchoRight.RAW, EchoRight.DATAGRAM):
        pytest.skip(f"ICMP echo: {right.value}")
    found = await echo("127.0.0.1", "M1", SystemClock(), right, timeout_s=20.0)
    assert (found.host, found.tag, found.answered) == ("127.0.0.1", "M1", True)
    assert found.sent_ns < found.received_ns


@pytest.mark.parametrize("host", ["255.255.255.255", "not an address", "127.0.0.256"])
async def test_what_cannot_be_sent_is_not_answered_and_never_raises(host):
    assert not (await echo(host, "M1", SystemClock(), echo_right(), timeout_s=0.1)).answered
