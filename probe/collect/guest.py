"""Guest: one conversation on a link, as its host serves it; and the manner in which a link is treated."""

from __future__ import annotations

from collections.abc import Sequence
from inspect import GEN_CLOSED, getgeneratorstate

from probe.collect.journal import Shelf
from probe.collect.pacing import SECOND_NS, Pacing, RequestBudget
from probe.collect.turn import Script
from probe.model.profile import Limits, Quirks
from probe.wire.link import Request


class Guest:
    """One conversation with a device on the link, and the request that it wants to make next.

    judged: False for the extra conversation that only reads a reference clock. leader: of a conversation
    beside another one, that other one; open: how many of a device's conversations are not done (leaders).
    """

    __slots__ = ("judged", "leader", "open", "quirks", "request", "script", "shelf", "tag")

    def __init__(
        self, tag: str, script: Script, shelf: Shelf, quirks: Quirks, *, judged: bool = True
    ) -> None:
        self.tag = tag
        self.judged = judged
        self.script = script
        self.shelf = shelf
        self.quirks = quirks
        self.request: Request | None = None
        self.leader: Guest = self
        self.open = 1

    @property
    def is_over(self) -> bool:
        """True if the conversation was ended from outside: nothing more is to be asked."""
        return getgeneratorstate(self.script) == GEN_CLOSED

    def beside(self, script: Script) -> Guest:
        """A further conversation with the same device; it is done when both are."""
        guest = Guest(self.tag, script, self.shelf, self.quirks, judged=self.judged)
        guest.leader = self.leader
        self.leader.open += 1
        return guest


class Manner:
    """How a link must be treated: the strictest of what its devices' types ask."""

    __slots__ = (
        "budget",
        "connect_pause_ns",
        "first_timeout_s",
        "gap_ns",
        "hold_open",
        "pacing",
        "retries",
    )

    def __init__(self, limits: Sequence[Limits], pacing: Pacing, budget: RequestBudget | None) -> None:
        self.pacing = pacing
        self.budget = budget
        self.gap_ns = round(max(one.gap_s for one in limits) * SECOND_NS)
        self.connect_pause_ns = round(max(one.connect_pause_s for one in limits) * SECOND_NS)
        self.first_timeout_s = max(max(one.first_timeout_s, one.timeout_s) for one in limits)
        self.hold_open = all(one.hold_open for one in limits)
        self.retries = max(one.retries for one in limits)
