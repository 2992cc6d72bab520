"""What the checks across devices see: the facts of every judged device, and the run."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any

from probe.judge.facts import DeviceJudgement, Facts
from probe.judge.run_context import RunContext
from probe.model.device_evidence import RunEvidence
from probe.model.lineup import Lineup
from probe.model.scope import Scope


class LineupContext:
    """All judgements of a run, for the checks across devices and the causes."""

    def __init__(
        self, lineup: Lineup, scope: Scope, judgements: Mapping[str, DeviceJudgement], run: RunEvidence
    ) -> None:
        self.lineup = lineup
        self.map = lineup.map
        self.scope = scope
        self.judgements = judgements
        self.run = run
        #: What a module worked out once for this run, by its own key.
        self.memory: dict[str, Any] = {}

    @cached_property
    def time(self) -> RunContext:
        """Wall time and reference clock of the run."""
        return RunContext(self.lineup, self.run)

    @cached_property
    def undone(self) -> int:
        """Devices that were not done when the run ended: what is missing is "not tested", not a fault."""
        return sum(judgement.facts.interrupted for judgement in self.judgements.values())

    @cached_property
    def facts(self) -> dict[str, Facts]:
        """Facts by tag, in the map's order."""
        tags = (device.tag for device in self.map.devices)
        return {tag: self.judgements[tag].facts for tag in tags if tag in self.judgements}
