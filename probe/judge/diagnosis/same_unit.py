"""Do two tags show one and the same unit: energy counters that stand alike to the last digits.

Two meters that have counted for a while never stand at the same number; two tags that do are one unit behind
a gateway that ignores the unit number, or an address that was given twice. Serial numbers tell it as well
(``lineup.serial_twice``), where the type shows one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from math import isfinite, log
from typing import NamedTuple

from probe.judge.check import VALUES, LineupCheck
from probe.judge.diagnosis.picture import picture
from probe.judge.diagnosis.sighting import Sighting
from probe.judge.electrical.taking import keys_of
from probe.judge.limit import exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import AT_THE_GEAR, listed, number
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

COUNTER = ("energy_active_import", "total")
#: A counter below this (Wh) is new, and new ones stand alike.
LEAST_WH = 1000.0
#: Between two readings a load may have counted for so long, seconds; and a counter may be cut off by so much
#: of itself (a float). Common practice, no source.
APART_S, CUT = 60.0, 2e-6
#: Currents of one unit read twice differ by no more than the load moves (a logarithm).
SAME_LOAD = 0.1


class Counted(NamedTuple):
    """What a tag shows: its counter (Wh), its mean current (A), its active power (W), its serial number."""

    tag: str
    counter: float
    amps: float
    watts: float
    serial: str


def counted(sightings: Mapping[str, Sighting]) -> list[list[Counted]]:
    """Tags with a counter that has counted, by profile, the lowest first."""
    found: dict[str, list[Counted]] = {}
    for tag, sighting in sightings.items():
        shown = sighting.case.base.values.get(COUNTER)
        if shown is not None and shown[0] >= LEAST_WH:
            seen = picture(sighting.case.base.values)
            amps = [abs(i[0]) for i in seen.amps if isfinite(i[0])]
            mean = sum(amps) / len(amps) if amps else 0.0
            row = Counted(tag, shown[0], mean, abs(seen.totals[0][0]), sighting.serial)
            found.setdefault(sighting.case.registers.profile.name, []).append(row)
    return [sorted(rows, key=lambda row: row.counter) for rows in found.values()]


def same_units(sightings: Mapping[str, Sighting]) -> Iterator[tuple[Counted, Counted]]:
    """Pairs of tags that show one unit."""
    for rows in counted(sightings):
        for one, other in pairwise(rows):
            if _same(one, other):
                yield one, other


def _same(one: Counted, other: Counted) -> bool:
    if one.serial and other.serial and one.serial != other.serial:
        return False  # two serial numbers are two units, however alike they count
    power = one.watts if isfinite(one.watts) else 0.0
    spare = power * APART_S / 3600 + CUT * other.counter
    alike = within(exactly(other.counter - one.counter), None, spare) is Verdict.PASS
    return alike and one.amps > 0 and other.amps > 0 and abs(log(one.amps / other.amps)) < SAME_LOAD


def _run(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    sightings = {tag: f.sighting for tag, f in context.facts.items() if f.sighting is not None}
    rows = [row for rows in counted(sightings) for row in rows]
    if len(rows) < 2:
        yield check.untested("lineup", "fewer than two devices show an energy that they have counted")
        return
    pairs = list(same_units(sightings))
    for one, other in pairs:
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"{one.tag} and {other.tag} show one counter",
            observed=f"{number(one.counter / 1000, 3)} and {number(other.counter / 1000, 3)}",
            expected="counters of their own",
            unit="kWh",
            point=one.tag,
            advice=f"{listed((one.tag, other.tag))} seem to be one unit: a gateway that ignores the unit "
            "number, or an address given twice. Compare nameplates and addresses; the other unit was not "
            "tested. "
            f"{AT_THE_GEAR}",
        )
    if not pairs:
        yield check.find(
            "lineup", Verdict.PASS, "Every device has a counter of its own", observed=f"{len(rows)} different"
        )


def _subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
    wanted = set(scope.tags)
    having = [d for d in lineup.map.devices if d.tag in wanted and COUNTER in keys_of(lineup.profile_of(d))]
    return ("lineup",) if len(having) > 1 else ()


CHECK = LineupCheck(
    id="lineup.counters_twice",
    title="Every device has a counter of its own",
    needs=VALUES,
    why="One unit that answers for two tags makes a device that nobody has reached look healthy: its breaker "
    "is operated, and its circuit worked on, by the readings of another one.",
    source="common practice, no source",
    since="0.1",
    danger=7,
    where="lineups with two or more devices that count energy",
    run=_run,
    subjects=_subjects,
    required=False,
    of_all=True,
)
