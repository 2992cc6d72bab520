"""What a fault of the practice lineup is: a name, what it does, what a user should see of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from probe.practice.part import Part, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a scenario.

    at: the device that has it; partner: the other one of a pair. phase, seconds, every (each n-th request),
    text, point and number: what the kind of fault takes, with its own default where left out.
    """

    kind: str
    at: str
    partner: str = ""
    phase: str = ""
    seconds: float | None = None
    every: int | None = None
    text: str = ""
    point: str = ""
    number: float | None = None

    def seconds_or(self, default: float) -> float:
        """The seconds given, else the kind's own."""
        return default if self.seconds is None else self.seconds

    def every_or(self, default: int) -> int:
        """The n of "each n-th" given, else the kind's own."""
        return default if self.every is None else self.every


Apply = Callable[[Stage, Part, Fault], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """A kind of fault.

    does: what it does to the device. sees: what the user should be told. checks: ids of checks of which at
    least one must not pass (none: no check of this version judges it). takes: fields of a scenario's entry
    that it understands beside ``kind`` and ``at``. at, partner: devices on which tests try it. among: further
    devices that the lineup needs then. follows: other devices on which findings are right too (behind a dead
    gateway, the twin of a swap). harmless: the tool must cope without any finding.
    """

    name: str
    does: str
    sees: str
    checks: tuple[str, ...]
    apply: Apply
    takes: tuple[str, ...] = ()
    at: str = "52-F1"
    partner: str = ""
    among: tuple[str, ...] = ()
    follows: tuple[str, ...] = ()
    harmless: bool = False
