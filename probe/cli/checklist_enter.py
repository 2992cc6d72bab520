"""``checklist enter``: a list that was filled in on paper, typed in later, one line of text an answer.

12 y                       line 12: yes
13 n gland is loose        no, and what is wrong
14 23.4 +/- 0.1 V          a measured value
15 x no UPS in this one    does not apply, and why
16 s no access             left out, and why
17 p IMG_0012.jpg          a photograph that belongs to the line
17 r seen by daylight      a remark
end                        the list is ended
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from probe.cli.checklist_start import Opened, Wanted, begun, finish, opened, tell
from probe.collect.checklist_run import ChecklistRun
from probe.collect.checklists import open_photograph
from probe.judge.checklist.answers import NO, NOT_APPLICABLE, YES
from probe.judge.checklist.measured import judge_value, value_of
from probe.model.checklist import ChecklistLine
from probe.model.errors import InputError, Problem
from probe.model.finding import Verdict

_FORMS = "NUMBER then y, n WHAT, x WHY, s WHY, p FILE, r TEXT, or a value with its unit; end"


def enter(wanted: Wanted, *, by: str, on: str, signed: bool) -> int:
    """Take the answers of a paper from standard input; the exit code.

    by, on: who filled in the paper, and when, as it says. signed: its caution box is signed.
    Raises InputError, RecordError; InputError at the end if lines of a pipe could not be understood.
    """
    if not by.strip() or not on.strip():
        raise InputError([_unnamed()])
    start = opened(wanted)
    try:
        run = begun(start, wanted.initials or by.strip())
        run.note("paper", f"typed in from paper, filled in by {by.strip()} on {on.strip()}")
        if signed:
            _acknowledge(run)
        entering = Entering(start, run)
        stopped = entering.work()
        code = finish(start, run, stopped)
    finally:
        start.writer.close()
    if entering.problems:
        raise InputError(entering.problems)
    return code


def _acknowledge(run: ChecklistRun) -> None:
    """All cautions, as the signature on the paper stands for them."""
    for name, _ in run.unread(None):
        run.acknowledge(None, name)
    for line in run.checklist.lines:
        for name, _ in run.unread(line):
            run.acknowledge(line, name)


class Entering:
    """Takes lines of text until they end. problems: of lines that were not understood."""

    def __init__(self, start: Opened, run: ChecklistRun) -> None:
        self._drawn = start.lineup.map
        self._run = run
        self._by_id = {line.id: line for line in run.checklist.lines}
        self._talks = sys.stdin.isatty()
        self.problems: list[Problem] = []

    def work(self) -> str:
        """Take everything; why the list was left before its end, empty if it was not."""
        if self._talks:
            tell(f"Type what stands on the paper: {_FORMS}")
        number = 0
        try:
            while text := sys.stdin.readline():
                number += 1
                if text.strip().casefold() == "end":
                    return ""
                if text.strip() and not text.lstrip().startswith("#"):
                    self._take(number, text.strip())
        except KeyboardInterrupt:
            return "stopped by the operator"
        return "the input ended without end"

    def _take(self, number: int, text: str) -> None:
        try:
            self._answer(text)
        except InputError as error:
            for problem in error.problems:
                told = Problem(
                    file="line", line=number, what=problem.what, found=problem.found or text,
                    allowed=problem.allowed,
                )  # fmt: skip
                if self._talks:
                    tell(str(told))
                else:
                    self.problems.append(told)

    def _answer(self, text: str) -> None:
        name, _, rest = text.partition(" ")
        line = self._line(name)
        word, _, more = rest.strip().partition(" ")
        more = more.strip()
        if word.casefold() in _TAKERS and (word.casefold() == "y" or more):
            _TAKERS[word.casefold()](self, line, more)
        elif line.measure is not None and value_of(line.measure, rest) is not None:
            self._run.answer(line, rest.strip())
        elif line.measure is not None:
            raise _wrong("this is no value of the line", rest, " or ".join(line.measure.units))
        else:
            raise _wrong("this is no answer", rest, _FORMS)
        self._echo(line)

    def _line(self, name: str) -> ChecklistLine:
        lines = self._run.checklist.lines
        if name.isdecimal() and 1 <= int(name) <= len(lines):
            return lines[int(name) - 1]
        if name in self._by_id:
            return self._by_id[name]
        raise _wrong("there is no such line", name, f"1 to {len(lines)}, or the name of a line")

    def _echo(self, line: ChecklistLine) -> None:
        """What the tool understood, so that a slip of the pencil or the finger is seen at once."""
        if not self._talks:
            return
        state = next(state for state in self._run.states if state.line is line)
        said = state.said or (f"left out: {state.skipped}" if state.skipped else "not answered")
        tell(f"  {line.about}: {line.ask}")
        tell(f"  -> {said}{self._told(line, said)}")

    def _told(self, line: ChecklistLine, said: str) -> str:
        seen = None if line.measure is None else value_of(line.measure, said)
        if line.measure is None or seen is None:
            return ""
        judged = judge_value(line.measure, line.about, seen, self._drawn)
        return "" if judged.verdict is Verdict.PASS else f"  {judged.verdict.upper()}: {judged.expected}"

    def _yes(self, line: ChecklistLine, more: str) -> None:
        if line.measure is not None:
            raise _wrong("a value is measured here", "y", " or ".join(line.measure.units))
        self._run.answer(line, YES, more)

    def _no(self, line: ChecklistLine, more: str) -> None:
        if line.measure is not None:
            raise _wrong("a value is measured here", "n", " or ".join(line.measure.units))
        self._run.answer(line, NO, more)

    def _away(self, line: ChecklistLine, more: str) -> None:
        self._run.answer(line, NOT_APPLICABLE, more)

    def _out(self, line: ChecklistLine, more: str) -> None:
        self._run.leave_out(line, more)

    def _photograph(self, line: ChecklistLine, more: str) -> None:
        self._run.photograph(line, open_photograph(Path(more).expanduser()))

    def _remark(self, line: ChecklistLine, more: str) -> None:
        self._run.remark(line, more)


_TAKERS: dict[str, Callable[[Entering, ChecklistLine, str], None]] = {
    "y": Entering._yes,
    "n": Entering._no,
    "x": Entering._away,
    "s": Entering._out,
    "p": Entering._photograph,
    "r": Entering._remark,
}


def _wrong(what: str, found: str, allowed: str) -> InputError:
    return InputError([Problem(file="line", what=what, found=found, allowed=allowed)])


def _unnamed() -> Problem:
    return Problem(
        file="--by, --on",
        what="who filled in the paper, and when?",
        allowed='--by "A. Tester" --on 2026-03-14',
        remedy="both stand at the foot of the printed list",
    )
