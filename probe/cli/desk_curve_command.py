"""The command ``desk curve``: trip time at a current, by formula or as a profile's band."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from probe.cli.failure import Exit
from probe.desk.curve import Function, TripTime, overload_limits, short_circuit_limits, trip_time
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean
from probe.model.protection import FUNCTIONS, SHAPES, FunctionSetting, RatingBases, Shape
from probe.model.setting_rule import GroupRule
from probe.model.setting_text import Amount, Delay, DelayUnit, SettingTextError, parse_amount, parse_delay
from probe.model.trip_band import NoBandError, TripBand, band_of
from probe.present.console import emit_json, say

DESK_FORMAT = "buswitness-desk/1"
_NOTICE = (
    "A desk calculation from what was typed: no breaker was asked, and no study is replaced. Changes of "
    "protective settings are for licensed engineers."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was typed. profile, function: for the band of a type; empty for the formula alone."""

    shape: str
    pickup: str
    delay: str
    currents: Sequence[str]
    profile: str = ""
    function: str = "long_time"
    profile_dirs: Sequence[Path] = ()


def curve(wanted: Wanted, *, as_json: bool) -> int:
    """Show the trip time at each current, step by step; 0. Raises InputError for what cannot be read."""
    function = _function(wanted)
    times = [trip_time(function, current_a) for current_a in _currents(wanted.currents)]
    band = _band(wanted, function) if wanted.profile else None
    if as_json:
        emit_json(_object(wanted, function, times, band))
        return Exit.DONE
    for time in times:
        for line in _lines(time, band):
            say(line)
    say()
    if not function.shape.is_inverse:
        say(_limits_text(wanted, function))
    say(_NOTICE)
    return Exit.DONE


def _function(wanted: Wanted) -> Function:
    if wanted.shape not in SHAPES:
        raise InputError([_problem("--shape", "this is no curve", wanted.shape, ", ".join(SHAPES),
                                   did_you_mean(wanted.shape, SHAPES))])  # fmt: skip
    if wanted.function not in FUNCTIONS:
        raise InputError(
            [_problem("--function", "this is no function", wanted.function, ", ".join(FUNCTIONS))]
        )
    shape, pickup_a, delay = Shape(wanted.shape), _amperes("--pickup", wanted.pickup), _delay(wanted.delay)
    if shape.is_inverse is not (delay.unit is DelayUnit.MULTIPLIER):
        allowed = "a multiplier (0.15 TMS, 5 TD) for the curves of the standards, a time for i2t and flat"
        raise InputError([_problem("--delay", "the delay does not fit the curve", wanted.delay, allowed)])
    if delay.unit is DelayUnit.CYCLES:
        raise InputError([_problem("--delay", "cycles of which frequency?", wanted.delay, "seconds")])
    return Function(
        shape=shape,
        pickup_a=pickup_a,
        delay=delay.number,
        reference_a=_reference(shape, delay, pickup_a, wanted.delay),
    )


def _reference(shape: Shape, delay: Delay, pickup_a: float, text: str) -> float:
    if shape is not Shape.I2T:
        return 0.0
    at = delay.at
    if at is None or at.base not in ("", "pickup", "own"):
        what = "an I²t delay counts at one current only"
        raise InputError([_problem("--delay", what, text, "as 8 s at 6 x pickup, or 8 s at 5760 A")])
    return at.number * (pickup_a if at.base else 1.0)


def _amperes(option: str, text: str) -> float:
    try:
        amount: Amount = parse_amount(text)
    except SettingTextError as error:
        raise InputError([_problem(option, error.what, text, error.allowed, error.remedy)]) from None
    if amount.base or amount.number <= 0:
        raise InputError([_problem(option, "this must be amperes above 0", text, "as 960 A, or 12 kA")])
    return amount.number


def _currents(texts: Sequence[str]) -> list[float]:
    return [_amperes("--current", text) for text in texts]


def _delay(text: str) -> Delay:
    try:
        return parse_delay(text)
    except SettingTextError as error:
        raise InputError([_problem("--delay", error.what, text, error.allowed, error.remedy)]) from None


def _band(wanted: Wanted, function: Function) -> TripBand:
    """The band with the tolerances of the profile's function. Raises InputError."""
    from probe.collect.inputs import open_library

    profile = open_library(wanted.profile_dirs).get(wanted.profile)
    rule = profile.settings
    groups: dict[str, GroupRule] = {} if rule is None else dict(rule.groups)
    if "normal" not in groups or wanted.function not in groups["normal"].functions:
        what = f"profile {wanted.profile} does not say how its {wanted.function} function trips"
        raise InputError(
            [_problem("--profile", what, wanted.profile, "a profile with a `settings:` section")]
        )
    setting = FunctionSetting(
        enabled=True,
        pickup_a=function.pickup_a,
        delay=function.delay,
        delay_unit="" if function.shape.is_inverse else "s",
        multiple=function.reference_a,
        base="A" if function.reference_a else "",
        shape=function.shape,
    )
    try:
        return band_of(groups["normal"], {wanted.function: setting}, RatingBases(), (wanted.function,))
    except NoBandError as error:
        raise InputError([_problem("--profile", str(error), wanted.profile, "")]) from error


# -- what is shown ----------------------------------------------------------------------------------------


def _lines(time: TripTime, band: TripBand | None) -> list[str]:
    lines = [f"At {time.current_a:g} A: {_seconds(time.time_s)}", *(f"    {step}" for step in time.steps)]
    if band is not None:
        least, most = band.least_s(time.current_a), band.most_s(time.current_a)
        lines.append(f"    with the tolerances of the type: {_seconds(least)} to {_seconds(most)}")
    return [*lines, f"    source: {time.source}"]


def _seconds(time_s: float) -> str:
    return f"{time_s:.4g} s" if math.isfinite(time_s) else "does not trip"


def _limits(wanted: Wanted, function: Function) -> dict[str, float | str]:
    if wanted.function == "long_time":
        limits = overload_limits(function.pickup_a, function.pickup_a)
        told: dict[str, float | str] = {"not_below_a": limits.not_below_a, "not_above_a": limits.not_above_a}
        return {
            **told,
            "within_h": limits.hours,
            "source": "IEC 60947-2, overload releases (time from memory)",
        }
    limits = short_circuit_limits(function.pickup_a)
    told = {"not_below_a": limits.not_below_a, "not_above_a": limits.not_above_a}
    return {**told, "source": "IEC 60947-2, short-circuit releases (from memory)"}


def _limits_text(wanted: Wanted, function: Function) -> str:
    limits = _limits(wanted, function)
    within = f" within {limits['within_h']:g} h" if "within_h" in limits else ""
    return (
        f"A release of IEC 60947-2 set to {function.pickup_a:g} A must not trip at "
        f"{limits['not_below_a']:g} A and must trip at {limits['not_above_a']:g} A{within} "
        f"({limits['source']})."
    )


def _object(
    wanted: Wanted, function: Function, times: Sequence[TripTime], band: TripBand | None
) -> dict[str, object]:
    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "format": DESK_FORMAT,
        "calculation": "curve",
        "inputs": {"shape": wanted.shape, "pickup_a": function.pickup_a, "delay": function.delay,
                   "reference_a": function.reference_a or None, "profile": wanted.profile or None,
                   "function": wanted.function},
        "steps": [{"current_a": time.current_a, "lines": list(time.steps)} for time in times],
        "result": [
            {
                "current_a": time.current_a,
                "time_s": finite(time.time_s),
                "least_s": None if band is None else finite(band.least_s(time.current_a)),
                "most_s": None if band is None else finite(band.most_s(time.current_a)),
            }
            for time in times
        ],
        "limit": None if function.shape.is_inverse else _limits(wanted, function),
        "margin": None,
        "source": times[0].source if times else "",
        "notice": _NOTICE,
    }  # fmt: skip


def _problem(option: str, what: str, found: str, allowed: str, remedy: str = "") -> Problem:
    return Problem(file=option, what=what, found=found, allowed=allowed, remedy=remedy)
