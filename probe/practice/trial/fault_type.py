"""Faults of types: 16 bit read for 32 and the other way, signed for unsigned; the address is right."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from decimal import Decimal

from probe.model.number_codec import FloatDecoder, IntegerDecoder
from probe.model.profile import Point, Profile
from probe.practice.trial.altered import altered, encoded
from probe.practice.trial.lineup import Seat, Trial
from probe.practice.trial.registers import is_electrical
from probe.practice.trial.truth import Inject, Truth, Unfit

_RIGHT = ("data type",)
#: What a device counts in, if its numbers are whole: 0.1 V, 0.1 A, single W.
_WHOLE = {"voltage_line": "0.1", "voltage_phase": "0.1", "current": "0.1"}
_POWERS = ("power_active", "power_reactive")


def _numbers(profile: Profile, count: int) -> list[Point]:
    """Measured points of so many registers whose type may be mistaken."""
    return [
        p
        for p in profile.points
        if is_electrical(p) and p.count == count and not p.scale_factor
        and isinstance(p.decoder, IntegerDecoder | FloatDecoder)
    ]  # fmt: skip


def _read_as(seat: Seat, points: Sequence[Point], word: str, change: Callable[[Point], Point]) -> None:
    """Let the tool's profile, of this device alone, read the points in another way."""
    names = {point.name for point in points}
    mistaken = altered(seat.judged, word, lambda p: change(p) if p.name in names else p)
    seat.judge_by(mistaken, word)


def _too_wide(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """The device has 16 bit, the profile reads 32: each value with its neighbour behind it."""
    points = _numbers(seat.profile, 1)
    if len(points) < 6:
        raise Unfit
    order = dice.choice(("ABCD", "CDAB"))
    _read_as(seat, points, f"too wide {order}", lambda p: encoded(p, f"{p.type[0]}32", order=order))
    return Truth("too wide", _RIGHT, (seat.tag,), ("16",))


def _too_narrow(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """The device has 32 bit, whole or floating, the profile reads 16: the first of two registers."""
    points = _numbers(seat.profile, 2)
    if len(points) < 6:
        raise Unfit
    if any(p.type[0] != "f" and p.order[0] != "A" for p in points):
        for point in points:  # low register first would show small values rightly
            seat.registers.orders[point.name] = "ABCD"
    _read_as(seat, points, "too narrow", _narrowed)
    return Truth("too narrow", _RIGHT, (seat.tag,), ("32",))


def _narrowed(point: Point) -> Point:
    if point.type == "f32":
        return encoded(point, "u16", scale=Decimal(_WHOLE.get(point.quantity, "1")))
    return encoded(point, f"{point.type[0]}16")


def _sign_lost(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Signed powers read as unsigned: it shows where one is negative."""
    points = [p for p in seat.profile.points if p.quantity in _POWERS and p.type in ("i16", "i32")]
    points = [p for p in points if is_electrical(p) and not p.scale_factor]
    shown = trial.shows(seat)
    if not any(shown[p.quantity, p.phase] < 0 for p in points):
        raise Unfit
    _read_as(
        seat, points, "sign lost",
        lambda p: encoded(p, f"u{p.type[1:]}", order=p.order),
    )  # fmt: skip
    return Truth("sign lost", _RIGHT, (seat.tag,), ("i16", "i32"))


def _sign_made(trial: Trial, seat: Seat, dice: random.Random) -> Truth:
    """Unsigned voltages beyond 32767 steps read as signed: they show as negative."""
    points = [p for p in _numbers(seat.profile, 1) if p.quantity == "voltage_line"]
    if not points or not 330 < trial.bus.nominal_v < 640:
        raise Unfit
    hundredth = Decimal("0.01")
    for point in points:
        seat.registers.decoders[point.name] = encoded(point, "u16", scale=hundredth).decoder
    _read_as(seat, points, "sign made", lambda p: encoded(p, "i16", scale=hundredth))
    return Truth("sign made", _RIGHT, (seat.tag,), ("u16",))


OF_TYPE: dict[str, Inject] = {
    "16 bit read as 32": _too_wide,
    "32 bit read as 16": _too_narrow,
    "signed read as unsigned": _sign_lost,
    "unsigned read as signed": _sign_made,
}
