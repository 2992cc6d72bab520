"""The scripted operator does a step right, wrong, late, twice, elsewhere, not at all: each is told apart.

Real sockets, real polls, a real record; and the verdicts follow again from the record, word for word.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from probe.collect.procedures import bundled_procedures
from probe.judge.witness.outcome import Kind
from probe.model.evidence import AnswerTopic, OperatorAnswer
from probe.model.finding import Verdict
from probe.practice.crew import Mood
from probe.practice.fault import Fault
from probe.present.keys import ENTER
from probe.present.witness.view import Stage
from probe.record.content import lineup_of, load
from probe.record.rejudge import judge_again
from probe.record.verify import verify

OPEN = """\
format: buswitness-procedure/1
name: trial
title: Trial
purpose: For a test.
for_each: trip-unit
steps:
  - id: open
    title: "{tag}: open"
    act: open
    do: "Open {tag}."
    before: [{see: breaker, is: [closed]}]
    expect:
      - {id: opens, see: breaker, becomes: open, within: 2500 ms}
    allow: [{of: meter}]
    confirm: [{id: flag, ask: "Does the flag show OPEN?"}]
    log: event
"""
KINDS = {
    Mood.RIGHT: Kind.SEEN,
    Mood.WRONG: Kind.WRONG,
    Mood.LATE: Kind.LATE,
    Mood.TWICE: Kind.TWICE,
    Mood.ELSEWHERE: Kind.ELSEWHERE,
    Mood.IDLE: Kind.NOTHING,
}


@pytest.mark.parametrize("mood", list(Mood))
async def test_each_way_of_doing_it_is_told_apart(mood: Mood, rig: Any) -> None:
    async with rig("MC-1", "52-F1", "52-F2") as up:
        stand = up.stand(OPEN, "52-F1")
        run, done = await up.lead(stand, mood)
        assert done
        outcome = run.watch.outcomes["trial", "open", "52-F1"]
        assert [one.kind for one in outcome.outcomes] == [KINDS[mood]], (outcome.outcomes, outcome.elsewhere)
        moved = {change.tag for change in outcome.elsewhere}
        assert ("52-F2" in moved) == (mood is Mood.ELSEWHERE)
        assert (outcome.verdict is Verdict.PASS) == (mood is Mood.RIGHT)
        ended = run.close_open()
        assert ended.code
    content = load(stand.path)
    assert verify(stand.path).whole
    again = judge_again(content, lineup_of(content.header))
    assert again.findings == content.findings
    step = next(f for f in content.findings if f.check == "witness.step")
    assert step.verdict is (Verdict.PASS if mood is Mood.RIGHT else Verdict.FAIL)


async def test_a_unit_behind_a_gateway_and_without_a_log(rig: Any) -> None:
    """An older type has no event log: that takes nothing from what was seen."""
    async with rig("MC-1", "GW-1", "52-F3", "52-F4") as up:
        stand = up.stand(OPEN.replace("2500 ms", "5 min"), "52-F3")
        run, done = await up.lead(stand, Mood.RIGHT)
        assert done
        outcome = run.watch.outcomes["trial", "open", "52-F3"]
        assert outcome.verdict is Verdict.PASS, outcome
        assert outcome.logged is not None
        assert outcome.logged.verdict is Verdict.NOT_TESTED
        ended = run.close_open()
    assert ended.result is not None
    assert ended.result.complete, ended.result.why_incomplete


async def test_a_caution_that_nobody_has_read_is_not_acknowledged(rig: Any) -> None:
    """Whoever types ahead, or leans on the key, still has each caution before his eyes for a moment."""
    async with rig("MC-1", "52-F1", "52-F2") as up:
        stand = up.stand(OPEN, "52-F1")
        await up.lead(stand, Mood.RIGHT, read_s=0.3)
        answers = [
            a for _, a in load(stand.path).evidence[OperatorAnswer] if a.topic is AnswerTopic.ACKNOWLEDGED
        ]
        shown = [view.texts for view in up.person.views if view.stage is Stage.CAUTION]
    assert len(answers) == 4
    assert len(set(shown)) == 4, "each caution was shown"
    gaps = [b.at_ns - a.at_ns for a, b in pairwise(answers)]
    assert min(gaps) >= 300_000_000


async def test_two_swapped_devices_are_told_by_an_act_at_the_plate(rig: Any) -> None:
    """They answer perfectly; only that the other tag's value moves tells where each one sits."""
    text = (bundled_procedures() / "which-cubicle.yaml").read_text("utf-8")
    swapped = Fault(kind="swapped-addresses", at="52-F1", partner="52-F2")
    async with rig("MC-1", "52-F1", "52-F2", faults=[swapped]) as up:
        stand = up.stand(text, "52-F1")
        run, _ = await up.lead(stand, Mood.RIGHT, {Stage.TYPE: ["x", ENTER], Stage.RESULT: ["q"]})
        outcome = run.watch.outcomes["which-cubicle", "plate", "52-F1"]
        assert [one.kind for one in outcome.outcomes] == [Kind.ELSEWHERE], outcome.outcomes
        assert "52-F2" in outcome.outcomes[0].observed


async def test_a_repeated_step_counts_and_the_former_round_stays(rig: Any) -> None:
    """Undo is doing the step again: the record keeps both rounds, the last one gives the verdict."""
    async with rig("MC-1", "52-F1", "52-F2") as up:
        stand = up.stand(OPEN, "52-F1")
        script = {Stage.RESULT: ["m", "r"], Stage.TYPE: ["n", "o", ENTER]}
        run, done = await up.lead(stand, Mood.IDLE, script)
        assert done
        run.close_open()
    content = load(stand.path)
    topics = [answer.topic for _, answer in content.evidence[OperatorAnswer]]
    assert topics.count(AnswerTopic.ENDED) == 2
    assert topics.count(AnswerTopic.REPEATED) == 1
    assert run.watch.outcomes["trial", "open", "52-F1"].run.round == 2
    step = next(f for f in content.findings if f.check == "witness.step")
    assert step.verdict is Verdict.PASS
    remarks = [a.remark for _, a in content.evidence[OperatorAnswer] if a.topic is AnswerTopic.REMARK]
    assert remarks == ["no"]
