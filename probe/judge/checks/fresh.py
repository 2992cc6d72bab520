"""Do the values live: has something moved that must move on a live device.

A gateway that answers from its cache and a device that froze give good replies for ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.judge.check import STANDING_VALUES, DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext
from probe.judge.traits import is_read_twice, traits_of
from probe.judge.wording import listed, some, span, value_text
from probe.model.finding import Finding, Verdict
from probe.model.reading import Reading

#: Pause that must lie between two readings where a profile marks moving points but says no time.
DEFAULT_AFTER_S = 1.0


def far_apart(readings: Sequence[Reading], after_s: float) -> tuple[Reading, Reading] | None:
    """First and last reading if at least after_s lies between them; None if not."""
    if len(readings) < 2:
        return None
    first, last = readings[0], readings[-1]
    return (first, last) if last.sent_ns - first.received_ns >= after_s * 1e9 else None


def _moved(readings: Sequence[Reading]) -> bool:
    return any(reading.raw != readings[0].raw for reading in readings)


def _device(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    rule = context.profile.freshness
    if rule is None:
        return
    watched = {name: context.good(name) for name in rule.points}
    moved = [name for name, readings in watched.items() if readings and _moved(readings)]
    still = {name: r for name, r in watched.items() if far_apart(r, rule.after_s)}
    if moved:
        yield _alive(check, context, moved[0], watched[moved[0]])
    elif still:
        context.memory["stands still"] = True
        yield _frozen(check, context, still)


def _alive(check: DeviceCheck, context: DeviceContext, name: str, readings: Sequence[Reading]) -> Finding:
    point = context.point(name)
    other = next(r for r in readings if r.raw != readings[0].raw)
    return check.find(
        context.tag,
        Verdict.PASS,
        "Values are alive",
        observed=f"{point.title} went from {value_text(point, readings[0].value)} "
        f"to {value_text(point, other.value)}",
        expected="a change",
        unit=point.unit,
        evidence=(readings[0].sequence, other.sequence),
    )


def _frozen(check: DeviceCheck, context: DeviceContext, still: dict[str, tuple[Reading, ...]]) -> Finding:
    readings = [reading for seen in still.values() for reading in seen]
    shortest = min((seen[-1].sent_ns - seen[0].received_ns) / 1e9 for seen in still.values())
    return check.find(
        context.tag,
        Verdict.REVIEW,
        "Stale: nothing moved that must move",
        observed=f"no change of {listed(context.point(name).title for name in list(still)[:3])} "
        f"in {span(shortest)}",
        expected="a change of at least one",
        evidence=tuple(dict.fromkeys(reading.sequence for reading in readings))[:8],
        advice="The device may be frozen, or a gateway answers from its cache while the device is gone. "
        "Look at the device's own display, and see whether the gateway still reports it when it is unplugged "
        "(by those who may do that). Until then none of its values counts as passed.",
    )


def _point(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    if context.memory.get("stands still"):
        yield check.untested(context.tag, "nothing of the device moves at all")
        return
    after_s = context.profile.freshness.after_s if context.profile.freshness else DEFAULT_AFTER_S
    tested, stuck = 0, []
    for point in traits_of(context.profile).moving:
        if context.profile.clock is not None and point.name == context.profile.clock.point:
            continue  # a clock that stands still has a check of its own
        readings = context.good(point.name)
        if not readings or readings[-1].value == 0:
            continue  # nothing flows: a true zero stands still on a healthy device
        if _moved(readings):
            tested += 1
        elif far_apart(readings, after_s):
            tested += 1
            stuck.append((point, readings))
    for point, readings in stuck:
        yield check.find(
            context.tag,
            Verdict.REVIEW,
            f"{point.title} stands still",
            observed=f"{value_text(point, readings[0].value)} at every reading",
            expected=f"a change within {span(after_s)}",
            unit=point.unit,
            point=point.name,
            evidence=(readings[0].sequence, readings[-1].sequence),
            advice="Others of the device's values move. A stuck input, a value held by the device, or a load "
            "steadier than the value's last digit: watch it longer (--dwell).",
        )
    if tested and not stuck:
        names = [point.title for point in traits_of(context.profile).moving]
        yield check.find(context.tag, Verdict.PASS, "Every moving value moves", observed=some(names, 3))


def _has_moving_points(subject: Subject) -> bool:
    """Points besides those of the freshness rule that the profile marks as moving."""
    return is_read_twice(subject, [point.name for point in traits_of(subject.profile).moving])


DEVICE = DeviceCheck(
    id="fresh.device",
    title="Values are alive",
    needs=(Need.REPLIES, Need.IDENTITY, Need.PROOF, Need.ROUNDS),
    why="A frozen device or a gateway's cache shows a healthy breaker for ever, whatever happens to the "
    "real one.",
    source="common practice, no source (rule: profile)",
    since="0.1",
    danger=7,
    where="devices whose profile says what must move; not with --quick",
    run=_device,
    applies=lambda subject: not subject.scope.quick and subject.profile.freshness is not None,
)
POINT = DeviceCheck(
    id="fresh.point",
    title="Moving values move",
    needs=(*STANDING_VALUES, Need.ROUNDS),
    why="A single stuck input hides behind a device that is alive otherwise: a phase current that never "
    "changes "
    "protects nobody's judgement.",
    source="common practice, no source (rule: profile)",
    since="0.1",
    danger=4,
    where="devices whose profile marks moving points, where a run reads them twice",
    run=_point,
    applies=_has_moving_points,
    required=lambda subject: False,
    unasked=True,
)
