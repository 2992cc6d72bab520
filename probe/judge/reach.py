"""Which of the many ways of being silent a device shows.

A refused connection, a silent one, a gateway that names its target silent and a device that answers with
exceptions only are different findings with different remedies.
Source: MODBUS Application Protocol Specification V1.1b3, 7 (exception codes 0A and 0B).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from probe.judge.facts import Reach
from probe.model.evidence import Connect, ConnectOutcome, Exchange, Framing, Outcome

GATEWAY_CODES = {0x0A: Reach.NO_PATH, 0x0B: Reach.NO_TARGET}

#: Replies that came and could not be accepted.
MALFORMED = frozenset(
    {
        Outcome.WRONG_TRANSACTION,
        Outcome.WRONG_PROTOCOL,
        Outcome.WRONG_UNIT,
        Outcome.WRONG_FUNCTION,
        Outcome.SHORT,
        Outcome.LONG,
        Outcome.ODD,
        Outcome.BAD_CHECKSUM,
        Outcome.BAD_FRAME,
    }
)
#: No reply at all.
LOST = frozenset({Outcome.NO_ANSWER, Outcome.CLOSED, Outcome.RESET})

_CONNECTS = {
    ConnectOutcome.REFUSED: Reach.REFUSED,
    ConnectOutcome.NO_ANSWER: Reach.NO_CONNECT,
    ConnectOutcome.NO_ROUTE: Reach.NO_ROUTE,
    ConnectOutcome.CLOSED_AT_ONCE: Reach.CLOSES,
    ConnectOutcome.NO_NAME: Reach.NO_NAME,
    ConnectOutcome.NO_PORT: Reach.NO_PORT,
    ConnectOutcome.NOT_PERMITTED: Reach.NOT_PERMITTED,
    ConnectOutcome.FAILED: Reach.FAILED,
}


def is_lost(exchange: Exchange) -> bool:
    """True if nothing of the device came back: silence, a closed connection, or a gateway saying so."""
    return (
        exchange.outcome in LOST
        or (exchange.outcome is Outcome.EXCEPTION and exchange.exception_code in GATEWAY_CODES)
        or _is_anothers(exchange)
    )


def _is_anothers(exchange: Exchange) -> bool:
    """True for a serial frame of another unit: without a transaction id nothing ties it to the request."""
    return exchange.outcome is Outcome.WRONG_UNIT and exchange.framing is Framing.RTU


def reach_of(sent: Sequence[tuple[int, Exchange]], connects: Sequence[tuple[int, Connect]]) -> Reach:
    """How far a device could be reached, from the attempts on it and the connections of its link.

    What the device said outranks what the gateway said of it, and both outrank silence.
    """
    if not sent:
        return _from_connects(connects)
    outcomes = Counter(exchange.outcome for _, exchange in sent if not _is_anothers(exchange))
    if outcomes[Outcome.DATA]:
        return Reach.ANSWERS
    codes = Counter(e.exception_code for _, e in sent if e.outcome is Outcome.EXCEPTION)
    if any(code not in GATEWAY_CODES for code in codes):
        return Reach.EXCEPTIONS_ONLY
    if any(outcomes[kind] for kind in MALFORMED):
        return Reach.MALFORMED_ONLY
    if codes:
        return GATEWAY_CODES[codes.most_common(1)[0][0]]
    closed = outcomes[Outcome.CLOSED] + outcomes[Outcome.RESET]
    return Reach.CLOSES if closed > outcomes[Outcome.NO_ANSWER] else Reach.SILENT


def _from_connects(connects: Sequence[tuple[int, Connect]]) -> Reach:
    """The last attempt speaks, but a connection that opened once is never called refused for good."""
    kinds = [connect.outcome for _, connect in connects]
    failed = [kind for kind in kinds if kind is not ConnectOutcome.OPEN]
    return _CONNECTS[failed[-1]] if failed else Reach.NOT_TRIED
