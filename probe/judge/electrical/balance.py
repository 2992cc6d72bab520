"""Do the sources of a bus and what leaves it balance.

    power of the sources  =  sum of what the circuits take        (active and reactive power add up exactly)

More out than in cannot be. More in than out may also be a load that is on no drawing, so it is for review.
Where not every device shows power, the currents of each phase are compared: their sizes add up to at least
the size of their sum, and to little more while their angles are alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, sqrt

from probe.judge.check import VALUES, LineupCheck
from probe.judge.electrical.grounds import CT_CAUTION
from probe.judge.electrical.quantities import PHASES
from probe.judge.electrical.readings import Readings, moved, readings_of, sources
from probe.judge.electrical.snapshot import Measured, seconds_apart
from probe.judge.electrical.topology import Zone
from probe.judge.electrical.trial import Trial, roomy, settled, trial
from probe.judge.limit import exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import listed, some
from probe.model.finding import Finding, Verdict

#: Sizes of currents whose angles lie within 45 degrees of their mean add up to at most 1.41 times the size of
#: their sum. Common practice, no source.
SPREAD = sqrt(0.5)


def _feeders(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    readings = readings_of(context)
    wanted = set(check.subjects(context.lineup, context.scope))
    for zone in readings.zones():
        for source in zone.sources:
            if source in wanted:
                yield from _zone_findings(check, context, readings, zone, source)


def _zone_findings(
    check: LineupCheck, context: LineupContext, readings: Readings, zone: Zone, subject: str
) -> Iterable[Finding]:
    """The balance of a zone, told at one of its sources."""
    if zone.doubt:
        yield check.untested(subject, zone.doubt)
        return
    if all(readings.is_open(source) for source in zone.sources):
        yield check.untested(subject, f"{listed(zone.sources)} is open, so that nothing flows")
        return
    number = max((0, -1), key=lambda n: _size(readings, zone, n))
    trials, why = _balance(context, readings, zone, number)
    if why:
        yield check.untested(subject, why)
        return
    with_other = "" if len(zone.sources) == 1 else f" ({listed(zone.sources)} together)"
    yield from settled(check, subject, trials, f"What flows in flows out{with_other}")


def _size(readings: Readings, zone: Zone, number: int) -> float:
    sides = [readings.best(source, "power_active", "total", number) for source in zone.sources]
    return sum(abs(side.measured.value) for side in sides if side.measured)


def _balance(context: LineupContext, readings: Readings, zone: Zone, number: int) -> tuple[list[Trial], str]:
    """Trials of a zone's balance, or why there are none."""
    for quantities in (("power_active", "power_reactive"), ("current",)):
        sums = [
            one
            for quantity in quantities
            for phase in (PHASES if quantity == "current" else ("total",))
            if (one := _sum(readings, zone, quantity, phase, number)) is not None
        ]
        if sums:
            break
    else:
        return [], _what_misses(readings, zone, number)
    least = _least(context, readings, zone, sums[0].quantity)
    size = max(abs(sums[0].sources), abs(sums[0].out))
    if within(exactly(size), least, None) is not Verdict.PASS:
        unit = sums[0].by[0].unit
        return [], f"{sums[0].sources:.0f} {unit} flow in, and this takes at least {least:.0f} {unit}"
    share = context.map.tolerances.balance_percent / 100
    return [_balance_trial(one, share) for one in sums], ""


def _least(context: LineupContext, readings: Readings, zone: Zone, quantity: str) -> float:
    """The load under which a balance says nothing: the least of the largest source, W, var or A."""
    frames = [
        readings.snapshots[tag][0].frame
        for source in zone.sources
        for tag in readings.topology.instruments[source]
        if tag in readings.snapshots
    ]
    amps = max((frame.least_a for frame in frames), default=0.0)
    volts = max((frame.phases * frame.phase_v for frame in frames), default=0.0)
    return amps if quantity == "current" else amps * volts


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """A quantity of a zone: what its sources bring, what its circuits take. width: classes together; open:
    steps and time; seconds: longest time between two of the readings."""

    quantity: str
    phase: str
    sources: float
    out: float
    width: float
    open: float
    seconds: float
    by: tuple[Measured, ...]


def _sum(readings: Readings, zone: Zone, quantity: str, phase: str, number: int) -> Sum | None:
    """The quantity's sum; None if a circuit's part is not known."""
    into = [readings.best(tag, quantity, phase, number) for tag in zone.sources]
    out = [readings.best(tag, quantity, phase, number) for tag in zone.circuits]
    if any(side.missing for side in (*into, *out)):
        return None
    sources = [side.measured for side in into if side.measured]
    taken = [side.measured for side in out if side.measured]
    if not sources or not taken:
        return None
    everything = (*sources, *taken)
    return Sum(
        quantity=quantity,
        phase=phase,
        sources=sum(one.value for one in sources),
        out=sum(one.value for one in taken),
        width=sum(one.half_width - one.unclassed for one in everything),
        open=hypot(*(one.unclassed + moved(one, quantity, sources[0]) for one in everything)),
        seconds=max(seconds_apart(one, sources[0]) for one in everything),
        by=everything,
    )


def _what_misses(readings: Readings, zone: Zone, number: int) -> str:
    sides = [readings.best(tag, "power_active", "total", number) for tag in (*zone.sources, *zone.circuits)]
    missing = [side.missing for side in sides if side.missing]
    return some(missing, 2) if missing else "nothing that leaves the bus was read"


_WORDS = {"power_active": "Active power", "power_reactive": "Reactive power", "current": "Current"}


def _balance_trial(one: Sum, share: float) -> Trial:
    """Sources less circuits."""
    size = max(abs(one.sources), abs(one.out))
    spare = roomy(share * size + one.width, one.open)
    excess = one.sources - one.out
    low, high = -spare, spare
    if one.quantity == "current":
        low, high = (SPREAD - 1) * one.out - spare, spare
    unmapped = excess > 0 and one.quantity != "current"
    return trial(
        f"{one.quantity} {one.phase}",
        excess,
        one.open,
        (low, high),
        title=f"{_WORDS[one.quantity]}: {'more' if excess > 0 else 'less'} flows in than out",
        advice=_UNMAPPED if unmapped else _TOO_MUCH,
        unit=one.by[0].unit,
        decimals=0,
        soft=unmapped,
        told=f"in {one.sources:.0f}, out {one.out:.0f}",
        by=one.by,
        size=size,
    )


_UNMAPPED = (
    "Either something is fed from this bus that the map does not hold (a control transformer, a feeder "
    "without "
    "metering), or a feeder reads too low, or the main too high. Compare with a second instrument. "
    f"{CT_CAUTION}"
)
_TOO_MUCH = (
    "The feeders together cannot take more than the source brings: one of them reads too high, the main "
    "too low "
    "or the wrong way round, or two devices have each other's address. Look for a device whose ratio, "
    "scale or "
    f"transformer differs from its drawing. {CT_CAUTION}"
)


CHECK = LineupCheck(
    id="electrical.feeders",
    title="Sources and feeders of a bus balance",
    needs=VALUES,
    why="What flows into a bus flows out of it. If it does not, a ratio, a polarity or an address is "
    "wrong, and so "
    "are the energy bill and the settings that were checked by the same readings.",
    source="Kirchhoff's current law (textbook); tolerance: accuracy classes of all devices added up, and "
    "balance_percent of the map; how fast loads move: as the run's rounds show it, else common practice, no "
    "source",
    since="0.1",
    danger=6,
    where="breakers that feed others by the map's fed_from",
    run=_feeders,
    subjects=sources,
    required=False,
)
