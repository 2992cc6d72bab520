"""One run of a field checklist: every answer goes to the record at once, so that a crash loses nothing.

Nothing here asks or shows: keys and pictures are the command's, verdicts the judge's.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from probe.judge.checklist.answers import ANSWERS, LineState, states
from probe.model.checklist import BEFORE, Checklist, ChecklistLine
from probe.model.clock import RunClock
from probe.model.device_evidence import RunEvidence
from probe.model.evidence import Anchor, AnswerTopic, Evidence, Note, OperatorAnswer
from probe.model.photograph import Photograph, said_of

#: Wall time is taken again when it ran away from ours so far: the computer slept, or its clock was set.
_APART_NS = 1_000_000_000


class Keeper(Protocol):
    """What is needed of ``record.writer.RecordWriter``."""

    def keep(self, evidence: Evidence) -> int:
        """Write one piece of evidence; its sequence number."""
        ...

    def flush(self) -> None:
        """Hand all lines so far to the operating system."""
        ...


class ChecklistRun:
    """A checklist being filled. sheet: its name in the record; initials: of who answers."""

    def __init__(
        self, sheet: str, checklist: Checklist, keeper: Keeper, clock: RunClock, *, initials: str
    ) -> None:
        self.sheet = sheet
        self.checklist = checklist
        self.initials = initials
        self._keeper = keeper
        self._clock = clock
        self._said: list[tuple[int, OperatorAnswer]] = []
        self._read: set[tuple[str, str]] = set()  # what a line is about, and the caution
        self._rounds: dict[str, int] = {}  # of the lines that have an answer
        self._anchors: list[tuple[int, Anchor]] = []
        self._notes: list[tuple[int, Note]] = []
        self._anchor()

    @property
    def states(self) -> tuple[LineState, ...]:
        """The state of each line."""
        return states(self.sheet, self.checklist, self._said)

    @property
    def evidence(self) -> RunEvidence:
        """All that the judge needs."""
        return RunEvidence(anchors=tuple(self._anchors), notes=tuple(self._notes), answers=tuple(self._said))

    def unread(self, line: ChecklistLine | None) -> tuple[tuple[str, str], ...]:
        """Cautions, name and text, still to be acknowledged before the line (None: before the list)."""
        names, about = ((BEFORE,), "") if line is None else (line.cautions, line.about)
        if line is None and BEFORE not in self.checklist.cautions:
            return ()
        return tuple(pair for name in names if (about, name) not in self._read for pair in self._own(name))

    def _own(self, name: str) -> tuple[tuple[str, str], ...]:
        return ((name, self.checklist.cautions[name]),)

    def acknowledge(self, line: ChecklistLine | None, name: str) -> None:
        """Somebody read a caution and says so."""
        self._keep(line, AnswerTopic.ACKNOWLEDGED, "read and understood", self.checklist.cautions[name], name)

    def answer(self, line: ChecklistLine, said: str, remark: str = "") -> None:
        """The line is answered: yes, no, does not apply, or a measured value."""
        topic = AnswerTopic.CONFIRMED
        if line.measure is not None and said[:1] in "+-.0123456789":
            topic = AnswerTopic.VALUE
        self._keep(line, topic, said, line.ask, remark=remark, new_round=True)

    def leave_out(self, line: ChecklistLine, reason: str) -> None:
        """The line is left out, with the reason; it counts as not tested."""
        self._keep(line, AnswerTopic.SKIPPED, reason, line.ask, new_round=True)

    def photograph(self, line: ChecklistLine, photo: Photograph) -> None:
        """A photograph belongs to the line."""
        self._keep(line, AnswerTopic.PHOTOGRAPH, said_of(photo), photo.name)

    def remark(self, line: ChecklistLine, text: str) -> None:
        """Something to be said to the line beside its answer."""
        self._keep(line, AnswerTopic.REMARK, text, line.ask)

    def note(self, topic: str, text: str) -> None:
        """Something about the run itself."""
        note = Note(self._clock.now_ns(), topic, text)
        self._notes.append((self._keeper.keep(note), note))
        self._keeper.flush()

    def take_over(self, answers: Iterable[OperatorAnswer]) -> None:
        """Answers of an older record, their times already in this run's."""
        for answer in answers:
            self._take(self._keeper.keep(answer), answer)
        self._keeper.flush()

    def end(self) -> None:
        """Wall time once more."""
        self._anchor()

    def _keep(  # noqa: PLR0913 (the fields of an answer)
        self,
        line: ChecklistLine | None,
        topic: AnswerTopic,
        said: str,
        question: str,
        part: str = "",
        *,
        remark: str = "",
        new_round: bool = False,
    ) -> None:
        self._anchor_if_apart()
        item = "" if line is None else line.id
        answer = OperatorAnswer(
            at_ns=self._clock.now_ns(),
            sheet=self.sheet,
            item=item,
            part=part,
            tag="" if line is None else line.about,
            round=self._round(item, new=new_round),
            topic=topic,
            question=question,
            said=said,
            initials=self.initials,
            remark=remark,
        )
        self._take(self._keeper.keep(answer), answer)
        self._keeper.flush()

    def _take(self, number: int, answer: OperatorAnswer) -> None:
        self._said.append((number, answer))
        if answer.topic in ANSWERS:
            self._rounds[answer.item] = answer.round
        if answer.topic is AnswerTopic.ACKNOWLEDGED:
            self._read.add((answer.tag, answer.part))

    def _round(self, item: str, *, new: bool) -> int:
        """The round that an answer belongs to: each new answer to a line begins one."""
        last = self._rounds.get(item, 0)
        return last + 1 if new else max(last, 1)

    def _anchor(self) -> None:
        anchor = Anchor(self._clock.now_ns(), self._clock.wall_ns())
        self._anchors.append((self._keeper.keep(anchor), anchor))
        self._keeper.flush()

    def _anchor_if_apart(self) -> None:
        last = self._anchors[-1][1]
        gone_ns = self._clock.now_ns() - last.at_ns
        if abs(self._clock.wall_ns() - last.wall_ns - gone_ns) > _APART_NS:
            self._anchor()


def in_our_time(
    answers: Iterable[tuple[int, OperatorAnswer]],
    anchors: Iterable[tuple[int, Anchor]],
    now: Anchor,
) -> list[OperatorAnswer]:
    """Answers of an older record with their times as this run counts them: before its start, so negative."""
    known = list(anchors)
    moved = []
    for number, answer in answers:
        before = [anchor for place, anchor in known if place < number] or [anchor for _, anchor in known[:1]]
        wall_ns = before[-1].wall_ns + answer.at_ns - before[-1].at_ns if before else now.wall_ns
        moved.append(answer._replace(at_ns=now.at_ns + wall_ns - now.wall_ns))
    return moved
