"""The reference clock as a device of the lineup, and the wall clock that ties everything."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from probe.judge import judge_device
from probe.judge.run_context import RunContext
from probe.model.device_evidence import RunEvidence
from probe.model.evidence import Anchor, Exchange, Purpose
from probe.model.finding import Verdict

SECOND = 1_000_000_000


def with_tag_reference(judge: Any, **master: Any) -> tuple[Any, RunEvidence]:
    """A lineup whose F1 is the reference, and the run with F1's clock read as such."""
    result = judge({"map": {"clock": {"reference": "tag:F1"}}, "devices": [master, {}]})
    told = judge.__globals__["Told"](master, judge.__globals__["DEVICE"])
    readings = tuple(
        (seq + 200, exchange._replace(purpose=Purpose.REFERENCE))
        for seq, exchange in told.tell().exchanges
        if exchange.purpose is Purpose.CLOCK
    )
    return result, replace(result.run, reference_exchanges=readings)


def skew_of_f2(judge: Any, **master: Any) -> Any:
    result, run = with_tag_reference(judge, **master)
    told = judge.__globals__["Told"]({}, {**judge.__globals__["DEVICE"], "tag": "F2"})
    judgement = judge_device(result.lineup, result.scope, told.tell(), run)
    (finding,) = [f for f in judgement.findings if f.check == "clock.skew"]
    return finding


def test_the_reference_is_not_judged_against_itself(judge: Any) -> None:
    result, _ = with_tag_reference(judge)
    assert not [f for f in result.judgements["F1"].findings if f.check == "clock.skew"]


def test_a_device_is_compared_with_the_reference_device_not_with_the_laptop(judge: Any) -> None:
    """The laptop is 60 s behind both: that is nobody's fault in the lineup."""
    master = skew_of_f2(judge, clock_s=60)
    assert master.verdict is Verdict.FAIL
    assert float(master.observed) == pytest.approx(-60, abs=1.0)
    assert skew_of_f2(judge).verdict is Verdict.PASS


def test_an_invalid_reference_gives_no_skew(judge: Any) -> None:
    finding = skew_of_f2(judge, wire=[{"purpose": "clock", "outcome": "no answer"}])
    assert finding.verdict is Verdict.NOT_TESTED
    assert "did not answer" in finding.title


def context_of(judge: Any, *anchors: tuple[float, float]) -> RunContext:
    result = judge({})
    made = tuple(
        (i, Anchor(round(at * SECOND), round(wall * SECOND))) for i, (at, wall) in enumerate(anchors)
    )
    return RunContext(result.lineup, RunEvidence(anchors=made))


def test_wall_time_follows_the_first_anchor(judge: Any) -> None:
    context = context_of(judge, (10, 1000), (20, 1010))
    assert context.wall_s(15 * SECOND) == 1005
    assert context.step_s == 0


@pytest.mark.parametrize(("wall", "step"), [(1010.04, 0), (1010.4, 0.4), (1005, -5)])
def test_a_step_is_told_from_slewing(judge: Any, wall: float, step: float) -> None:
    """An hour of slewing at 500 ppm is 1.8 s and no step."""
    assert context_of(judge, (10, 1000), (20, wall)).step_s == pytest.approx(step)
    assert context_of(judge, (0, 0), (3600, 3601.7)).step_s == 0


def test_of_steps_alike_in_size_the_first_is_told(judge: Any) -> None:
    assert context_of(judge, (0, 0), (10, 15), (20, 20)).step_s == pytest.approx(5)
    assert context_of(judge, (0, 0), (10, 15), (20, 40)).step_s == pytest.approx(15)


def test_without_an_anchor_there_is_no_wall_time(judge: Any) -> None:
    assert context_of(judge).wall_s(0) is None


def test_exchanges_of_the_reference_are_no_evidence_of_the_device(judge: Any) -> None:
    result, run = with_tag_reference(judge)
    (_, exchange), *_ = run.reference_exchanges
    assert isinstance(exchange, Exchange)
    evidence = replace(
        judge.__globals__["Told"]({}, judge.__globals__["DEVICE"]).tell(),
        exchanges=run.reference_exchanges,
        connects=(),
    )
    judgement = judge_device(result.lineup, result.scope, evidence, run)
    assert {f.verdict for f in judgement.findings} == {Verdict.NOT_TESTED}
