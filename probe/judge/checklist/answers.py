"""Answers: what stands of everything that was said to the lines of a checklist.

The last answer counts; what was said before it stays in the record. Pure: the judge uses
it, and the command that fills a list, so that both show the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from probe.model.checklist import Checklist, ChecklistLine
from probe.model.evidence import AnswerTopic, OperatorAnswer

YES, NO, NOT_APPLICABLE = "yes", "no", "does not apply"

Numbered = tuple[int, OperatorAnswer]
#: What answers a line; all else stands beside.
ANSWERS = (AnswerTopic.CONFIRMED, AnswerTopic.VALUE, AnswerTopic.SKIPPED)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineState:
    """What was said to one line. answer: what counts, None while it is open. rounds: how often answered.

    acknowledged: names of the cautions that somebody acknowledged for it, with the first evidence.
    """

    sheet: str
    line: ChecklistLine
    answer: Numbered | None = None
    rounds: int = 0
    photographs: tuple[Numbered, ...] = ()
    remarks: tuple[Numbered, ...] = ()
    acknowledged: Mapping[str, int] = field(default_factory=dict)

    @property
    def said(self) -> str:
        """The answer in words, empty while the line is open or was skipped."""
        if self.answer is None or self.answer[1].topic is AnswerTopic.SKIPPED:
            return ""
        return self.answer[1].said

    @property
    def skipped(self) -> str:
        """The reason why it was left out, empty if it was not."""
        if self.answer is None or self.answer[1].topic is not AnswerTopic.SKIPPED:
            return ""
        return self.answer[1].said or "no reason given"

    @property
    def evidence(self) -> tuple[int, ...]:
        """Numbers of the lines of the record that it rests on."""
        own = () if self.answer is None else (self.answer[0],)
        return (*own, *(number for number, _ in (*self.photographs, *self.remarks)))


def states(sheet: str, checklist: Checklist, said: Iterable[Numbered]) -> tuple[LineState, ...]:
    """The state of each line, in the list's order."""
    by_item: dict[str, list[Numbered]] = {}
    for number, answer in said:
        if answer.sheet == sheet:
            by_item.setdefault(answer.item, []).append((number, answer))
    return tuple(_state(sheet, line, by_item.get(line.id, ())) for line in checklist.lines)


def _state(sheet: str, line: ChecklistLine, said: Sequence[Numbered]) -> LineState:
    answers = [one for one in said if one[1].topic in ANSWERS]
    return LineState(
        sheet=sheet,
        line=line,
        answer=answers[-1] if answers else None,
        rounds=len(answers),
        photographs=tuple(one for one in said if one[1].topic is AnswerTopic.PHOTOGRAPH),
        remarks=tuple(one for one in said if one[1].topic is AnswerTopic.REMARK),
        acknowledged={
            answer.part: number
            for number, answer in reversed(said)
            if answer.topic is AnswerTopic.ACKNOWLEDGED
        },
    )
