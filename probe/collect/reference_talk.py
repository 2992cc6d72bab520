"""The conversation with a device whose clock is a reference: its own word on it, then aimed readings.

The method is that of every clock (``clock_talk``), to the finest that the device allows: what all others are
held against must not be the coarsest part. At the end of the run two more readings, aimed by what is known,
show that it ran on evenly.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.collect.clock_talk import ClockTalk
from probe.collect.device_plan import DevicePlan, Step
from probe.collect.plan import plan_reads
from probe.collect.turn import Script
from probe.model.evidence import Purpose
from probe.wire.link import Request

#: Readings at the end of a run.
AT_THE_END = 2


@dataclass(slots=True, kw_only=True)
class ReferenceTalk:
    """One reference of the lineup. clock: its readings. sync: how to ask whether it is kept in step."""

    clock: ClockTalk
    sync: tuple[Step, ...] = ()

    @property
    def answered(self) -> bool:
        """True if its clock was read at least once."""
        return self.clock.state is not None

    def script(self) -> Script:
        """What is asked before all else."""
        yield from self.clock.script()
        yield from self._ask_sync()

    def closing_script(self) -> Script:
        """What is asked when all else is done."""
        yield from self.clock.more(AT_THE_END)
        yield from self._ask_sync()

    def _ask_sync(self) -> Script:
        """Once, without retries: a device that keeps silent on this is believed as one that cannot tell."""
        talk = self.clock
        for step in self.sync if self.answered else ():
            yield Request(talk.terms.tag, Purpose.REFERENCE, 0, 1, talk.unit, step.pdu, talk.limits.timeout_s)


def sync_steps(plan: DevicePlan) -> tuple[Step, ...]:
    """The reads of the point in which the device says whether its clock is kept in step."""
    rule = plan.profile.clock
    if rule is None or rule.sync is None:
        return ()
    point = plan.profile.by_name[rule.sync.point]
    reads = plan_reads([point], plan.profile.limits, plan.profile.holes, plan.price)
    return tuple(plan.step(Purpose.REFERENCE, read) for read in reads)
