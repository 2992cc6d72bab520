"""Facts of one device for the lineup's checks and causes, taken from its evidence."""

from __future__ import annotations

from probe.judge.blocks import request_pdu, response_pdu
from probe.judge.context import DeviceContext, Numbered
from probe.judge.facts import AbsentReply, Facts, Pair
from probe.judge.gates import Gates
from probe.judge.identity import identity_of
from probe.judge.proof import where_it_fits
from probe.model.evidence import Framing, Outcome
from probe.model.pdu import unit_of

#: Pairs kept of one device; enough for a rank test over a lineup, small for thousands of devices.
MOST_PAIRS = 12


def facts_of(context: DeviceContext, gates: Gates) -> Facts:
    """The facts of a device that was judged."""
    said = identity_of(context)
    fit = where_it_fits(context) if gates.proof else None
    target = context.target
    absent = tuple(_absent(numbered) for numbered in context.absent_units())
    return Facts(
        link=target.link,
        gateway=target.gateway,
        host=target.host,
        reach=context.reach,
        interrupted=context.evidence.interrupted,
        identity={field: one.text for field, one in said.items()},
        identity_evidence=tuple(dict.fromkeys(one.sequence for one in said.values())),
        identity_wrong=bool(gates.identity),
        proof_wrong=bool(gates.proof),
        shift=fit.shift if fit else 0,
        order=fit.order if fit else "",
        stale=bool(gates.doubt),
        clock_hours=context.memory.get("clock_hours", 0.0),
        absent=absent,
        own_replies=_own_replies(context),
        pairs=_pairs(context),
    )


def _absent(numbered: Numbered) -> AbsentReply:
    sequence, exchange = numbered
    asked, answered = request_pdu(exchange), response_pdu(exchange)
    unit = unit_of(exchange.request, exchange.framing) or 0
    return AbsentReply(unit, exchange.outcome, exchange.exception_code, asked, answered, sequence)


def _own_replies(context: DeviceContext) -> dict[bytes, bytes]:
    """First data reply to each request of at most 16 registers or of identification: what absent units are asked."""
    replies: dict[bytes, bytes] = {}
    for _, exchange in context.sent:
        if exchange.outcome is Outcome.DATA and len(exchange.response) <= 64:
            replies.setdefault(request_pdu(exchange), response_pdu(exchange))
            if len(replies) >= 8:
                break
    return replies


def _pairs(context: DeviceContext) -> tuple[Pair, ...]:
    """First and last reply time of each request that was answered more than once at the first attempt."""
    first: dict[bytes, tuple[int, int]] = {}
    last: dict[bytes, tuple[int, int]] = {}
    for sequence, exchange in context.sent:
        if exchange.outcome is Outcome.DATA and exchange.attempt == 1:
            key = exchange.request[7:] if exchange.framing is Framing.MBAP else exchange.request
            timed = (sequence, exchange.received_ns - exchange.sent_ns)
            first.setdefault(key, timed)
            last[key] = timed
    both = [(first[key][1], last[key][1]) for key in first if last[key][0] != first[key][0]]
    return tuple(Pair(*times) for times in both[:MOST_PAIRS])
