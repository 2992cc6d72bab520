"""What a fault of the practice lineup is: a name, what it does, what a user should see of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from probe.practice.part import Part, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a scenario.

    at: the device that has it; partner: the other one of a pair. phase, seconds, every (each n-th request),
    text, point and number: what the kind of fault takes, with its own default where left out. line, column:
    where it stands in the scenario's file, 0 if it was made in code.
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
    line: int = 0
    column: int = 0

    def seconds_or(self, default: float) -> float:
        """The seconds given, else the kind's own."""
        return default if self.seconds is None else self.seconds

    def every_or(self, default: int) -> int:
        """The n of "each n-th" given, else the kind's own."""
        return default if self.every is None else self.every


class Place(StrEnum):
    """Where a kind of fault has a meaning; the text completes "it needs a device that ..."."""

    ANY = "is in the lineup"
    OWN_ADDRESS = "has an address of its own (a unit behind a gateway has none; see unit-dead)"
    GATEWAY = "is a gateway with units behind it"
    BEHIND = "sits behind a gateway"
    BREAKER = "is a breaker's trip unit"
    CIRCUIT = "measures a circuit"
    LOADED = "measures a circuit that carries current"
    CLOSED = "is a breaker's trip unit, the breaker drawn closed"
    CLOCK = "has a clock"
    SUPPLY = "is a control power supply"
    UPTIME = "counts the time since its start"
    MARKED_CLOCK = "can mark its own stamps as invalid"


class Names(StrEnum):
    """What the text of a fault names, to be checked against the device's profile."""

    NOTHING = ""
    ALARM = "alarm"
    TRIP = "trip"
    QUANTITY = "quantity"
    BLANK = 'code for "no value" of'
    BUS = "bus"
    MODEL = "model"
    SERIAL = "serial"
    FIRMWARE = "firmware"


Apply = Callable[[Stage, Part, Fault], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """A kind of fault.

    does: what it does to the device. sees: what the user should be told. checks: ids of checks of which at
    least one must not pass (none: no check of this version judges it). takes: fields of a scenario's entry
    that it understands beside ``kind`` and ``at``; needs: those of them that it cannot do without. place:
    where it has a meaning. names: what its text names; usual, usual_point: text and point where none is
    given. at, partner: devices on which tests try it. among: further devices that the lineup needs then.
    follows: other devices on which findings are right too (behind a dead gateway, the twin of a swap).
    harmless: the tool must cope without any finding.
    """

    name: str
    does: str
    sees: str
    checks: tuple[str, ...]
    apply: Apply
    takes: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    place: Place = Place.ANY
    names: Names = Names.NOTHING
    usual: str = ""
    usual_point: str = ""
    at: str = "52-F1"
    partner: str = ""
    among: tuple[str, ...] = ()
    follows: tuple[str, ...] = ()
    harmless: bool = False
