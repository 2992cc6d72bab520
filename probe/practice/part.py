"""The part that each device of the practice lineup plays; faults are changes to a part before the curtain.

A part is mutable while the lineup is set up. Once the servers listen, only hands change it (``hand``):
somebody who opens a breaker or unplugs a device.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from probe.model.profile import Profile
from probe.model.reading import Value
from probe.practice.clockwork import DeviceClock
from probe.practice.manner import Manner
from probe.practice.metering import Instrument
from probe.practice.roster import Entry
from probe.practice.server import Bus

_RIGHT = DeviceClock()


class Logged(NamedTuple):
    """One entry of a device's own event log. shown_s: its clock's Unix seconds at that moment."""

    number: int
    what: str
    shown_s: float


@dataclass(slots=True, kw_only=True)
class Part:
    """One device as it really is (``entry`` is how it was drawn).

    identity: maker, model, serial, firmware as it says. position: connected, test, withdrawn; breaker: open,
    closed, tripped. buses_down: communication buses whose flag is down. alarms: names that are active.
    shows: points that show a fixed value (None: not available). blank: quantities shown as not available.
    times_ten: quantities shown ten times too large. exchanged: phase names put for others.
    frozen: measured values stand still. shift: registers stand so many addresses higher than in the profile.
    flipped: values of two and more registers come with the words in reverse. awake_s: how long it has been
    up when the lineup starts. restarts_after: readings of its time since start after which it restarts once
    (0: never). clock_twist: makes what comes between the clock and its registers (``clock_faults``).
    refuses_writes: exception with which it refuses to have its clock set (0: it does not); ignores_writes:
    it says yes and keeps its time; reverts_after_s: another master sets it back so long afterwards.
    events: its own log, oldest first; counted: by name of a counter, what was counted since the start.
    """

    entry: Entry
    profile: Profile
    identity: dict[str, str]
    manner: Manner
    instrument: Instrument | None
    clock: DeviceClock = _RIGHT
    position: str = "connected"
    breaker: str = ""
    maintenance: str = "off"
    on_battery: bool = False
    buses_down: set[str] = field(default_factory=set)
    alarms: set[str] = field(default_factory=set)
    shows: dict[str, Value | None] = field(default_factory=dict)
    blank: set[str] = field(default_factory=set)
    times_ten: set[str] = field(default_factory=set)
    hostile: bytes = b""
    frozen: bool = False
    shift: int = 0
    flipped: bool = False
    awake_s: float = 3_450_000.0
    restarts_after: int = 0
    clock_twist: Callable[[], Callable[[Any], Value | bytes]] | None = None
    refuses_writes: int = 0
    ignores_writes: bool = False
    reverts_after_s: float | None = None
    bus: Bus | None = None
    events: list[Logged] = field(default_factory=list)
    counted: Counter[str] = field(default_factory=Counter)

    def count(self, name: str) -> None:
        """One more of what a counter counts, beside what it stood at in the beginning."""
        self.counted[name] += 1

    def behave(self, **changes: object) -> None:
        """Change the manner, as ``dataclasses.replace``."""
        self.manner = replace(self.manner, **changes)  # type: ignore[arg-type]

    def set_clock(self, **changes: object) -> None:
        """Change the clock, as ``dataclasses.replace``."""
        self.clock = replace(self.clock, **changes)  # type: ignore[arg-type]

    def rewire(self, *currents: tuple[int, int]) -> None:
        """Put other currents on the instrument's inputs: (phase, sign) for a, b and c."""
        if self.instrument is not None:
            a, b, c = currents
            self.instrument = replace(self.instrument, currents=(a, b, c))


@dataclass(slots=True, kw_only=True)
class Stage:
    """All parts of a scenario, by tag; what a fault is given to change.

    zone_s: local time minus UTC at the lineup, now. extra_units: units behind a gateway that no drawing
    shows, (gateway, unit) to the part that answers there. ports_swapped: pairs of tags with exchanged places.
    """

    parts: dict[str, Part]
    zone_s: float
    extra_units: dict[tuple[str, int], str] = field(default_factory=dict)
    swapped: list[tuple[str, str]] = field(default_factory=list)

    def part(self, tag: str) -> Part:
        """The part of a tag. Raises KeyError if the scenario has no such device."""
        return self.parts[tag]

    def behind(self, gateway: str) -> list[Part]:
        """Parts of the units behind a gateway."""
        return [part for part in self.parts.values() if part.entry.via == gateway]
