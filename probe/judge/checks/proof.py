"""Does the proof point show the value that every device of this type shows there.

It proves addressing convention and byte order before any value is believed. When it does not fit, the
registers that were read are searched for what would make it fit; the hint is advice, never applied.
"""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need
from probe.judge.context import DeviceContext
from probe.judge.proof import Fit, fits, where_it_fits
from probe.judge.wording import value_text
from probe.model.finding import Finding, Verdict
from probe.model.profile import Proof


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    for proof in context.profile.proof:
        readings = context.readings(proof.point)
        if not readings:
            yield check.untested(context.tag, context.why_nothing(), point=proof.point)
            continue
        wrong = [r for r in readings if not fits(r.value, r.quality, proof.equals)]
        point = context.point(proof.point)
        shown = (wrong or readings)[-1]
        if wrong:
            yield _wrong(check, context, proof, value_text(point, shown.value), shown.sequence)
        else:
            yield check.find(
                context.tag,
                Verdict.PASS,
                "Proof point fits",
                observed=value_text(point, shown.value),
                expected=value_text(point, proof.equals),
                unit=point.unit,
                point=proof.point,
                evidence=(shown.sequence,),
            )


def _wrong(check: DeviceCheck, context: DeviceContext, proof: Proof, observed: str, sequence: int) -> Finding:
    point = context.point(proof.point)
    return check.find(
        context.tag,
        Verdict.FAIL,
        "Proof point does not fit: all values of this device are void",
        observed=observed,
        expected=value_text(point, proof.equals),
        unit=point.unit,
        point=proof.point,
        evidence=(sequence,),
        advice=_SLIPS
        if any(fits(r.value, r.quality, proof.equals) for r in context.readings(proof.point))
        else hint_text(where_it_fits(context), context.device.register_shift),
    )


_SLIPS = (
    "It fits when it is read alone and not inside a longer block: the device leaves out addresses that it "
    "does not "
    "have, and all that follows slips. Write these addresses as holes into the profile, and repeat."
)


def hint_text(fit: Fit | None, shift_now: int) -> str:
    """What would make the proof point fit, in words."""
    if fit is None:
        return (
            "No shift of a few registers and no byte order makes it fit. Check that the profile is the one "
            "for "
            "this device and firmware, and whether the block holds addresses that the device skips."
        )
    words = []
    if fit.shift:
        words.append(
            f"it fits {abs(fit.shift)} register{'s' if abs(fit.shift) > 1 else ''} "
            f"{'higher' if fit.shift > 0 else 'lower'} (try register_shift: {shift_now + fit.shift} in the "
            "map, "
            "after comparing the register list: it may count from one)"
        )
    if fit.order:
        words.append(
            f"it fits when read in byte order {fit.order} (the profile's order for this type is wrong)"
        )
    return f"Hint: {' and '.join(words)}. Nothing was changed by this tool."


CHECK = DeviceCheck(
    id="proof.point",
    title="Proof point fits",
    needs=(Need.REPLIES, Need.IDENTITY),
    why="A register map that is off by one, or a swapped word order, gives values that look like values. "
    "Settings and currents that are false in a believable way are worse than none.",
    source="MODBUS Application Protocol Specification V1.1b3, 4.2 and 4.4 (byte order is defined inside one "
    "register only; element X has PDU address X-1)",
    since="0.1",
    danger=7,
    where="devices whose profile names a proof point",
    run=_run,
    applies=lambda subject: bool(subject.profile.proof),
)
