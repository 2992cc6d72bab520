"""Talk: keys and lines that people type while a procedure is witnessed, and what they say, into the record.

The keys that work on every screen (stop, skip, pause, remark, leave) are dealt with here; what a step wants
of people is the session's.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NoReturn

from probe.collect.witness_poll import WitnessPoll
from probe.judge.witness.plan import Item
from probe.judge.witness.watch import Watch
from probe.model.clock import RunClock
from probe.model.evidence import AnswerTopic, OperatorAnswer
from probe.present.keys import END, ENTER, ESCAPE
from probe.present.keys import Line as TypedLine
from probe.present.witness.pages import GO, LEAVE, PAUSE, REMARK, SKIP, STOP, Pages, Turn
from probe.present.witness.view import Stage, View

_TICK_S = 0.03
#: Nobody reads a caution faster; keys that were typed ahead must not acknowledge what nobody has seen.
READ_S = 0.6


class Left(Exception):  # noqa: N818 - what happened
    """The people leave; the record stays open."""


class Stopped(Exception):  # noqa: N818 - what happened
    """The stop key: the step is abandoned."""


class Skipped(Exception):  # noqa: N818 - what happened
    """The step is skipped; the reason is in the record."""


@dataclass(slots=True, kw_only=True)
class Tools:
    """What a session works with.

    keep: takes an answer and has it on disk at once. on_go: told when an act may begin (a practice operator
    listens to it). stop: set from a signal. read_s: so long a caution stands before it can be acknowledged.
    """

    watch: Watch
    poll: WitnessPoll
    clock: RunClock
    keep: Callable[[OperatorAnswer], object]
    show: Callable[[View], None]
    key: Callable[[], str | None]
    stop: asyncio.Event
    read_s: float = READ_S
    on_go: Callable[[Item, int], None] = lambda item, round_: None


class Talk:
    """See module. turn: the step at hand. stage: of the screen shown last. initials: who works the keys."""

    def __init__(self, tools: Tools, initials: str) -> None:
        self.tools = tools
        self.pages = Pages(tools.watch)
        self.initials = initials
        self.turn = Turn()
        self.stage = Stage.WELCOME
        self.hint = ""

    # -- keys ----------------------------------------------------------------------------------------------

    async def pressed(self, *wanted: str, view: Callable[[], View]) -> str:
        """The first of the wanted keys that is pressed; the keys that always work are dealt with here."""
        while True:
            await self.tick()  # also for a key that is held down: polls and signals get their turns
            self.show(view())
            key = self.tools.key()
            if key is None:
                continue
            if key in wanted or (key == ENTER and GO in wanted and self.stage is Stage.RESULT):
                self.hint = ""
                return GO if key == ENTER else key
            await self.usual(key)

    async def usual(self, key: str) -> None:
        """Keys that work on every screen."""
        watching = self.stage in (Stage.GO, Stage.SEEN)
        in_step = self.turn.item is not None and self.stage is not Stage.RESULT
        self.hint = ""
        if key in (END, LEAVE):
            raise Left
        if key in (STOP, ESCAPE) and in_step:
            raise Stopped
        if key == SKIP and in_step and not watching:
            await self._skip()
        elif key == PAUSE and not watching:
            await self._pause()
        elif key == REMARK:
            remark = await self.typed("Remark, then Enter (empty: none)")
            if remark:
                self.say(AnswerTopic.REMARK, remark=remark)
        elif key == PAUSE:
            self.hint = "Somebody acts now: stop the step (x) before you pause."
        else:
            self.hint = f"The key {key} means nothing here."

    async def _skip(self) -> NoReturn:
        reason = await self.typed("Why is this step skipped? Then Enter", least=1)
        self.say(AnswerTopic.SKIPPED, said=reason)
        raise Skipped

    async def _pause(self) -> None:
        """Close all links until somebody goes on."""
        self.say(AnswerTopic.PAUSED)
        await self.tools.poll.halt()
        before, view = self.stage, self.pages.paused(self.turn)
        while True:
            self.show(view)
            key = self.tools.key()
            if key in (PAUSE, GO, ENTER):
                break
            if key in (LEAVE, END):
                raise Left
            await self.tick()
        self.stage = before
        self.say(AnswerTopic.RESUMED)
        self.tools.poll.start()

    async def typed(self, prompt: str, *, most: int = 200, least: int = 0) -> str:
        """A line of text. Escape or the stop key's own key cannot end it; leaving can."""
        line, before = TypedLine(most), self.stage
        while True:
            self.show(self.pages.typing(self.turn, prompt, line.text))
            key = self.tools.key()
            if key is None:
                await self.tick()
            elif key == END:
                raise Left
            elif line.press(key):
                if len(line.text.strip()) >= least:
                    self.stage = before
                    return line.text.strip()
                self.hint = "Something must be typed here."

    async def tick(self) -> None:
        """Let the polls have their turn. Raises Left after a signal, and what broke the polling."""
        if self.tools.stop.is_set():
            raise Left
        if self.tools.poll.broken is not None:
            raise self.tools.poll.broken
        await asyncio.sleep(_TICK_S)

    def show(self, view: View) -> None:
        """Show a screen, with the hint that stands."""
        self.stage = view.stage
        self.tools.show(replace(view, hint=self.hint))

    # -- the record ----------------------------------------------------------------------------------------

    def say(
        self,
        topic: AnswerTopic,
        *,
        sheet: str = "",
        part: str = "",
        question: str = "",
        said: str = "",
        remark: str = "",
    ) -> None:
        """Keep what was said, of the step at hand or (sheet) of a whole procedure."""
        item, round_ = self.turn
        self.tools.keep(
            OperatorAnswer(
                at_ns=self.tools.clock.now_ns(),
                sheet=sheet or (item.procedure.name if item else ""),
                item="" if sheet or item is None else item.step.id,
                part=part,
                tag="" if sheet or item is None else item.about,
                round=round_ if item else 0,
                topic=topic,
                question=question,
                said=said,
                initials=self.initials,
                remark=remark,
            )
        )
