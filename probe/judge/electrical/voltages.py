"""Do the voltages of one device agree with each other: line against phase, balance, sequence.

wye, any waveform:  Vab2 + Vbc2 + Vca2 = 3 (Va2 + Vb2 + Vc2) - 9 V02        (squares of RMS values)
one pair:           Vab2 = Va2 + Vb2 - 2 Va Vb cos(angle between them)
"""

from __future__ import annotations

from cmath import rect
from collections.abc import Iterable, Iterator
from math import hypot, radians, sqrt

from probe.judge.check import VALUES, DeviceCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import left_open
from probe.judge.electrical.grounds import CT_CAUTION, has, live, under_load
from probe.judge.electrical.quantities import PAIRS, PHASES
from probe.judge.electrical.sequence import components, negative_from_lines, unbalance_nema
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.trial import Trial, graded, roomy, settled, trial
from probe.judge.limit import exactly, within
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import Finding, Verdict

Three = tuple[Measured, Measured, Measured]

#: Zero sequence of a grounded wye that still counts as one, share of the phase voltage; common practice.
MOST_ZERO = 0.15
#: A phase voltage below this share of nominal is missing; common practice, no source.
MISSING = 0.2
#: How far a line voltage may stand from that of phases 120 degrees apart: angles of 110 to 130 degrees.
MOST_ASKEW = 0.055
#: Line voltages out of balance. Sources: ANSI C84.1 annex (3 % at the meter, without load; from memory), NEMA
#: MG 1 (motors shall not run above 5 %).
REVIEW_UNBALANCE, FAIL_UNBALANCE = 3.0, 5.0
#: Negative sequence above this share of the positive one is no unbalance but another order of the phases.
REVERSED = 0.5
_WIRING = (
    "If line and phase voltages are alike, the wiring is set to delta where the system is wye, or the other "
    "way round; if one of three pairs is off, two voltage inputs are exchanged or a fuse of the voltage "
    f"transformers is gone. Compare with the other devices of this bus. {AT_THE_GEAR}"
)


def _effective(three: Three) -> float:
    """Root of the mean square of three voltages, V."""
    return sqrt(sum(one.value**2 for one in three) / 3)


def _share(three: Three) -> float:
    """What registers and time leave open of three voltages, as a share of them."""
    size = _effective(three)
    return max(one.unclassed for one in three) / size if size else 0.0


def _class(taken: Snapshot) -> float:
    """The voltage class as a share."""
    return taken.frame.accuracy.voltage_percent / 100


def _line_phase(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = live(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    lines, phases = taken.pairs(), taken.phases("voltage_phase")
    if lines is None or phases is None:
        return []
    if _effective(phases) < 0.1 * taken.frame.phase_v and _effective(lines) < 0.1 * taken.frame.voltage_v:
        return [check.untested(context.tag, "the voltages are too small to compare")]
    return settled(
        check, context.tag, list(_line_phase_trials(taken, lines, phases)), "Line and phase voltages agree"
    )


def _line_phase_trials(taken: Snapshot, lines: Three, phases: Three) -> Iterator[Trial]:
    missing = within(exactly(min(abs(one.value) for one in phases)), MISSING * taken.frame.phase_v, None)
    if missing is Verdict.PASS:  # with a phase missing there is much zero sequence; the pairs still tell
        yield _ratio(taken, lines, phases)
    for name, seen, (one, other) in zip(PAIRS, lines, ((0, 1), (1, 2), (2, 0)), strict=True):
        yield _pair(taken, name, seen, phases[one], phases[other])


def _ratio(taken: Snapshot, lines: Three, phases: Three) -> Trial:
    """All line voltages against all phase voltages, by their squares."""
    line, phase = _effective(lines), _effective(phases)
    left = hypot(_share(lines), _share(phases))
    width = roomy(2 * _class(taken), left)
    return trial(
        "ratio",
        line / phase,
        line / phase * left,
        (sqrt(3) * (sqrt(1 - MOST_ZERO**2) - width), sqrt(3) * (1 + width)),
        title="Line and phase voltages do not belong together",
        advice=f"In a wye system line voltages are 1.73 times the phase voltages. {_WIRING}",
        decimals=3,
        told=f"line {line:.1f} V, phase {phase:.1f} V",
        by=(*lines, *phases),
    )


def _pair(taken: Snapshot, name: str, seen: Measured, one: Measured, other: Measured) -> Trial:
    """A line voltage against what its two phases give at 120 degrees."""
    x, y = one.value, other.value
    due = sqrt(x * x + y * y + x * y)
    left = left_open((seen, one, other))
    spare = roomy(due * (MOST_ASKEW + 2 * _class(taken)), left)
    return trial(
        seen.point,
        seen.value,
        left,
        (due - spare, due + spare),
        title=f"Line voltage {name.upper()} does not fit its two phases",
        advice=_WIRING,
        unit="V",
        by=(seen, one, other),
    )


def _unbalance(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = live(context)
    lines = taken.pairs() if taken else None
    if taken is None or lines is None:
        return [check.untested(context.tag, why)] if why else []
    if min(one.value for one in lines) < 0 or _effective(lines) < 0.1 * taken.frame.voltage_v:
        return [check.untested(context.tag, "the voltages are too small to compare")]
    return settled(check, context.tag, list(_unbalance_trials(taken, lines)), "Voltages in balance")


def _unbalance_trials(taken: Snapshot, lines: Three) -> Iterator[Trial]:
    volts = tuple(one.value for one in lines)
    nema, iec = unbalance_nema(*volts), negative_from_lines(*volts)
    width = 100 * (4 / 3 * _class(taken) + 2 * _share(lines))
    yield graded(
        "unbalance",
        nema,
        width,
        (REVIEW_UNBALANCE, FAIL_UNBALANCE),
        title="Line voltages are out of balance",
        advice="A voltage missing in one phase gives tens of percent: look at the fuses of the voltage "
        f"transformers first. A few percent: compare with the other devices of this bus. {AT_THE_GEAR}",
        unit="%",
        decimals=2,
        told=f"NEMA; negative sequence {iec:.2f}",
        by=lines,
    )
    own = taken.get("unbalance_voltage")
    if own is not None:
        low, high = min(nema, iec), max(nema, iec)
        spare = width + own.half_width
        yield trial(
            own.point,
            own.value,
            0.0,
            (max(0.0, low - spare) if low > spare else None, high + spare),
            title="The device's own unbalance does not fit its line voltages",
            advice="Look at scale and address of the unbalance in the profile, and at which of the two "
            "definitions (NEMA, negative sequence) the maker uses.",
            unit="%",
            decimals=2,
            by=(own, *lines),
        )


def _sequence(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = live(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    trials = list(_turns(taken, "voltage", "angle_voltage"))
    loaded, _ = under_load(context)
    if loaded is not None:
        trials += _turns(loaded, "current", "angle_current")
    return settled(check, context.tag, trials, "Phases follow each other as A, B, C")


def _turns(taken: Snapshot, what: str, angles: str) -> Iterator[Trial]:
    sizes = taken.phases("voltage_phase" if what == "voltage" else "current")
    turned = taken.phases(angles)
    if sizes is None or turned is None:
        return
    phasors = [rect(s.value, radians(t.value)) for s, t in zip(sizes, turned, strict=True)]
    zero, positive, negative = components(*phasors)
    whole = positive + negative
    share = negative / whole if whole else 0.0
    yield trial(
        angles,
        100 * share,
        100 * (max(radians(t.half_width) for t in turned) + _share(sizes)),
        (None, 100 * REVERSED),
        title=f"The {what}s turn the other way round: A, C, B",
        advice="Two phases are exchanged, at the source or at this instrument: if the other devices of this "
        f"bus say the same, motors turn backwards. {CT_CAUTION if what == 'current' else AT_THE_GEAR}",
        unit="%",
        decimals=1,
        told=f"of positive and negative sequence together; zero sequence {zero:.1f}",
        by=(*sizes, *turned),
    )


def _all(quantity: str, names: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    return tuple((quantity, name) for name in names)


_LINES = _all("voltage_line", PAIRS)
_PHASES = _all("voltage_phase", PHASES)


def _on(wirings: tuple[str, ...], *groups: tuple[tuple[str, str], ...]) -> object:
    there = has(*groups)

    def applies(subject: Subject) -> bool:
        return there(subject) and subject.lineup.map.system.wiring in wirings

    return applies


LINE_PHASE = DeviceCheck(
    id="electrical.line_phase",
    title="Line and phase voltages agree",
    needs=VALUES,
    why="A wiring set to delta on a wye system, or two exchanged voltage inputs, make every power and energy "
    "of the device wrong while each single value looks plausible.",
    source="law of cosines and Leibniz' identity for RMS values (textbook; from memory); tolerance: accuracy "
    "class of the profile; zero sequence up to 15 %: common practice, no source",
    since="0.1",
    danger=6,
    where="devices in a wye system that show the three line and the three phase voltages",
    run=_line_phase,
    applies=_on(("wye",), _LINES + _PHASES),  # type: ignore[arg-type]
    required=lambda subject: False,
)
UNBALANCE = DeviceCheck(
    id="electrical.unbalance",
    title="Line voltages in balance",
    needs=VALUES,
    why="Unbalanced voltages overheat motors many times faster than they look; and most of what looks like "
    "unbalance is a blown fuse of a voltage transformer.",
    source="NEMA MG 1, 14.36 and 20.24 (definition on line voltages, 5 %); IEC 61000-4-30, 5.7 (negative "
    "sequence; from memory); ANSI C84.1 annex (3 %; from memory)",
    since="0.1",
    danger=5,
    where="devices in a three-phase system that show the three line voltages",
    run=_unbalance,
    applies=_on(("wye", "delta"), _LINES),  # type: ignore[arg-type]
    required=lambda subject: False,
)
SEQUENCE = DeviceCheck(
    id="electrical.sequence",
    title="Phases follow each other as A, B, C",
    needs=VALUES,
    why="With two phases exchanged motors turn backwards: pumps and conveyors break, and people are hurt.",
    source="Fortescue's symmetrical components (textbook; from memory)",
    since="0.1",
    danger=8,
    where="devices that show the angles of their voltages or currents",
    run=_sequence,
    applies=_on(
        ("wye",),
        _PHASES + _all("angle_voltage", PHASES),
        _all("current", PHASES) + _all("angle_current", PHASES),
    ),  # type: ignore[arg-type]
    required=lambda subject: False,
)
