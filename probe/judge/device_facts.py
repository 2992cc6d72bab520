"""Facts of one device for the lineup's checks and causes, taken from its evidence."""

from __future__ import annotations

from probe.judge.clock_view import clock_of
from probe.judge.context import DeviceContext
from probe.judge.diagnosis.seeing import sighting_of
from probe.judge.electrical.snapshot import Snapshot
from probe.judge.electrical.taking import snapshots_of, stand_of
from probe.judge.facts import Facts, Pair
from probe.judge.gates import Gates
from probe.judge.held_up import stall_of, stalls_of
from probe.judge.identity import identity_of
from probe.judge.proof import where_it_fits
from probe.judge.settings.as_found import as_found
from probe.model.evidence import Framing, Outcome

#: Pairs kept of one device; enough for a rank test over a lineup, small for thousands of devices.
MOST_PAIRS = 12


def facts_of(context: DeviceContext, gates: Gates) -> Facts:
    """The facts of a device that was judged."""
    said = identity_of(context)
    fit = where_it_fits(context) if gates.proof_wrong else None
    target = context.target
    return Facts(
        link=target.link,
        gateway=target.gateway,
        host=target.host,
        reach=context.reach,
        interrupted=context.evidence.interrupted,
        identity={
            field: one.text for field, one in said.items() if not (one.by_register and gates.proof_wrong)
        },
        identity_evidence=tuple(dict.fromkeys(one.sequence for one in said.values())),
        identity_wrong=bool(gates.identity),
        proof_wrong=gates.proof_wrong,
        shift=fit.shift if fit else 0,
        order=fit.order if fit else "",
        stale=bool(gates.doubt),
        lost=context.lost,
        late=_late(context),
        ratio=context.memory.get("ratio", ""),
        answers_for_all=bool(context.memory.get("answers for all")),
        clock_hours=context.memory.get("clock_hours", 0.0),
        pairs=_pairs(context),
        snapshots=_ends(snapshots_of(context)),
        stand=stand_of(context),
        sighting=None if gates.identity or gates.proof_wrong else sighting_of(context),
        clock=clock_of(context),
        settings=None if gates.identity or gates.proof or not context.blocks else as_found(context),
    )


def _late(context: DeviceContext) -> int:
    """Answers that came after the time-out."""
    strays = context.evidence.strays
    return sum(stray.outcome is Outcome.LATE for _, stray in strays) if strays else 0


def _ends(taken: tuple[Snapshot, ...]) -> tuple[Snapshot, ...]:
    """The first and the last; a run of thousands of devices holds no more."""
    return taken if len(taken) < 2 else (taken[0], taken[-1])


def _pairs(context: DeviceContext) -> tuple[Pair, ...]:
    """First and last reply time of each request that was answered more than once at the first attempt.

    Replies through which this computer was held up tell nothing of the gear.
    """
    if context.is_clean and len({e.request[2:] for _, e in context.sent}) == len(context.sent):
        return ()  # nothing was asked twice
    first: dict[bytes, tuple[int, int]] = {}
    last: dict[bytes, tuple[int, int]] = {}
    stalls = stalls_of(context)
    for sequence, exchange in context.sent:
        if exchange.outcome is Outcome.DATA and exchange.attempt == 1 and not stall_of(exchange, stalls):
            key = exchange.request[7:] if exchange.framing is Framing.MBAP else exchange.request
            timed = (sequence, exchange.received_ns - exchange.sent_ns)
            first.setdefault(key, timed)
            last[key] = timed
    both = [(first[key][1], last[key][1]) for key in first if last[key][0] != first[key][0]]
    return tuple(Pair(*times) for times in both[:MOST_PAIRS])
