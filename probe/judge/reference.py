"""Reference clocks: what each one's readings amount to, and which of several can be believed.

Every reading bounds (reference - this computer's time); a reading of an NTP server by half its round trip,
its root distance and its precision (the wire worked that out), a reading of a device's clock as any clock of
the gear (``clock_region``). All readings of one reference narrow its interval together, widened by drift in
between; readings that contradict each other make it unusable, never an average.

Of several references those that agree, if they are more than half, are taken together; the others are false.
Source: RFC 5905, 10 (of several samples the one with the least delay bounds best; here all bounds count),
11.2.1 (selection by intersection).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from probe.judge.blocks import Block, block_of, decode, holds
from probe.judge.clock_reading import sort_out
from probe.judge.clock_region import Bounds, ClockRegion, Stamp
from probe.judge.clock_selection import agreement
from probe.judge.clock_track import Behaviour, track
from probe.judge.limit import Interval
from probe.model.device_evidence import RunEvidence
from probe.model.evidence import Anchor, ReferenceSample
from probe.model.lineup import Lineup
from probe.model.profile import ClockRule, Profile
from probe.model.reading import Reading
from probe.model.reference_name import ReferenceName, reference_name

S = 1_000_000_000
ZERO = Interval(0.0, 0.0)
#: References whose bounds miss each other by less than this share of the tolerance agree well enough to judge
#: by: a master that rounds its milliseconds is not false. Then all their bounds together count. Common
#: practice, no source.
ALLOWED_SHARE = 0.01


class Tie(NamedTuple):
    """What ties run time to wall time: Unix nanoseconds at instant 0 of the run."""

    wall_ns: int

    @classmethod
    def of(cls, anchor: Anchor) -> Tie:
        """The tie that an anchor makes."""
        return cls(anchor.wall_ns - anchor.at_ns)


class Candidate(NamedTuple):
    """One reference as its readings show it.

    name: as the map names it. usable: False with the reason. stated: False where nothing tells how good it
    is (this computer's own clock on some systems). caveat: what a person should know of a usable one.
    region: of (reference - run time); None for this computer's clock, whose bounds are ``fixed``.
    told: False where nothing at all was heard of it, so that a run that ended early has not tested it.
    """

    name: str
    usable: bool
    reason: str = ""
    sequences: tuple[int, ...] = ()
    stated: bool = True
    caveat: str = ""
    at_ns: int = 0
    region: ClockRegion | None = None
    fixed: Interval = ZERO
    tie: Tie = Tie(0)
    told: bool = True

    def at(self, at_ns: int) -> Interval:
        """Bounds of (reference - this computer's wall clock) at an instant of the run, seconds."""
        if self.region is None:
            return self.fixed
        base_ns = self.region.base_ns - self.tie.wall_ns
        bounds = self.region.relative_at(at_ns)
        return Interval((base_ns + bounds.low) / S, (base_ns + bounds.high) / S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What skews are judged by: one reference, or those of several that agree.

    name: of the one, or of those that agree. usable: False with the reason why skews must not be judged by
    it. sequences: evidence. stated: False where nothing in the evidence says how good it is. at_ns: instant
    of the last reading. candidates: all that the map names, in its order; members, false: names of those
    that agree and of those that stand apart.
    """

    name: str
    usable: bool
    reason: str = ""
    sequences: tuple[int, ...] = ()
    stated: bool = True
    at_ns: int = 0
    candidates: tuple[Candidate, ...] = ()
    members: tuple[str, ...] = ()
    false: tuple[str, ...] = ()

    @property
    def offset(self) -> Interval:
        """Bounds of (reference - this computer's wall clock) when it was last read, seconds."""
        return self.at(self.at_ns)

    def at(self, at_ns: int) -> Interval:
        """Bounds of (reference - this computer's wall clock) at an instant of the run, seconds."""
        told = [one.at(at_ns) for one in self.candidates if one.name in self.members]
        low, high = max((one.low for one in told), default=0.0), min((one.high for one in told), default=0.0)
        if low <= high:
            return Interval(low, high)
        # They agreed when they were compared, within what is allowed; where their bounds miss each other all
        # of them together are the honest answer.
        return Interval(min(one.low for one in told), max(one.high for one in told))


def reference_of(lineup: Lineup, run: RunEvidence) -> Reference:
    """The reference of a run, from all that was read of those that the map names."""
    tie = Tie.of(run.anchors[0][1]) if run.anchors else None
    reader = _Reader(lineup, run, tie)
    candidates = [reader.candidate(text) for text in lineup.map.clock.reference_texts]
    return choose(candidates, ALLOWED_SHARE * lineup.map.clock.tolerance_s)


def choose(candidates: Sequence[Candidate], allowed_s: float = 0.0) -> Reference:
    """The one that is named, or those of several that agree. At least one is needed.

    allowed_s: by so much the bounds of two may miss each other and still agree.
    """
    usable = [one for one in candidates if one.usable]
    every = tuple(candidates)
    sequences = tuple(dict.fromkeys(number for one in candidates for number in one.sequences))
    name = listed_names([one.name for one in candidates])
    if not usable:
        reasons = [one.reason if len(every) == 1 else f"{plain(one.name)}: {one.reason}" for one in every]
        stated = any(one.stated for one in every)
        return Reference(
            name=name, usable=False, reason="; ".join(reasons), sequences=sequences, stated=stated,
            candidates=every,
        )  # fmt: skip
    at_ns = max(one.at_ns for one in usable)
    # One that states no bounds (a laptop whose system keeps silent) has no vote beside those that do.
    usable = [one for one in usable if one.stated] or usable
    found = agreement({one.name: _bounds(one, at_ns, allowed_s) for one in usable})
    if found.bounds is None:
        return Reference(
            name=name, usable=False, reason=f"they differ: {_stand(usable, at_ns)}", sequences=sequences,
            at_ns=at_ns, candidates=every, false=found.false,
        )  # fmt: skip
    return Reference(
        name=listed_names(found.members),
        usable=True,
        sequences=sequences,
        stated=any(one.stated for one in usable if one.name in found.members),
        at_ns=at_ns,
        candidates=every,
        members=found.members,
        false=found.false,
    )


def _bounds(one: Candidate, at_ns: int, allowed_s: float) -> Bounds:
    offset, half = one.at(at_ns), allowed_s / 2
    return Bounds(offset.low - half, offset.high + half)


def _stand(candidates: Sequence[Candidate], at_ns: int) -> str:
    """How each stands against this computer, in words."""
    return ", ".join(f"{plain(one.name)} {_signed(one.at(at_ns))}" for one in candidates)


def _signed(offset: Interval) -> str:
    return f"{offset.middle:+.3f} ± {offset.half_width:.3f} s"


def plain(name: str) -> str:
    """A reference's name for people: the tag or host, or ``laptop``."""
    kind, _, place = name.partition(":")
    return place if kind == "tag" else name


def listed_names(names: Sequence[str]) -> str:
    """Names for people in a row."""
    shown = [plain(name) for name in names]
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]


class _Reader:
    """Reads the evidence of one run."""

    def __init__(self, lineup: Lineup, run: RunEvidence, tie: Tie | None) -> None:
        self._lineup = lineup
        self._run = run
        self._tie = tie
        self._bound_ppm = lineup.map.clock.drift_ppm

    def candidate(self, text: str) -> Candidate:
        """What was read of the named reference."""
        name = reference_name(text)
        if name.kind == "tag":
            return self._of_tag(text, name.place)
        return self._of_samples(text, name)

    # --- the laptop and NTP servers ----------------------------------------------------------------------

    def _of_samples(self, text: str, name: ReferenceName) -> Candidate:
        taken = [(number, one) for number, one in self._run.references if one.source == name.source]
        good = [(number, one) for number, one in taken if one.usable]
        if not taken and name.kind == "laptop":
            return Candidate(text, True, stated=False, tie=self._tie or Tie(0), told=False)
        if not good:
            reason = taken[-1][1].reason if taken else "it was not read"
            sequences = tuple(number for number, _ in taken[-1:])
            return Candidate(text, False, reason or "it says so", sequences, told=bool(taken))
        if name.kind == "laptop":
            return self._of_laptop(text, taken, good)
        return self._of_server(text, taken, good)

    def _of_laptop(
        self,
        text: str,
        taken: Sequence[tuple[int, ReferenceSample]],
        good: Sequence[tuple[int, ReferenceSample]],
    ) -> Candidate:
        """This computer's clock: everything is dated by it, so its own bounds do not grow in the run."""
        number, best = min(good, key=lambda one: one[1].high_ns - one[1].low_ns)
        fixed = Interval(best.low_ns / S, best.high_ns / S)
        caveat = _ending(taken)
        return Candidate(text, True, "", (number,), not best.reason, caveat, best.received_ns, fixed=fixed)

    def _of_server(
        self,
        text: str,
        taken: Sequence[tuple[int, ReferenceSample]],
        good: Sequence[tuple[int, ReferenceSample]],
    ) -> Candidate:
        """An NTP server: each sample bounds its offset at one instant, the drift bound joins them."""
        sequences = tuple(number for number, _ in good)
        if self._tie is None:
            return Candidate(text, False, "the run has no tie to wall time", sequences)
        stamps = [
            Stamp(
                one.received_ns,
                one.received_ns,
                one.received_ns + one.low_ns + self._tie.wall_ns,
                one.high_ns - one.low_ns,
            )
            for _, one in good
        ]
        followed = track(stamps, self._bound_ppm)
        if followed.region is None or followed.behaviour is not Behaviour.STEADY or followed.stray:
            return Candidate(
                text, False, "its answers contradict each other: it was set in mid-run", sequences
            )
        caveat = _ending(taken) or good[-1][1].reason
        at_ns = good[-1][1].received_ns
        return Candidate(
            text, True, "", sequences, caveat=caveat, at_ns=at_ns, region=followed.region, tie=self._tie
        )

    # --- a device of the lineup --------------------------------------------------------------------------

    def _of_tag(self, text: str, tag: str) -> Candidate:
        device = self._lineup.map.by_tag.get(tag)
        if device is None:
            return Candidate(text, False, "the map holds no such tag")
        profile = self._lineup.profile_of(device)
        if profile.clock is None:
            return Candidate(text, False, "its profile names no clock")
        if self._tie is None:
            return Candidate(text, False, "the run has no tie to wall time", told=False)
        blocks = list(self._blocks(tag, device.register_shift))
        adrift = _unsynchronised(profile, profile.clock, blocks)
        readings = _readings(profile, profile.clock.point, blocks)
        if not readings:
            return Candidate(text, False, "it did not answer", told=False)
        if adrift:
            return Candidate(text, False, adrift, tuple(reading.sequence for reading in readings))
        return self._of_readings(text, profile, profile.clock, readings)

    def _blocks(self, tag: str, shift: int) -> Iterator[Block]:
        for number, exchange in self._run.reference_exchanges:
            block = block_of(number, exchange, shift) if exchange.tag == tag else None
            if block is not None:
                yield block

    def _of_readings(
        self, text: str, profile: Profile, rule: ClockRule, readings: Sequence[Reading]
    ) -> Candidate:
        tie = self._tie
        assert tie is not None
        sequences = tuple(reading.sequence for reading in readings)
        near: Callable[[int], float | None] = lambda at_ns: (tie.wall_ns + at_ns) / S  # noqa: E731
        found = sort_out(readings, profile.by_name[rule.point], rule, self._lineup.map.clock.zone, near)
        fair = [one for one in found.stamped if not one.marked]
        if not fair:
            return Candidate(text, False, "its clock is invalid", sequences)
        stamps = [one.stamp for one in fair]
        followed = track(stamps, self._bound_ppm, fair[0].shift_ns)
        if followed.region is None or followed.behaviour is not Behaviour.STEADY:
            return Candidate(text, False, _MISBEHAVES[followed.behaviour], sequences)
        at_ns = stamps[followed.counted[-1]].received_ns
        return Candidate(text, True, "", sequences, at_ns=at_ns, region=followed.region, tie=tie)


_MISBEHAVES = {
    Behaviour.STOPPED: "its clock stands still",
    Behaviour.CACHED: "its clock is served from a memory on the way",
    Behaviour.JUMPED: "its clock was set in mid-run",
    Behaviour.UNSETTLED: "its readings contradict each other",
}


def _ending(taken: Sequence[tuple[int, ReferenceSample]]) -> str:
    """What is to be said of a reference that could be used before and cannot at the end."""
    last = taken[-1][1]
    return "" if last.usable else f"it could be used at first and not at the end of the run: {last.reason}"


def _readings(profile: Profile, point_name: str, blocks: Sequence[Block]) -> list[Reading]:
    point = profile.by_name[point_name]
    return [decode(profile, point, block) for block in blocks if holds(block, point)]


def _unsynchronised(profile: Profile, rule: ClockRule, blocks: Sequence[Block]) -> str:
    """Why a device must not be believed by its own account, "" if it may."""
    if rule.sync is None:
        return ""
    said = _readings(profile, rule.sync.point, blocks)
    if not said or said[-1].value in rule.sync.good:
        return ""
    point, raw = profile.by_name[rule.sync.point], said[-1].value
    word = point.values.get(raw, str(raw)) if isinstance(raw, int) else str(raw)
    return f"it says itself that its clock is not kept in step ({point.title}: {word})"
