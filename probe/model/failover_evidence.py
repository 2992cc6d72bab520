"""Evidence of a link-loss test: what people did with a named link, and fast questions meanwhile.

Kept apart from ``Echo`` and ``Exchange``: replies that stay out here are wanted, and say nothing of a device.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class LinkAct(StrEnum):
    """What happened to the link, or what a person said of it, in order of time."""

    ASKED = "asked"  # the test, its cautions and what it does were shown
    READY = "ready"  # a person agreed; questions go out from here on, the link is still whole
    PULL = "pull"  # a person was asked to pull it: from here on it may be out
    PULLED = "pulled"  # a person said that it is out
    PLUG = "plug"  # a person was asked to put it back: from here on it may be in
    PLUGGED = "plugged"  # a person said that it is back
    ENDED = "ended"  # questions have stopped
    SKIPPED = "skipped"  # a person did not agree; ``said`` tells the answer
    STOPPED = "stopped"  # the test was broken off


class LinkStep(NamedTuple):
    """One step of a link-loss test. question: as the person saw it; said: as typed; operator: who runs it."""

    at_ns: int
    link: str
    act: LinkAct
    question: str
    said: str
    operator: str


class Means(StrEnum):
    """How a device was asked."""

    ECHO = "echo"
    MODBUS = "modbus"


class Beat(NamedTuple):
    """One fast question to a device during the test of a link.

    received_ns: when the answer came, or when waiting ended. outcome: "data" or "exception" for an answer of
    the device, else what became of it (words of ``Outcome`` and ``ConnectOutcome``); an echo has "data" or
    "no answer". request, response: Modbus frames; empty for an echo.
    """

    link: str
    tag: str
    host: str
    means: Means
    sent_ns: int
    received_ns: int
    outcome: str
    request: bytes
    response: bytes

    @property
    def answered(self) -> bool:
        """True if the device answered, with data or with an exception."""
        return self.outcome in ("data", "exception")
