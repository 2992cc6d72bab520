"""The run's own time: wall time of each instant, steps of this computer's clock, the reference clock.

Made once for a run and shared by the judgements of all devices.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.judge.blocks import block_of, decode, holds
from probe.judge.limit import Interval
from probe.judge.zone import clock_instant
from probe.model.device_evidence import RunEvidence
from probe.model.lineup import Lineup
from probe.model.profile import ClockRule
from probe.model.reading import Quality, Reading

#: A clock that a time service slews, not steps, moves by at most 500 ppm (from memory: the customary bound).
SLEW_SHARE = 0.000_5
#: What reading two clocks one after the other may cost on a busy computer; common practice, no source.
STEP_NS = 50_000_000


_ZERO = Interval(0.0, 0.0)


class Reference(NamedTuple):
    """The reference clock against this computer's wall clock.

    offset: bounds of (reference - wall), seconds, at the instant at_ns of the run; they widen by drift_ppm
    away from it (0 for this computer's own clock, against which everything is dated). usable: False with the
    reason why skews must not be judged by it. sequences: evidence.
    """

    name: str
    usable: bool
    reason: str
    offset: Interval
    sequences: tuple[int, ...]
    stated: bool  # False: nothing in the evidence says how good the laptop's own clock is
    at_ns: int = 0
    drift_ppm: float = 0.0

    def at(self, at_ns: int) -> Interval:
        """Bounds of (reference - wall) at an instant of the run, seconds."""
        wider = abs(at_ns - self.at_ns) * self.drift_ppm * 1e-15
        return Interval(self.offset.low - wider, self.offset.high + wider)


class RunContext:
    """What all devices of a run share."""

    __slots__ = ("_anchor", "lineup", "reference", "run", "step_s", "step_sequences")

    def __init__(self, lineup: Lineup, run: RunEvidence) -> None:
        self.lineup = lineup
        self.run = run
        self._anchor = run.anchors[0][1] if run.anchors else None
        self.step_s, self.step_sequences = _step(run)
        self.reference = self._reference()

    def wall_s(self, at_ns: int) -> float | None:
        """Unix seconds that this computer's clock showed at a monotonic instant; None without an anchor."""
        if self._anchor is None:
            return None
        return (self._anchor.wall_ns + at_ns - self._anchor.at_ns) / 1e9

    def _reference(self) -> Reference:
        wanted = self.lineup.map.clock.reference
        if wanted.startswith("tag:"):
            return self._reference_tag(wanted[4:])
        samples = [(seq, sample) for seq, sample in self.run.references]
        good = [(seq, sample) for seq, sample in samples if sample.usable]
        if good:
            seq, best = min(good, key=lambda one: one[1].high_ns - one[1].low_ns)
            offset = Interval(best.low_ns / 1e9, best.high_ns / 1e9)
            drift = 0.0 if wanted == "laptop" else self.lineup.map.clock.drift_ppm
            return Reference(wanted, True, "", offset, (seq,), True, best.received_ns, drift)
        if samples:
            seq, last = samples[-1]
            return Reference(wanted, False, last.reason or "it says so", _ZERO, (seq,), stated=True)
        if wanted == "laptop":
            return Reference(wanted, True, "", _ZERO, (), stated=False)
        return Reference(wanted, False, "it was not read", _ZERO, (), stated=False)

    def _reference_tag(self, tag: str) -> Reference:
        device = self.lineup.map.by_tag.get(tag)
        rule = None if device is None else self.lineup.profile_of(device).clock
        if device is None or rule is None:
            why = "the map holds no such tag" if device is None else "its profile names no clock"
            return Reference(tag, False, why, _ZERO, (), stated=True)
        profile = self.lineup.profile_of(device)
        best = Reference(tag, False, "it did not answer", _ZERO, (), stated=True)
        for seq, exchange in self.run.reference_exchanges:
            block = block_of(seq, exchange, device.register_shift)
            point = profile.by_name[rule.point]
            if block is not None and holds(block, point):
                best = _better(best, self._reference_reading(tag, rule, decode(profile, point, block)))
        return best

    def _reference_reading(self, tag: str, rule: ClockRule, reading: Reading) -> Reference:
        """What one reading of the reference device's clock says."""
        invalid = Reference(tag, False, "its clock is invalid", _ZERO, (reading.sequence,), stated=True)
        if reading.quality is not Quality.GOOD or not isinstance(reading.value, (int, float)):
            return invalid
        shown = clock_instant(float(reading.value), rule, self.lineup.map.clock.zone)
        sent, received = self.wall_s(reading.sent_ns), self.wall_s(reading.received_ns)
        if shown is None or sent is None or received is None:
            return invalid
        offset = Interval(shown - received, shown + rule.resolution_s - sent)
        drift = self.lineup.map.clock.drift_ppm
        return Reference(tag, True, "", offset, (reading.sequence,), True, reading.received_ns, drift)


def _better(one: Reference, other: Reference) -> Reference:
    """The usable one; of two usable ones the narrower."""
    if one.usable and other.usable:
        return one if one.offset.half_width <= other.offset.half_width else other
    return one if one.usable else other


def _step(run: RunEvidence) -> tuple[float, tuple[int, ...]]:
    """Seconds by which this computer's clock was stepped in the run (0: not), and the evidence."""
    notes = tuple(seq for seq, note in run.notes if note.topic == "clock step")
    worst, where = 0.0, notes
    for (seq_a, a), (seq_b, b) in zip(run.anchors, run.anchors[1:], strict=False):
        gap_ns = (b.wall_ns - a.wall_ns) - (b.at_ns - a.at_ns)
        if abs(gap_ns) > STEP_NS + SLEW_SHARE * (b.at_ns - a.at_ns) and abs(gap_ns) > abs(worst * 1e9):
            worst, where = gap_ns / 1e9, (seq_a, seq_b, *notes)
    return (worst, where) if worst or not notes else (float("nan"), notes)
