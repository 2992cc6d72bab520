"""The agent: prepares a run and carries it out, from the first connection to the last verdict.

    prepare   lineup and scope -> RunPlan (what will be asked, how long it should take, what is expected)
    audit     asks all devices at the same time, one task a link; keeps everything in the ledger as it
              happens; has each device judged when it is done and the whole at the end

Never more than one socket of ours to one host and port. The run ends early, in good order and marked as
incomplete, when it is told to stop or when the ledger cannot keep what was seen.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from probe.collect.events import AuditResult, Ledger, Observer, RunPlan
from probe.collect.judging import Judge, built_in_judge
from probe.collect.pacing import Pacing
from probe.collect.roster import berths_by_link, estimate
from probe.collect.run import Around, LinkFactory, Prepared, Run, Tools
from probe.collect.surroundings import Senses
from probe.model.clock import RunClock
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def prepare(lineup: Lineup, scope: Scope, *, judge: Judge | None = None) -> RunPlan:
    """What a run over the scope intends, for healthy gear; nothing is touched.

    Raises InputError if points of a device cannot be read as map and profile say.
    """
    judge = judge or built_in_judge()
    berths = berths_by_link(lineup, scope)
    expected = estimate(berths, scope)
    return Prepared(
        berths=berths,
        lineup=lineup,
        scope=scope,
        requests=expected.requests,
        seconds=expected.seconds,
        expectations=tuple(judge.expected(lineup, scope)),
    )


async def audit(  # noqa: PLR0913 - the public face; the last four are for tests
    plan: RunPlan,
    *,
    ledger: Ledger,
    observers: Sequence[Observer],
    clock: RunClock,
    stop: asyncio.Event,
    link_factory: LinkFactory | None = None,
    judge: Judge | None = None,
    pacing: Pacing | None = None,
    senses: Senses | None = None,
    around: Around | None = None,
) -> AuditResult:
    """Carry out the run; what it came to.

    around: what else is done around the asking of devices (a survey).
    stop: set it to end early (the request in flight gets ``pacing.grace_s``). The ledger is not closed or
    sealed here: that belongs to the caller, with ``AuditResult.complete`` and ``why_incomplete``.
    Raises InputError if the plan's lineup cannot be asked at all (see ``prepare``).
    """
    if link_factory is None:
        from probe.wire.connect import link_to

        link_factory = link_to
    judge = judge or built_in_judge()
    tools = Tools(
        ledger, observers, clock, link_factory, judge, pacing or Pacing(), senses or Senses(), around
    )
    return await Run(plan, tools).carry_out(stop)
