"""Clock track: what a series of readings of one clock amounts to.

``clock_region`` says what a set of readings leaves possible. This module decides which readings belong
together, and recognises the ways in which they do not:

- **torn**: a stamp whose fields come from both sides of a rollover (the device changed it between two of
  its registers). Recognised by its fields, set aside, and only when the readings around it agree.
- **stray**: one reading that disagrees with those before and after it, and is not torn. Set aside, told.
- **jumped**: from some reading on, all agree with each other and not with what came before. The clock was
  set or restarted; the last stretch counts, the jump is a finding.
- **stopped**: local time went on by more than the clock's step and the stamp did not change, to the end.
- **cached**: stamps repeat for longer than the clock's step and then move on; or one stamp is ahead of all
  others by less than a step, which no clock can be and old copies make of it. Somebody between us and the
  clock answers from memory. A remembered stamp is still not in the future, so ``offset >= v - t4`` holds and
  ``offset < v + q - t1`` does not: there is a lower bound only, and no verdict.
- **unsettled**: the last readings disagree with what came before and are too few to say why, or by too
  little: a clock that was set by less than two steps and copies of different age look alike.

Nothing is averaged. Source: method of our own; the inequalities are in ``clock_region``
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from probe.judge.clock_region import ClockRegion, Stamp, region_of

#: So many readings that agree with each other and not with the past make a jump.
JUMP_NEEDS = 3
#: A jump of fewer steps may as well be copies of different age.
CLEAR_STEPS = 2
#: Steps of a clock that may lie between the earliest and the latest time of one torn stamp.
WIDEST_STEPS = 20
S = 1_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Behaviour(StrEnum):
    """How a clock behaved while it was read."""

    STEADY = "steady"
    JUMPED = "jumped"
    STOPPED = "stopped"
    CACHED = "cached"
    UNSETTLED = "unsettled"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTrack:
    """behaviour; region: of the readings that count, None when none do.

    counted, torn, stray: indexes into the readings. jumps: index of the first reading after each jump.
    lower_bound_ns: for CACHED, the greatest v - t4.
    """

    behaviour: Behaviour
    region: ClockRegion | None
    counted: tuple[int, ...]
    torn: tuple[int, ...] = ()
    stray: tuple[int, ...] = ()
    jumps: tuple[int, ...] = ()
    lower_bound_ns: int | None = None


def track(stamps: Sequence[Stamp], drift_bound_ppm: float, field_shift_ns: int = 0) -> ClockTrack:
    """What the readings, in the order in which they were made, amount to.

    drift_bound_ppm: how far the device's clock may gain or lose against ours. field_shift_ns: what the fields
    on its display are ahead of the stamps (its local time against UTC); torn stamps are known by the fields.
    """
    if not stamps:
        return ClockTrack(behaviour=Behaviour.UNSETTLED, region=None, counted=())
    held = _held_still(stamps, drift_bound_ppm)
    if held == {stamps[-1].shown_ns} and _ran_until_it_stood(stamps, drift_bound_ppm):
        return ClockTrack(behaviour=Behaviour.STOPPED, region=None, counted=())
    found = _sorted_out(stamps, drift_bound_ppm, field_shift_ns)
    if held or (found.region is not None and any(_leads(stamps[i], found.region) for i in found.stray)):
        return _from_memory(stamps, found.torn)
    small = abs(jump_ns(stamps, found, drift_bound_ppm)) < CLEAR_STEPS * stamps[0].resolution_ns
    if found.behaviour is Behaviour.JUMPED and small:
        return replace(found, behaviour=Behaviour.UNSETTLED)
    return found


def jump_ns(stamps: Sequence[Stamp], found: ClockTrack, drift_bound_ppm: float) -> float:
    """By how much the clock leapt at its last jump, about; 0 without one."""
    if not found.jumps or found.region is None:
        return 0.0
    first = found.jumps[-1]
    before = _sorted_out(stamps[:first], drift_bound_ppm, 0).region
    assert before is not None  # a jump has readings before it that agree
    at_ns = stamps[first].sent_ns
    return found.region.offset_at(at_ns).middle - before.offset_at(at_ns).middle


def _ran_until_it_stood(stamps: Sequence[Stamp], drift_bound_ppm: float) -> bool:
    """True if the readings before the last stamp appeared are of one running clock."""
    before = [stamp for stamp in stamps if stamp.shown_ns != stamps[-1].shown_ns]
    region = region_of(before, drift_bound_ppm)
    return region is None or not region.is_empty


def _from_memory(stamps: Sequence[Stamp], torn: Sequence[int]) -> ClockTrack:
    """A track of copies of unknown age: none is from the future, so that there is a lower bound."""
    lower = max(s.shown_ns - s.received_ns for i, s in enumerate(stamps) if i not in torn)
    return ClockTrack(
        behaviour=Behaviour.CACHED, region=None, counted=(), torn=tuple(torn), lower_bound_ns=lower
    )


def _leads(stamp: Stamp, region: ClockRegion) -> bool:
    """True for a stamp later than the region allows, by no more than a step and its own round trip."""
    lead = stamp.shown_ns - stamp.received_ns - region.offset_at(stamp.received_ns).high
    return 0 < lead <= stamp.resolution_ns + stamp.received_ns - stamp.sent_ns


def _held_still(stamps: Sequence[Stamp], drift_bound_ppm: float) -> set[int]:
    """The stamps that stood for longer than a clock of its step and drift can stand.

    A clock that was set back shows old stamps a second time: after one clearly ahead, sightings begin anew.
    """
    first_seen: dict[int, Stamp] = {}
    held: set[int] = set()
    highest_ns = stamps[0].shown_ns
    for stamp in stamps:
        if highest_ns - stamp.shown_ns > CLEAR_STEPS * stamp.resolution_ns:
            first_seen, highest_ns = {}, stamp.shown_ns
        highest_ns = max(highest_ns, stamp.shown_ns)
        first = first_seen.setdefault(stamp.shown_ns, stamp)
        longest = first.resolution_ns * (1 + drift_bound_ppm * 2e-6)
        if stamp.sent_ns - first.received_ns > longest:
            held.add(stamp.shown_ns)
    return held


def _sorted_out(stamps: Sequence[Stamp], drift_bound_ppm: float, shift_ns: int) -> ClockTrack:
    """Follow the readings; keep those that agree, hold back those that do not until more is known."""
    counted, held = [0], list[int]()
    torn, stray, jumps = list[int](), list[int](), list[int]()
    region = ClockRegion.of_first(stamps[0], drift_bound_ppm)
    for i, stamp in enumerate(stamps[1:], start=1):
        cut = region.cut(stamp)
        if not cut.is_empty:
            region = cut
            counted.append(i)
            _set_aside(held, stamps, region, shift_ns, torn, stray)
            continue
        held.append(i)
        fresh = _agreeing_tail(stamps, held, drift_bound_ppm)
        if len(fresh) < JUMP_NEEDS:
            continue
        _set_aside([j for j in held if j not in fresh], stamps, region, shift_ns, torn, stray)
        alone = len(counted) == 1  # one odd reading at the start is no clock that jumped
        region = region_of([stamps[j] for j in fresh], drift_bound_ppm) or region
        if alone:
            _set_aside(counted, stamps, region, shift_ns, torn, stray)
        else:
            jumps.append(fresh[0])
        counted, held = list(fresh), []
    behaviour = Behaviour.UNSETTLED if held else Behaviour.JUMPED if jumps else Behaviour.STEADY
    return ClockTrack(
        behaviour=behaviour,
        region=region,
        counted=tuple(counted),
        torn=tuple(sorted(torn)),
        stray=tuple(sorted(stray)),
        jumps=tuple(jumps),
    )


def _agreeing_tail(stamps: Sequence[Stamp], held: Sequence[int], drift_bound_ppm: float) -> tuple[int, ...]:
    """The last held readings that one clock can have shown."""
    tail: list[int] = []
    for i in reversed(held):
        region = region_of([stamps[j] for j in sorted([*tail, i])], drift_bound_ppm)
        if region is None or region.is_empty:
            break
        tail.append(i)
    return tuple(sorted(tail))


def _set_aside(
    held: list[int],
    stamps: Sequence[Stamp],
    region: ClockRegion,
    shift_ns: int,
    torn: list[int],
    stray: list[int],
) -> None:
    """Name the readings that do not belong, and forget them."""
    for i in held:
        (torn if is_torn(stamps[i], region, shift_ns) else stray).append(i)
    held.clear()


def is_torn(stamp: Stamp, region: ClockRegion, shift_ns: int = 0) -> bool:
    """True if the stamp mixes the fields of two neighbouring stamps that the clock passed meanwhile.

    A clock finer than a second is looked at by its whole seconds: below them any value fits.
    """
    q = max(stamp.resolution_ns, S)
    low = stamp.sent_ns + int(region.offset_at(stamp.sent_ns).low) - q + shift_ns
    high = stamp.received_ns + int(region.offset_at(stamp.received_ns).high) + q + shift_ns
    if high - low > WIDEST_STEPS * q:  # a window wider than that says nothing about tearing
        return False
    whole = (stamp.shown_ns + shift_ns) // q * q
    shown = _fields(whole)
    for after in range(-(-low // q) * q, high + 1, q):
        pairs = zip(shown, _fields(after - q), _fields(after), strict=True)
        if whole not in (after - q, after) and all(field in (old, new) for field, old, new in pairs):
            return True
    return False


def _fields(shown_ns: int) -> tuple[int, ...]:
    """Year, month, day, hour, minute, second of a stamp; zeros where there is no such date."""
    try:
        t = _EPOCH + timedelta(seconds=shown_ns // S)
    except OverflowError:
        return (0,) * 6
    return (t.year, t.month, t.day, t.hour, t.minute, t.second)
