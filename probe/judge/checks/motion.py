"""Do values change in a way that can be: counters that run backwards, leaps, and a device that restarts."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice, pairwise

from probe.judge.check import STANDING_VALUES, DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext
from probe.judge.counter import Turn, most_energy, turn_of
from probe.judge.limit import exactly, within
from probe.judge.traits import is_read_twice, traits_of
from probe.judge.wording import number, span, value_text
from probe.model.finding import Finding, Verdict
from probe.model.profile import Point
from probe.model.reading import Reading

#: Largest change between two rounds that a real thing makes, in the unit; common practice, no source.
LEAPS = {"Hz": 2.0, "°C": 30.0}
#: Clocks of a device and of this computer may differ by this share over a run; common practice, no source.
UPTIME_SLACK_S = 5.0


def restarted(context: DeviceContext) -> tuple[Reading, Reading] | None:
    """Two readings of the uptime of which the later is lower; None if there was no restart (or no uptime)."""
    return context.restart


def _restart(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    readings = context.good(context.profile.uptime) if context.profile.uptime else ()
    if len(readings) < 2:
        return
    point = context.point(context.profile.uptime)
    seen = restarted(context)
    if seen is None:
        yield check.find(
            context.tag,
            Verdict.PASS,
            "No restart during the run",
            observed=value_text(point, readings[-1].value),
            unit=point.unit,
            evidence=(readings[0].sequence, readings[-1].sequence),
        )
        return
    yield check.find(
        context.tag,
        Verdict.FAIL,
        "The device restarted during the run",
        observed=f"uptime fell from {value_text(point, seen[0].value)} to {value_text(point, seen[1].value)}",
        expected="rising",
        unit=point.unit,
        point=point.name,
        evidence=(seen[0].sequence, seen[1].sequence),
        advice="Look at its control power first, then whether polling makes it restart: stop other masters "
        "and "
        "repeat with longer pauses. A trip unit that restarts may not protect while it does."
        + (" It was not asked any more in this run." if context.is_left_alone else ""),
    )


def _jump(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    traits = traits_of(context.profile)
    tested, odd = 0, []
    for points, judge in ((traits.rising, _counter), (traits.leaping, _leap)):
        for point in points:
            readings = context.good(point.name)
            tested += len(readings) > 1
            found = (judge(check, context, point, *pair) for pair in pairwise(readings))
            odd += list(islice(filter(None, found), 1))
    yield from odd
    if tested and not odd:
        yield check.find(context.tag, Verdict.PASS, "No impossible change between readings")


def _counter(
    check: DeviceCheck, context: DeviceContext, point: Point, before: Reading, after: Reading
) -> Finding | None:
    most = most_energy(context, point, before, after)
    turn = turn_of(point, before, after, most, restarted=restarted(context) is not None)
    if turn in (Turn.RISES, Turn.WRAPS):
        return None
    text = {
        Turn.RESTART: f"{point.title} fell with a restart of the device",
        Turn.RESET: f"{point.title} was reset",
        Turn.LEAPS: f"{point.title} rose faster than can be",
    }[turn]
    return check.find(
        context.tag,
        Verdict.REVIEW if turn is Turn.RESTART else Verdict.FAIL,
        text,
        observed=f"{value_text(point, before.value)}, then {value_text(point, after.value)} "
        f"after {span((after.sent_ns - before.sent_ns) / 1e9)}",
        expected="rising, no faster than the ratings allow",
        unit=point.unit,
        point=point.name,
        evidence=(before.sequence, after.sequence),
        advice="It begins anew when the device starts: what was counted before is lost. See why it restarted."
        if turn is Turn.RESTART
        else "A wrap at the end of the counter's range was looked for and does not explain it. See who "
        "cleared "
        "it, or whether word order and scale are right: a wrong low word jumps like this.",
    )


def _leap(
    check: DeviceCheck, context: DeviceContext, point: Point, before: Reading, after: Reading
) -> Finding | None:
    most = LEAPS.get(point.unit)
    if most is None or not before.value or not after.value:
        return None  # a frequency of zero is a dead circuit, not a leap
    change = abs(float(after.value) - float(before.value))
    if within(exactly(change), None, most) is Verdict.PASS:
        return None
    return check.find(
        context.tag,
        Verdict.REVIEW,
        f"{point.title} leapt between two readings",
        observed=number(change, point.decimals),
        expected=f"at most {most:g}",
        unit=point.unit,
        point=point.name,
        evidence=(before.sequence, after.sequence),
        advice="If the system was not switched in between, the value is read torn or in the wrong order.",
    )


RESTART = DeviceCheck(
    id="motion.restart",
    title="No restart during the run",
    needs=(*STANDING_VALUES, Need.ROUNDS),
    why="A trip unit that restarts may not protect while it does; a device that restarts under polling will "
    "do "
    "so in operation.",
    source="common practice, no source",
    since="0.1",
    danger=7,
    where="devices whose profile names an uptime, where a run reads it twice",
    run=_restart,
    applies=lambda subject: is_read_twice(subject, (subject.profile.uptime,)),
    required=lambda subject: False,
    unasked=True,
)


def _has_motion(subject: Subject) -> bool:
    traits = traits_of(subject.profile)
    return is_read_twice(subject, [point.name for point in (*traits.rising, *traits.leaping)])


JUMP = DeviceCheck(
    id="motion.jump",
    title="No impossible change between readings",
    needs=(*STANDING_VALUES, Need.ROUNDS),
    why="Energy that falls or leaps is billed; a value that leaps is read from the wrong registers.",
    source="difference modulo the counter's range; limits: common practice, no source",
    since="0.1",
    danger=4,
    where="devices with counters, frequency or temperature, where a run reads them twice",
    run=_jump,
    applies=_has_motion,
    required=lambda subject: False,
    unasked=True,
)
