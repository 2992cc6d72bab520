"""What the collector asks of the judge; ``probe.judge`` fulfils it, tests may hand in their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol, cast

from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.finding import Cause, Expectation, Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope


class Judgement(Protocol):
    """What the judge says about one device."""

    @property
    def tag(self) -> str: ...

    @property
    def findings(self) -> Sequence[Finding]: ...


class Conclusion(Protocol):
    """What the judge says about the whole run."""

    @property
    def findings(self) -> Sequence[Finding]: ...

    @property
    def causes(self) -> Sequence[Cause]: ...


class Judge(Protocol):
    """Evidence to findings; pure."""

    def expected(self, lineup: Lineup, scope: Scope) -> Sequence[Expectation]: ...

    def judge_device(
        self, lineup: Lineup, scope: Scope, evidence: DeviceEvidence, run: RunEvidence
    ) -> Judgement: ...

    def conclude(
        self,
        lineup: Lineup,
        scope: Scope,
        judgements: Mapping[str, Any],  # the judge's own class; the collector only carries it
        run: RunEvidence,
    ) -> Conclusion: ...


def built_in_judge() -> Judge:
    """The judge of this program."""
    import probe.judge

    return cast("Judge", probe.judge)
