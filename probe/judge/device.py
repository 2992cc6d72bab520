"""All verdicts on one device, by the rules of order.

    reachability and replies     judged on what was sent
    identity                     wrong -> nothing that the device shows is judged: it may be another device
    proof point                  does not fit, or was not read -> values are void
    values                       judged; those that a frozen device or a cache could show pass only after
                                 something that must move has moved

A verdict exists for each check that applies; where a check has nothing to say, it says why.
"""

from __future__ import annotations

from probe.judge.check import DeviceCheck, Need
from probe.judge.context import DeviceContext
from probe.judge.device_facts import facts_of
from probe.judge.expectation import agendas_of, subject_of
from probe.judge.facts import DeviceJudgement
from probe.judge.gates import TEACHING, Gates
from probe.judge.run_context import RunContext
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

_run_contexts: list[RunContext] = []


def judge_device(lineup: Lineup, scope: Scope, evidence: DeviceEvidence, run: RunEvidence) -> DeviceJudgement:
    """All verdicts on one device: a pure function of map, profile and evidence."""
    subject = subject_of(lineup, scope, evidence.tag)
    context = DeviceContext(subject, evidence, _run_context(lineup, run))
    gates = Gates()
    findings: list[Finding] = []
    open_ = True  # the usual case: nothing to weigh
    for check, due in agendas_of(lineup, scope).of(subject):
        found = list(check.run(check, context)) if open_ else _judge(check, context, gates)
        if due and not found:
            found = [check.untested(context.tag, context.why_nothing())]
        if check.id in TEACHING:
            gates.learn(check.id, found)
            open_ = not (gates.identity or gates.proof or gates.doubt)
        findings += found
    return DeviceJudgement(tag=context.tag, findings=tuple(findings), facts=facts_of(context, gates))


def _judge(check: DeviceCheck, context: DeviceContext, gates: Gates) -> list[Finding]:
    """What the check finds, after the rules of order."""
    shut = gates.shut_for(check.needs)
    if shut and (gates.identity or context.blocks):  # a silent device has a plainer reason than its proof
        return [check.untested(context.tag, shut)]
    found = list(check.run(check, context))
    if gates.doubt and Need.FRESHNESS in check.needs:
        return [_doubted(finding, gates.doubt) for finding in found]
    return found


def _doubted(finding: Finding, doubt: str) -> Finding:
    """A pass that a frozen device or a cache could show as well is for a person to review."""
    if finding.verdict is not Verdict.PASS:
        return finding
    return finding._replace(
        verdict=Verdict.REVIEW,
        title=f"{finding.title}, but {doubt}",
        advice="First clear up whether the values of this device are alive; then this counts.",
        danger=2,
    )


def _run_context(lineup: Lineup, run: RunEvidence) -> RunContext:
    """The context of this run; the last one is kept, since all devices of a run share it."""
    last = _run_contexts[0] if _run_contexts else None
    if last is None or last.run is not run or last.lineup is not lineup:
        last = RunContext(lineup, run)
        _run_contexts[:] = [last]
    return last
