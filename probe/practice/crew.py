"""The scripted operator: does each step of a procedure at the practice lineup, right or wrong in a known way.

right       does it, a moment after the go
wrong       does something else (trips instead of opening, racks too far)
late        does it long after it should have been seen
twice       does it, undoes it, does it again
elsewhere   does it at another device of the same kind
idle        does nothing
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from enum import StrEnum

from probe.practice.hand import Hand
from probe.practice.part import Stage


class Mood(StrEnum):
    """How the operator does it."""

    RIGHT = "right"
    WRONG = "wrong"
    LATE = "late"
    TWICE = "twice"
    ELSEWHERE = "elsewhere"
    IDLE = "idle"


#: What else an operator does who does the wrong thing.
_INSTEAD = {
    "open": "trip",
    "open_remote": "trip",
    "close": "trip",
    "close_remote": "trip",
    "trip": "open",
    "rack_to_test": "rack_to_withdrawn",
    "rack_to_withdrawn": "rack_to_connected",
    "rack_to_connected": "rack_to_test",
    "maintenance_on": "raise_alarm",
    "raise_alarm": "maintenance_on",
    "interrupt_bus": "interrupt_device",
}
#: What undoes an act.
_UNDO = {
    "open": "close",
    "close": "open",
    "open_remote": "close_remote",
    "close_remote": "open_remote",
    "trip": "reset",
    "rack_to_test": "rack_to_connected",
    "rack_to_withdrawn": "rack_to_test",
    "rack_to_connected": "rack_to_test",
    "maintenance_on": "maintenance_off",
    "maintenance_off": "maintenance_on",
    "raise_alarm": "clear_alarm",
    "clear_alarm": "raise_alarm",
    "interrupt_device": "restore_device",
    "restore_device": "interrupt_device",
    "interrupt_bus": "restore_bus",
    "restore_bus": "interrupt_bus",
}


class Operator:
    """Acts when told. mood: how; pause_s: until the act, and between two; late_s: until a late one."""

    def __init__(
        self,
        hand: Hand,
        mood: Mood = Mood.RIGHT,
        *,
        pause_s: float = 1.0,
        late_s: float = 5.0,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._hand = hand
        self.mood = mood
        self._pause_s, self._late_s = pause_s, late_s
        self._sleep = sleep

    async def act(self, act: str, tag: str) -> None:
        """Do what the step asks, in this mood."""
        mood = self.mood
        if mood is Mood.IDLE:
            return
        await self._sleep(self._late_s if mood is Mood.LATE else self._pause_s)
        if mood is Mood.WRONG:
            self._hand.do(_INSTEAD.get(act, act), tag)
        elif mood is Mood.ELSEWHERE:
            self._hand.do(act, other_than(self._hand.stage, tag))
        else:
            self._hand.do(act, tag)
        if mood is Mood.TWICE and act in _UNDO:
            for again in (_UNDO[act], act):
                await self._sleep(self._pause_s)
                self._hand.do(again, tag)


def other_than(stage: Stage, tag: str) -> str:
    """The next device of the same kind and state: where somebody ends up who reads the plate wrongly."""
    own = stage.parts.get(tag)
    if own is None:
        return tag
    tags = list(stage.parts)
    after = tags[tags.index(tag) + 1 :] + tags[: tags.index(tag)]
    alike = [one for one in after if stage.parts[one].entry.kind is own.entry.kind]
    same = [one for one in alike if stage.parts[one].breaker == own.breaker]
    return (same or alike or [tag])[0]
