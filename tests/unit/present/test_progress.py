"""Progress: what is known of a run, told event by event."""

from __future__ import annotations

from types import SimpleNamespace

from probe.collect.events import Phase, RunPlan
from probe.model.evidence import Outcome
from probe.model.finding import Verdict
from probe.present.progress import Progress


def test_counts_follow_every_event(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    assert progress.counts == {Phase.WAITING: 25}
    progress.phase("52-F3", Phase.IDENTITY)
    assert progress.counts[Phase.POLLING] == 1
    progress.judged("52-F3", staged.findings_of("52-F3"), final=False)
    progress.phase("52-F3", Phase.DONE)
    assert (progress.counts[Verdict.FAIL], progress.counts[Phase.POLLING]) == (1, 0)
    assert sum(progress.counts.values()) == 25


def test_a_pass_is_not_shown_before_the_device_is_done(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    progress.phase("52-F1", Phase.POLLING)
    progress.judged("52-F1", staged.findings_of("52-F1"), final=False)
    assert progress.shown["52-F1"] is Phase.POLLING
    progress.phase("52-F1", Phase.DONE)
    assert progress.shown["52-F1"] is Verdict.PASS


def test_a_device_done_without_findings_is_not_tested(plan: RunPlan) -> None:
    progress = Progress()
    progress.run_started(plan)
    progress.phase("52-F1", Phase.DONE)
    assert progress.shown["52-F1"] is Verdict.NOT_TESTED


def test_findings_on_the_lineup_are_no_device(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    progress.judged("lineup", [staged.found("run.step", "lineup", Verdict.FAIL, "Clock stepped")], final=True)
    assert sum(progress.counts.values()) == 25
    assert progress.troubles()[0].tags == ("lineup",)


def test_reply_time_only_of_answers(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    assert progress.reply_ms("52-F1") is None
    progress.exchange(staged.exchange("52-F1", 12.5))
    assert progress.reply_ms("52-F1") == 12.5
    progress.exchange(staged.exchange("52-F1", 1000, Outcome.NO_ANSWER))
    assert progress.reply_ms("52-F1") is None
    assert progress.requests == 2


def test_troubles_are_sorted_and_like_ones_joined(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    staged.tell(progress, plan, devices=25)
    troubles = progress.troubles()
    assert [trouble.finding.check for trouble in troubles] == [
        "identity.serial",
        "reach.answers",
        "sanity.range",
        "clock.skew",
    ]
    assert troubles[1].tags == ("52-F7", "52-F8", "GW-2", "PM-F7")


def test_the_run_is_whole_only_when_every_device_is_done(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    for _ in range(plan.requests * 2):
        progress.exchange(staged.exchange("52-F1", 1))
    assert progress.fraction() == 0.99
    for tag in plan.scope.tags:
        progress.phase(tag, Phase.DONE)
        progress.phase(tag, Phase.DONE)
    assert (progress.done, progress.fraction()) == (25, 1.0)


def test_time_left_is_not_invented_once_the_plan_is_overrun(plan: RunPlan) -> None:
    progress = Progress()
    assert progress.left_s(1.0) is None
    progress.run_started(plan)
    assert progress.left_s(4.0) == 20.0
    assert progress.left_s(24.5) is None


def test_a_device_with_many_troubles_takes_one_line(plan: RunPlan, staged: SimpleNamespace) -> None:
    progress = Progress()
    progress.run_started(plan)
    bad = [staged.found(f"c{n}", "52-F1", Verdict.REVIEW, f"Trouble {n}", danger=n) for n in range(4)]
    progress.judged("52-F1", bad, final=False)
    (trouble,) = progress.troubles()
    assert (trouble.finding.title, trouble.more) == ("Trouble 3", 3)
