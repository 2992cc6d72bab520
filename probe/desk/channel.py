"""Channel: how long a balanced copper channel may be, by the length fixed in the building, cords and heat.

Source: TIA-568, ISO/IEC 11801 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.desk.working import Amount, Step, Working, at_most, between

_CHANNEL = "TIA-568.2-D and ISO/IEC 11801, 100 m channel (from memory)"
#: With it and the cords that it leaves, the whole channel is 100 m; shorter fixed cable never makes more.
FIXED_MOST_M = 90.0
#: Loss of cords beside that of fixed cable, and the cord at the work area's other end, by wire gauge.
DERATING = {24: 0.2, 26: 0.5}
_ELSEWHERE_M = {24: 5.0, 26: 3.5}


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """Lengths and surroundings. cord_gauge: AWG of the cords, 24 or 26."""

    fixed_m: Amount
    cords_m: Amount
    cord_gauge: int = 24
    ambient_c: float = 20.0
    screened: bool = False


def cords_most_m(fixed_m: float, cord_gauge: int = 24) -> float:
    """Longest total of all cords beside a fixed length: (102 - H) / (1 + D).

    Raises KeyError for a gauge that the standard does not give.
    Source: TIA-568.2-D (from memory).
    """
    return max((102 - fixed_m) / (1 + DERATING[cord_gauge]), 0.0)


def work_area_most_m(fixed_m: float, cord_gauge: int = 24) -> float:
    """Longest cord at the work area: what the cords in the cabinet leave.

    Source: TIA-568.2-D (from memory).
    """
    return max(cords_most_m(fixed_m, cord_gauge) - _ELSEWHERE_M[cord_gauge], 0.0)


def heat_factor(ambient_c: float, *, screened: bool) -> float:
    """Part of a fixed length that remains above 20 °C.

    0.4 % for each kelvin to 40 °C, 0.6 % above (unscreened); 0.2 % (screened).
    Source: ISO/IEC 11801 (from memory).
    """
    above = max(ambient_c - 20, 0.0)
    if screened:
        return max(1 - 0.002 * above, 0.0)
    return max(1 - 0.004 * min(above, 20) - 0.006 * max(above - 20, 0.0), 0.0)


def channel_length(channel: Channel) -> Working:
    """Fixed length and cords against the standard's limits at the ambient temperature; the whole is told.

    Source: TIA-568.2-D, ISO/IEC 11801 (from memory).
    """
    factor = heat_factor(channel.ambient_c, screened=channel.screened)
    cords_most = cords_most_m(channel.fixed_m.value / factor if factor else 102.0, channel.cord_gauge)
    work_area = work_area_most_m(channel.fixed_m.value / factor if factor else 102.0, channel.cord_gauge)
    fixed = between("fixed cable", channel.fixed_m.value, (channel.fixed_m.low, channel.fixed_m.high), "m")
    cords = between("cords", channel.cords_m.value, (channel.cords_m.low, channel.cords_m.high), "m")
    d = DERATING[channel.cord_gauge]
    steps = (
        Step(
            text=f"at {channel.ambient_c:g} °C {factor:.4g} of the length remains: "
            f"{FIXED_MOST_M:g} m * {factor:.4g} = {FIXED_MOST_M * factor:.4g} m of fixed cable",
            source="ISO/IEC 11801, heat (from memory)",
        ),
        Step(
            text=f"H = {channel.fixed_m.value:g} m / {factor:.4g}; cords = (102 - H) / (1 + {d:g}) = "
            f"{cords_most:.4g} m with {channel.cord_gauge} AWG, "
            f"of it {work_area:.4g} m at the work area",
            source=_CHANNEL,
        ),
    )
    checks = (
        at_most(fixed, FIXED_MOST_M * factor, _CHANNEL, "fixed cable at this temperature"),
        at_most(cords, cords_most, _CHANNEL, "all cords together"),
    )
    inputs = (
        ("fixed", channel.fixed_m),
        ("cords", channel.cords_m),
        ("cord_gauge", channel.cord_gauge),
        ("ambient", Amount(value=channel.ambient_c, unit="°C")),
        ("screened", "yes" if channel.screened else "no"),
    )
    total = between(
        "whole channel", fixed.value + cords.value, (fixed.low + cords.low, fixed.high + cords.high), "m"
    )
    return Working(calculation="channel", inputs=inputs, steps=steps, result=(total,), checks=checks)
