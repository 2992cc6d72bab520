"""``checklist fill``: the list worked through at a terminal, one key an answer."""

from __future__ import annotations

import shutil
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from probe.cli.audit_run import stops_on_signals
from probe.cli.checklist_start import Opened, Wanted, begun, finish, opened, stderr_is_terminal
from probe.collect.checklist_run import ChecklistRun
from probe.collect.checklists import open_photograph
from probe.judge.checklist.answers import NO, NOT_APPLICABLE, YES, LineState
from probe.judge.checklist.measured import judge_value, value_of
from probe.model.checklist import ChecklistLine
from probe.model.errors import InputError
from probe.model.finding import Verdict
from probe.present import keys
from probe.present.checklist_screen import Typing, View, screen, show
from probe.present.console import console
from probe.present.keys import Keyboard, keyboard
from probe.present.signs import signs_for

#: How often the screen looks whether its window has another size.
_LOOK_S = 0.5
_STOPPED = "stopped by the operator"
_ENDED = "the input ended"


class Stopped(Exception):  # noqa: N818 - says what happened
    """The list was left before its end; the text says why."""


def fill(wanted: Wanted) -> int:
    """Work through a checklist with single keys; the exit code. Raises InputError, RecordError."""
    start = opened(wanted)
    stop = threading.Event()  # a signal may come while a line is being written: it waits for the next key
    try:
        with stops_on_signals(stop.set), keyboard() as typed:
            run = begun(start, wanted.initials)
            stopped = _worked(Filling(start, run, typed, stop, live=stderr_is_terminal()))
            return finish(start, run, stopped)
    finally:
        start.writer.close()


def _worked(filling: Filling) -> str:
    """Why the list was left before its end, empty if it was not."""
    try:
        filling.work()
    except Stopped as error:
        return str(error)
    finally:
        filling.leave()
    return ""


class Filling:
    """One person at the keys. at: place of the line that is shown, from 0; -1: before the list."""

    def __init__(
        self, start: Opened, run: ChecklistRun, typed: Keyboard, stop: threading.Event, *, live: bool
    ) -> None:
        self._run = run
        self._stop = stop
        self._typed = typed
        self._live = live
        self._drawn = start.lineup.map
        self._title = f"{start.lineup.map.lineup} field checklist"
        self._console = console(sys.stderr)
        self._signs = signs_for(self._console.encoding, "")
        self._at = -1
        self._message = ""
        self._size = (0, 0)
        if live:
            self._console.set_alt_screen(True)

    def leave(self) -> None:
        """Give the terminal back."""
        if self._live:
            self._console.set_alt_screen(False)

    def work(self) -> None:
        """Go through the list until it is ended. Raises Stopped."""
        if not self._run.initials:
            self._run.initials = self._ask("Your initials", "they stand beside every answer") or "not stated"
        while self._run.unread(None):
            self._before()
        self._at = self._first_open(0)
        while True:
            if self._do(self._key()):
                return

    # what is shown and pressed

    @property
    def _lines(self) -> tuple[ChecklistLine, ...]:
        return self._run.checklist.lines

    @property
    def _line(self) -> ChecklistLine:
        return self._lines[self._at]

    def _show(self, typing: Typing | None = None) -> None:
        states = self._run.states
        line = None if self._at < 0 else self._line
        view = View(
            title=self._title,
            number=self._at + 1,
            states=states,
            cautions=self._run.unread(line),
            typing=typing,
            message=self._message,
            told=None if line is None else self._told(states[self._at]),
        )
        self._size = _size()
        show(self._console, screen(view, *self._size, self._signs), live=self._live)

    def _told(self, state: LineState) -> tuple[Verdict, str] | None:
        """What the desk says to the value of the line."""
        measure = state.line.measure
        seen = None if measure is None else value_of(measure, state.said)
        if measure is None or seen is None:
            return None
        judged = judge_value(measure, state.line.about, seen, self._drawn)
        return judged.verdict, f"expected {judged.expected}"

    def _key(self, typing: Typing | None = None) -> str:
        """The next key; the screen is drawn before, and again when the window changes. Raises Stopped."""
        self._show(typing)
        while True:
            key = self._typed.wait(_LOOK_S)
            if self._stop.is_set():
                raise Stopped(_STOPPED)
            if key == keys.END:
                raise Stopped(_ENDED)
            if key is not None:
                return key
            if self._live and _size() != self._size:
                self._show(typing)

    def _ask(self, label: str, hint: str = "", text: str = "") -> str:
        """A line of text; empty if it was given up with Escape."""
        line = keys.Line(text=text)
        while True:
            key = self._key(
                Typing(label=label, text=line.text, hint=f"{hint}  Enter ends, Esc gives up".strip())
            )
            if key == keys.ESCAPE:
                return ""
            if line.press(key):
                self._message = ""
                return line.text.strip()

    # what keys do

    def _before(self) -> None:
        key = self._key()
        self._message = ""
        if key == "a":
            self._run.acknowledge(None, self._run.unread(None)[0][0])
        elif key == "q":
            raise Stopped(_STOPPED)
        else:
            self._message = "Nothing goes on until the caution is acknowledged (a)."

    def _do(self, key: str) -> bool:
        """Do what a key says; True when the list is ended. Raises Stopped."""
        self._message = ""
        if key == "q":
            raise Stopped(_STOPPED)
        if key == "e":
            return self._may_end()
        if key in _WAYS:
            _WAYS[key](self)
        elif key == "s":
            self._leave_out()
        elif self._run.unread(self._line):
            self._acknowledge(key)
        elif self._line.measure is not None and (key in "v+-." or key.isdecimal()):
            self._value("" if key == "v" else key)
        elif key in _ANSWERS:
            _ANSWERS[key](self)
        else:
            self._message = "This key means nothing here."
        return False

    def _may_end(self) -> bool:
        left = sum(state.answer is None for state in self._run.states)
        if not left:
            return True
        self._message = f"{left} lines are open: they will be not tested. e again ends all the same."
        return self._key() == "e"

    def _acknowledge(self, key: str) -> None:
        if key == "a":
            self._run.acknowledge(self._line, self._run.unread(self._line)[0][0])
        else:
            self._message = "Nothing goes on until the caution is acknowledged (a)."

    def _yes(self) -> None:
        if self._line.measure is not None:
            self._message = "A value is measured here: v, or just type it."
            return
        self._run.answer(self._line, YES)
        self._next()

    def _no(self) -> None:
        if self._line.measure is not None:
            self._message = "A value is measured here: v, or just type it."
            return
        what = self._ask("What is wrong")
        if what:
            self._run.answer(self._line, NO, what)
            self._next()
        else:
            self._message = "Not answered: say what is wrong."

    def _away(self) -> None:
        why = self._ask("Why does it not apply", "a person will decide on it.")
        if why:
            self._run.answer(self._line, NOT_APPLICABLE, why)
            self._next()

    def _leave_out(self) -> None:
        why = self._ask("Why is it left out", "it will be not tested.")
        if why:
            self._run.leave_out(self._line, why)
            self._next()

    def _value(self, begun_with: str) -> None:
        measure = self._line.measure
        assert measure is not None  # asked only there
        units = " or ".join(measure.units)
        text = begun_with
        while True:
            text = self._ask(f"Value in {units}", "as 23.4 or 23.4 +/- 0.1;", text)
            if not text:
                return
            whole = text if text[-1].isalpha() else f"{text} {next(iter(measure.units))}"
            if value_of(measure, whole) is not None:
                break
            self._message = f"{text} is no {measure.quantity} in {units}."
        self._run.answer(self._line, whole)
        told = self._told(self._run.states[self._at])
        if told is not None and told[0] is Verdict.PASS:
            self._next()

    def _photograph(self) -> None:
        name = self._ask("File of the photograph", "its hash goes into the record;")
        if not name:
            return
        try:
            self._run.photograph(self._line, open_photograph(Path(name).expanduser()))
        except InputError as error:
            self._message = f"{name}: {error.problems[0].what}"
        else:
            self._message = "Keep the file beside the record: the report encloses it from there."

    def _remark(self) -> None:
        text = self._ask("Remark")
        if text:
            self._run.remark(self._line, text)

    def _next(self) -> None:
        if self._at + 1 < len(self._lines):
            self._at += 1
        else:
            self._message = "This was the last line. o goes to the next open one, e ends the list."

    def _back(self) -> None:
        self._at = max(self._at - 1, 0)

    def _open(self) -> None:
        self._at = self._first_open(self._at + 1)
        if self._run.states[self._at].answer is not None:
            self._message = "No line is open. e ends the list."

    def _first_open(self, begin: int) -> int:
        """The next open line from a place on, around the end; the place itself if none is."""
        states = self._run.states
        order = [*range(begin, len(states)), *range(min(begin, len(states)))]
        return next((place for place in order if states[place].answer is None), min(begin, len(states) - 1))

    def _go(self) -> None:
        text = self._ask(f"Line 1 to {len(self._lines)}")
        if text.isdecimal() and 1 <= int(text) <= len(self._lines):
            self._at = int(text) - 1
        elif text:
            self._message = f"There is no line {text}."


_WAYS: dict[str, Callable[[Filling], None]] = {
    keys.RIGHT: Filling._next,
    keys.DOWN: Filling._next,
    keys.LEFT: Filling._back,
    keys.UP: Filling._back,
    "o": Filling._open,
    "g": Filling._go,
}
_ANSWERS: dict[str, Callable[[Filling], None]] = {
    "y": Filling._yes,
    "n": Filling._no,
    "x": Filling._away,
    "p": Filling._photograph,
    "r": Filling._remark,
}


def _size() -> tuple[int, int]:
    """Columns and lines of the terminal."""
    size = shutil.get_terminal_size()
    return max(size.columns, 20), max(size.lines - 1, 8)
