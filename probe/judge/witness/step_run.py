"""What became of each step by what people said: the answers of a record, put together.

begun -> acknowledged ... -> ready (the go) -> done -> confirmed ... -> ended      or stopped, or skipped

A step that is repeated begins again with the next round; what was said before does not count any more, but
stays in the record.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from probe.model.evidence import AnswerTopic, OperatorAnswer

Key = tuple[str, str, str]


@dataclass(slots=True, kw_only=True)
class StepRun:
    """One round of one step. Times are nanoseconds of the run, 0 for not yet."""

    key: Key
    round: int
    begun_ns: int = 0
    ready_ns: int = 0
    done_ns: int = 0
    ended_ns: int = 0
    acknowledged: set[str] = field(default_factory=set)
    late_acknowledged: set[str] = field(default_factory=set)  # after the go
    confirmed: dict[str, OperatorAnswer] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    skipped: str = ""
    stopped: bool = False
    by: str = ""
    sequences: list[int] = field(default_factory=list)

    @property
    def is_over(self) -> bool:
        """True when nothing more is said of this round."""
        return bool(self.ended_ns or self.skipped or self.stopped)

    @property
    def state(self) -> str:
        """begun, watched, done, ended, skipped or stopped."""
        if self.skipped or self.stopped:
            return "skipped" if self.skipped else "stopped"
        if self.ended_ns:
            return "ended"
        return "done" if self.done_ns else "watched" if self.ready_ns else "begun"


class Runs:
    """All rounds of all steps; ``take`` answers in the order of the record."""

    def __init__(self) -> None:
        self.by_key: dict[Key, list[StepRun]] = {}
        #: Cautions of a whole procedure that were acknowledged, by sheet and part.
        self.acknowledged: set[tuple[str, str]] = set()

    def last(self, key: Key) -> StepRun | None:
        """The round that counts; None if the step was never begun."""
        runs = self.by_key.get(key)
        return runs[-1] if runs else None

    def take(self, number: int, answer: OperatorAnswer) -> StepRun | None:
        """The round that the answer belongs to, with the answer in it; None if it belongs to none."""
        if not answer.item:
            if answer.topic is AnswerTopic.ACKNOWLEDGED:
                self.acknowledged.add((answer.sheet, answer.part))
            return None
        key = (answer.sheet, answer.item, answer.tag)
        runs = self.by_key.setdefault(key, [])
        if not runs or answer.topic is AnswerTopic.BEGUN:
            runs.append(StepRun(key=key, round=len(runs) + 1, begun_ns=answer.at_ns))
        run = runs[-1]
        run.sequences.append(number)
        run.by = answer.initials or run.by
        _TAKERS.get(answer.topic, _nothing)(run, answer)
        return run


def _nothing(_run: StepRun, _answer: OperatorAnswer) -> None:
    """Topics that change nothing of a step (pauses, photographs)."""


def _acknowledged(run: StepRun, answer: OperatorAnswer) -> None:
    (run.late_acknowledged if run.ready_ns else run.acknowledged).add(answer.part)


def _ready(run: StepRun, answer: OperatorAnswer) -> None:
    run.ready_ns = answer.at_ns


def _done(run: StepRun, answer: OperatorAnswer) -> None:
    run.done_ns = answer.at_ns


def _confirmed(run: StepRun, answer: OperatorAnswer) -> None:
    run.confirmed[answer.part] = answer


def _remark(run: StepRun, answer: OperatorAnswer) -> None:
    run.remarks.append(answer.remark or answer.said)


def _skipped(run: StepRun, answer: OperatorAnswer) -> None:
    run.skipped = answer.said or "no reason given"
    run.ended_ns = answer.at_ns


def _stopped(run: StepRun, answer: OperatorAnswer) -> None:
    run.stopped = True
    run.ended_ns = answer.at_ns


def _ended(run: StepRun, answer: OperatorAnswer) -> None:
    run.ended_ns = answer.at_ns


_TAKERS = {
    AnswerTopic.ACKNOWLEDGED: _acknowledged,
    AnswerTopic.READY: _ready,
    AnswerTopic.DONE: _done,
    AnswerTopic.CONFIRMED: _confirmed,
    AnswerTopic.VALUE: _confirmed,
    AnswerTopic.REMARK: _remark,
    AnswerTopic.SKIPPED: _skipped,
    AnswerTopic.STOPPED: _stopped,
    AnswerTopic.ENDED: _ended,
}
