"""Snapshot: all that one device measured at one instant, in base units, each value with its uncertainty.

Pure: readings in, values out. The judge makes one from a device's evidence (``snapshots_of`` in ``taking``);
anyone may make one from other readings of the same bytes, to ask what a device would have shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import hypot, sqrt
from typing import NamedTuple

from probe.judge.electrical.quantities import PAIRS, PHASES, Electrical, Key
from probe.judge.electrical.width import (
    ANGLE_DEG,
    DISTORTION_PERCENT,
    UNBALANCE_PERCENT,
    Moved,
    current_width,
    drift,
    other_side,
    power_width,
    voltage_width,
)
from probe.judge.limit import Interval
from probe.model.device_map import Device, DeviceMap
from probe.model.profile import Accuracy, Conventions


class Raw(NamedTuple):
    """One decoded value on its way into a snapshot. value, step: in base units (V, A, W, var, VA, Hz, Wh;
    power factor as a fraction, other shares in percent)."""

    key: Key
    value: float
    step: float
    unit: str
    point: str
    sequence: int
    sent_ns: int
    received_ns: int


class Measured(NamedTuple):
    """One value. half_width: plus or minus, accuracy class, register step and time skew together. step (half
    a step of the register) and skew are its parts that the class does not know. moved: how it moved in the
    run, None where that is not known."""

    value: float
    half_width: float
    unit: str
    point: str
    sequence: int
    sent_ns: int
    received_ns: int
    step: float = 0.0
    skew: float = 0.0
    moved: Moved | None = None

    @property
    def interval(self) -> Interval:
        """Where the true value lies."""
        return Interval(self.value - self.half_width, self.value + self.half_width)

    @property
    def unclassed(self) -> float:
        """The uncertainty that is not the instrument's: register step and time skew."""
        return self.step + self.skew


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What surrounds a device's readings: system, ratings, accuracy.

    voltage_v: nominal, line to line (single: of the phase). rating_a: rated current of its sensors, 0 where
    neither map nor device says. rating_from: where it came from, in words.
    """

    tag: str
    wiring: str
    voltage_v: float
    frequency_hz: float
    accuracy: Accuracy
    conventions: Conventions
    rating_a: float = 0.0
    rating_from: str = ""

    @property
    def phase_v(self) -> float:
        """Nominal voltage of a phase, V; of a three-wire system to a neutral that is not there."""
        return self.voltage_v if self.wiring == "single" else self.voltage_v / sqrt(3)

    @property
    def to_neutral(self) -> bool:
        """False in a delta: what its phases show is against ground, wherever that is."""
        return self.wiring != "delta"

    @property
    def phases(self) -> int:
        """How many phases there are."""
        return 1 if self.wiring == "single" else 3

    @property
    def least_a(self) -> float:
        """Current below which nothing is judged by percent, A.

        Without a known rating: 5 A. Source: IEC 62053-22 (no limit below the least current; from memory);
        5 A: common practice, no source.
        """
        return self.rating_a * self.accuracy.minimum_load_percent / 100 if self.rating_a else 5.0


def frame_of(device: Device, system: DeviceMap, accuracy: Accuracy, conventions: Conventions) -> Frame:
    """The frame of a device as drawn. Sensors of a trip unit, transformers of a meter; the frame last."""
    ratings = device.ratings
    named = (
        ("sensor", ratings.sensor_a),
        ("current transformer", ratings.ct_primary_a),
        ("frame", ratings.frame_a),
    )
    words, rating = next(((text, amps) for text, amps in named if amps), ("", 0.0))
    return Frame(
        tag=device.tag,
        wiring=system.system.wiring,
        voltage_v=system.system.voltage_v,
        frequency_hz=system.system.frequency_hz,
        rating_a=rating or 0.0,
        rating_from=words and f"{words} in the map",
        accuracy=accuracy,
        conventions=conventions,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """values: by (quantity, phase), see ``quantities``. Time skew within it is in each half-width: the value
    is held against the instant at which most of the others were read."""

    frame: Frame
    round: int
    values: Mapping[Key, Measured] = field(default_factory=dict)

    @property
    def tag(self) -> str:
        """Of the device."""
        return self.frame.tag

    def get(self, quantity: str, phase: str = "") -> Measured | None:
        """The value of a key; None where the device has none, or none that is good."""
        return self.values.get((quantity, phase))

    def phases(self, quantity: str) -> tuple[Measured, Measured, Measured] | None:
        """The values of phases a, b and c, all or None."""
        return self._three(quantity, PHASES)

    def pairs(self, quantity: str = "voltage_line") -> tuple[Measured, Measured, Measured] | None:
        """The values of ab, bc and ca, all or None."""
        return self._three(quantity, PAIRS)

    def _three(self, quantity: str, names: tuple[str, ...]) -> tuple[Measured, Measured, Measured] | None:
        a, b, c = (self.values.get((quantity, name)) for name in names)
        return (a, b, c) if a and b and c else None

    @property
    def current_a(self) -> float | None:
        """The largest phase current, A; the average or total where no phase is shown; None without any."""
        shown = [m.value for p in PHASES if (m := self.values.get(("current", p)))]
        if shown:
            return max(abs(value) for value in shown)
        average = self.values.get(("current", "average"))
        total = self.values.get(("current", "total"))
        return abs(average.value) if average else abs(total.value) / 3 if total else None

    @property
    def is_loaded(self) -> bool:
        """True where enough current flows for the class to hold."""
        current = self.current_a
        return current is not None and current >= self.frame.least_a

    def replaced(self, values: Mapping[Key, Measured]) -> Snapshot:
        """The same instant with some values in place of others."""
        return replace(self, values={**self.values, **values})


_NOTHING: Mapping[Key, Moved] = {}
_VOLTAGES = frozenset({"voltage_line", "voltage_phase"})
_CURRENTS = frozenset({"current", "demand_current"})
_ABSOLUTE = {"angle": ANGLE_DEG, "unbalance": UNBALANCE_PERCENT, "distortion": DISTORTION_PERCENT}


def snapshot(
    frame: Frame, number: int, raws: Iterable[Raw], moved: Mapping[Key, Moved] = _NOTHING
) -> Snapshot:
    """The snapshot of a round, its uncertainties worked out. raws: of two with one key the later counts.
    moved: how the quantities were seen to move in the run; of the others it is assumed."""
    shown = {raw.key: raw for raw in raws}
    if not shown:
        return Snapshot(frame=frame, round=number)
    main = _main_exchange(shown.values())
    values = {key: _measured(frame, shown, raw, main, moved.get(key)) for key, raw in shown.items()}
    return Snapshot(frame=frame, round=number, values=values)


def _main_exchange(raws: Iterable[Raw]) -> Raw:
    """A value of the reply that most values came with."""
    many: dict[int, list[Raw]] = {}
    for raw in raws:
        many.setdefault(raw.sequence, []).append(raw)
    return max(many.values(), key=len)[0]


def _measured(frame: Frame, shown: Mapping[Key, Raw], raw: Raw, main: Raw, moved: Moved | None) -> Measured:
    own = _class_width(frame, shown, raw)
    seconds = frame.accuracy.update_s
    if raw.sequence != main.sequence:
        seconds += seconds_apart(raw, main)
    skew = strayed(raw.key[0], raw.value, moved, seconds) if seconds else 0.0
    half_step = raw.step / 2
    return Measured(
        raw.value, own + half_step + skew, raw.unit, raw.point, raw.sequence, raw.sent_ns, raw.received_ns,
        half_step, skew, moved,
    )  # fmt: skip


def strayed(quantity: str, value: float, moved: Moved | None, seconds: float) -> float:
    """How far a value may have moved in so many seconds, in its unit: as seen in the run, else as assumed."""
    return drift(quantity, value, seconds) if moved is None else moved.within(seconds)


def seconds_apart(one: Raw | Measured, other: Raw | Measured) -> float:
    """The longest time that can lie between the instants of two values; 0 if one reply brought both."""
    if one.sequence == other.sequence:
        return 0.0
    return max(one.received_ns - other.sent_ns, other.received_ns - one.sent_ns) / 1e9


def _class_width(frame: Frame, shown: Mapping[Key, Raw], raw: Raw) -> float:
    """The instrument's own uncertainty of a value, in its unit; 0 for energies: their class counts for what
    flows between two readings, not for where they stand."""
    accuracy, (quantity, phase), value = frame.accuracy, raw.key, raw.value
    if quantity in _VOLTAGES:
        return voltage_width(accuracy, value)
    if quantity in _CURRENTS:
        return current_width(accuracy, value, frame.rating_a * (3 if phase == "total" else 1))
    if quantity.startswith(("power_a", "power_r", "demand_")):
        return _power_width(frame, shown, raw)
    if quantity == "power_factor":
        return accuracy.power_factor
    if quantity == "frequency":
        return accuracy.frequency_hz
    return _ABSOLUTE.get(quantity.partition("_")[0], 0.0)


def _power_width(frame: Frame, shown: Mapping[Key, Raw], raw: Raw) -> float:
    """Of an active, reactive or apparent power (or demand), W, var or VA."""
    accuracy, (quantity, phase) = frame.accuracy, raw.key
    floor = frame.rating_a * frame.phase_v * (frame.phases if phase == "total" else 1)
    kind = quantity.partition("_")[2]
    if kind == "apparent":
        return power_width(accuracy.power_percent, raw.value, 0.0, floor)
    other = "reactive" if kind == "active" else "active"
    percent = accuracy.power_percent if kind == "active" else accuracy.reactive_percent
    across = shown.get((f"power_{other}", phase))
    if across is not None:
        return power_width(percent, raw.value, across.value, floor)
    apparent = _apparent(shown, "a" if frame.phases == 1 else phase, to_neutral=frame.to_neutral)
    rest = other_side(apparent, raw.value) if apparent is not None else abs(raw.value)
    return power_width(percent, raw.value, rest, floor)


def _apparent(shown: Mapping[Key, Raw], phase: str, *, to_neutral: bool) -> float | None:
    """Apparent power of a phase or the total as shown, or from voltage and current, VA; None if unknown."""
    told = shown.get(("power_apparent", phase))
    if told is not None:
        return abs(told.value)
    if phase in PHASES:
        volts, amps = shown.get(("voltage_phase", phase)), shown.get(("current", phase))
        return abs(volts.value * amps.value) if volts and amps and to_neutral else None
    amps_three = [shown[key].value for p in PHASES if (key := ("current", p)) in shown]
    volts_three = [shown[key].value for p in PAIRS if (key := ("voltage_line", p)) in shown]
    if len(amps_three) < 3 or len(volts_three) < 3:
        return None
    return sum(amps_three) * sum(volts_three) / 3 / sqrt(3)


def apparent_of(active: float, reactive: float) -> float:
    """Vector apparent power, VA. Source: IEEE 1459 (definitions, from memory)."""
    return hypot(active, reactive)


def raw_of(item: Electrical, value: float, step: float, sequence: int, times: tuple[int, int]) -> Raw:
    """A decoded value of a point (in the point's unit) as a snapshot takes it. step: in base units."""
    return Raw(item.key, value * item.factor, step, item.unit, item.point.name, sequence, *times)
