"""Profile: how a type of device speaks, ready to be used by plan, wire, judge and practice lineup.

These are the compiled forms. What people write (YAML, ``profile_document``) is checked and turned into
them once, at load: addresses become PDU addresses, texts become numbers, points get a ready decoder
(``codec``). Nobody below looks at the YAML again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from probe.model.device_map import Kind
from probe.model.profile_ups import UpsRule
from probe.model.reading import Quality, Value
from probe.model.setting_rule import SettingsRule


class Area(StrEnum):
    """The four tables of the Modbus data model (APP V1.1b3, 4.3) and the function that reads each."""

    COIL = "coil"
    DISCRETE = "discrete"
    HOLDING = "holding"
    INPUT = "input"

    @property
    def function(self) -> int:
        """Read function code: 1, 2, 3 or 4."""
        return {"coil": 1, "discrete": 2, "holding": 3, "input": 4}[self.value]

    @property
    def is_bits(self) -> bool:
        """True for the tables of single bits."""
        return self in (Area.COIL, Area.DISCRETE)


class Decoder(Protocol):
    """Bytes to value and back, decided once at load.

    raw: the point's registers as they stood in the reply, two bytes a register, in register order (for
    coil and discrete points: one byte, 0 or 1).
    """

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        """The scaled value and what it is worth; never raises for any bytes of the right length."""
        ...

    def encode(self, value: Value | None) -> bytes:
        """The registers that show the value (None: not available). Raises ValueError if it does not fit."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One named value of a profile.

    start: PDU address (zero-based), whatever the profile's convention. count: registers, or 1 for a bit.
    unit: "" only for plain numbers (a profile must say ``unit: none``), states and text.
    quantity: what is measured, in the words of ``QUANTITIES`` (``voltage_line``, ``current``, ...); phase:
    a, b, c, n, g (ground), ab, bc, ca, total, average or "".
    low, high: plausible range in the point's unit, None where there is none.
    values: enumeration, raw value to name. bits: bit number (0 least) to name.
    moves: must change between two readings taken ``Profile.freshness.after_s`` apart on a live device.
    atom: points with the same atom are read in one request (a clock's registers, a counter's words).
    scale_factor: name of the point that holds the power of ten, "" if none; it is of the same atom.
    decimals: digits after the point that the scale can carry.
    """

    name: str
    title: str
    area: Area
    start: int
    count: int
    type: str
    order: str
    decoder: Decoder
    unit: str = ""
    quantity: str = ""
    phase: str = ""
    low: float | None = None
    high: float | None = None
    values: Mapping[int, str] = field(default_factory=dict)
    bits: Mapping[int, str] = field(default_factory=dict)
    moves: bool = False
    atom: str = ""
    scale_factor: str = ""
    decimals: int = 0

    @property
    def end(self) -> int:
        """First PDU address behind the point."""
        return self.start + self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the type of device bears; the collector keeps to it.

    registers, bits: the most that one request may ask. sockets: how many the device accepts in all.
    gap_s: shortest pause between the end of an answer and the next request. connect_pause_s: pause after
    opening before the first request. timeout_s: how long to wait for an answer; first_timeout_s: for the
    first one after opening. retries: further attempts after a fault. idle_s: the device closes a socket
    that was silent for so long (0: never). register_cost_s, request_cost_s: price of one more register
    and one more request, for the plan (Ethernet: small against large; serial: by bit time).
    """

    registers: int = 125
    bits: int = 2000
    sockets: int = 1
    gap_s: float = 0.0
    connect_pause_s: float = 0.0
    timeout_s: float = 1.0
    first_timeout_s: float = 2.0
    retries: int = 2
    idle_s: float = 0.0
    hold_open: bool = True
    request_cost_s: float = 0.005
    register_cost_s: float = 0.000_02


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Addresses start <= address < end of one area that must never be part of a request (a hole)."""

    area: Area
    start: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityRule:
    """How a device of this type says who it is.

    objects: field (maker, model, serial, firmware) to object id of Read Device Identification (2B/0E).
    points: field to name of a point. expect: field to the text that every device of this type shows.
    """

    objects: Mapping[str, int] = field(default_factory=dict)
    points: Mapping[str, str] = field(default_factory=dict)
    expect: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """A point whose value is known for this type; it proves addressing and byte order before values."""

    point: str
    equals: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRule:
    """A state of the gear read from a point: state name to the raw values that mean it.

    state: breaker, position, maintenance, communication. bus: for communication, which bus it speaks of.
    mask: bits of the raw value that count (0: all).
    """

    state: str
    point: str
    means: Mapping[str, tuple[int, ...]]
    bus: str = ""
    mask: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """An alarm or trip shown by a point: present when (raw & mask) is one of ``active``.

    severity: ``trip``, ``alarm`` or ``notice``.
    """

    name: str
    title: str
    point: str
    mask: int
    active: tuple[int, ...]
    severity: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRule:
    """One entry of the device's event log, newest entry first in the profile: names of its points.

    number: runs on with each event (0: the entry is empty). code: an enumeration. time: a clock, in the zone
    of the device's own clock.
    """

    number: str
    code: str
    time: str

    def points(self) -> tuple[str, str, str]:
        """All three."""
        return (self.number, self.code, self.time)


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncRule:
    """Where a device says whether its clock is kept in step: raw values of the point that mean it is."""

    point: str
    good: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Latch:
    """A register that has to be written last, so that the device takes over what was written before."""

    start: int
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWrite:
    """How the device's clock is set: the only write that the tool knows.

    function: 6 (one register a request) or 16. start: PDU address of the first holding register. decoder:
    a ``ClockDecoder`` that makes the registers. latch: None where the registers count as they arrive.
    """

    function: int
    start: int
    decoder: Decoder
    registers: int
    resolution_s: float
    latch: Latch | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRule:
    """The device's own clock: a point of type clock, whose decoder gives Unix seconds (``clock_codec``).

    The decoder is a ``ClockDecoder``: its ``stamp`` gives the fields, the invalid and the summer-time flag.
    Seconds of a clock without zone are wall seconds: they count as if the fields were UTC.
    zone: ``utc`` or ``local`` (the map's zone). resolution_s: smallest step that it shows.
    epoch_s: what it shows (Unix seconds) when it was never set, None if unknown. sync: where it says that it
    is kept in step, None if nowhere. write: how it is set; None: this tool never sets it.
    """

    point: str
    zone: str
    resolution_s: float
    epoch_s: float | None = None
    sync: SyncRule | None = None
    write: ClockWrite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Freshness:
    """What proves that values are alive: at least one of the points has moved after ``after_s``."""

    points: tuple[str, ...]
    after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Quirks:
    """Known departures from the standard, off by default; readings taken under one are marked so."""

    transaction_not_echoed: bool = False
    unit_not_echoed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """How far the type's readings may stand from the truth: in percent of the reading where not said else.

    Shape as in IEC 61557-12 and IEC 62053-22: percent of the reading from 5 % of the rated current on, more
    below. energy_percent: the class of its energy counters. power_factor: absolute. minimum_load_percent: of
    the rated current; below it nothing is judged by percent. update_s: how old a register may be when it is
    read, beside others of the same reply.
    stated: False where the profile says nothing and the defaults stand in (common practice, no source).
    """

    voltage_percent: float = 1.0
    current_percent: float = 1.0
    power_percent: float = 2.0
    reactive_percent: float = 3.0
    energy_percent: float = 2.0
    power_factor: float = 0.02
    frequency_hz: float = 0.05
    minimum_load_percent: float = 5.0
    update_s: float = 0.0
    stated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Conventions:
    """What standards leave to the maker; "" where the profile does not say, and then nothing is compared.

    power_factor_sign: ``active`` (sign of the active power, as IEC), ``reactive`` (lead and lag, as IEEE) or
    ``none`` (always positive). apparent_power: ``arithmetic`` (sum of the phases) or ``vector``.
    """

    power_factor_sign: str = ""
    apparent_power: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One type of device.

    energized_points: voltages that tell whether the circuit is live; energized_above: in their unit.
    uptime: name of the point that counts since start ("" if none), to see a restart. settings: where it holds
    its protective settings, None where the profile does not say. events: its event log; read by witness runs
    only, where something happens. ups: points that tell how a supply's battery stands.
    names: profile names that this one extends, nearest first (``is_a`` for searches).
    sha256: of the canonical compiled source texts, for the record.
    """

    name: str
    title: str
    kind: Kind
    limits: Limits
    points: tuple[Point, ...]
    by_name: Mapping[str, Point]
    holes: tuple[Span, ...] = ()
    identity: IdentityRule = IdentityRule()
    proof: tuple[Proof, ...] = ()
    states: tuple[StateRule, ...] = ()
    alarms: tuple[AlarmRule, ...] = ()
    events: tuple[EventRule, ...] = ()
    clock: ClockRule | None = None
    freshness: Freshness | None = None
    quirks: Quirks = Quirks()
    accuracy: Accuracy = Accuracy()
    conventions: Conventions = Conventions()
    energized_points: tuple[str, ...] = ()
    energized_above: float = 0.0
    uptime: str = ""
    settings: SettingsRule | None = None
    ups: UpsRule | None = None
    names: tuple[str, ...] = ()
    sha256: str = ""

    @property
    def event_points(self) -> frozenset[str]:
        """Names of the points of the event log."""
        return frozenset(name for event in self.events for name in event.points())
