"""Which point of a profile measures what: one key for each electrical quantity, in base units.

A key is (quantity, phase). Quantities are the words of ``model.quantities``, made finer where that list has
one word for two things: distortion, unbalance and angle of voltages or of currents, and demands. Which is
meant stands in the point's name, as everywhere in the profiles.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.number_codec import FactoredDecoder, IntegerDecoder
from probe.model.profile import Point, Profile

Key = tuple[str, str]

PHASES = ("a", "b", "c")
PAIRS = ("ab", "bc", "ca")

#: Unit of each quantity, and how many of it one of the point's unit is.
_BASE = {
    "V": ("V", 1.0), "kV": ("V", 1e3), "mV": ("V", 1e-3),
    "A": ("A", 1.0), "kA": ("A", 1e3), "mA": ("A", 1e-3),
    "W": ("W", 1.0), "kW": ("W", 1e3), "MW": ("W", 1e6),
    "var": ("var", 1.0), "kvar": ("var", 1e3), "Mvar": ("var", 1e6),
    "VA": ("VA", 1.0), "kVA": ("VA", 1e3), "MVA": ("VA", 1e6),
    "Wh": ("Wh", 1.0), "kWh": ("Wh", 1e3), "MWh": ("Wh", 1e6),
    "varh": ("varh", 1.0), "kvarh": ("varh", 1e3), "Mvarh": ("varh", 1e6),
    "VAh": ("VAh", 1.0), "kVAh": ("VAh", 1e3), "MVAh": ("VAh", 1e6),
    "Hz": ("Hz", 1.0), "mHz": ("Hz", 1e-3), "°": ("°", 1.0), "%": ("%", 1.0), "": ("", 1.0),
}  # fmt: skip
_INSTANT = frozenset(
    {
        "voltage_line", "voltage_phase", "current", "power_active", "power_reactive", "power_apparent",
        "power_factor", "frequency", "angle", "distortion", "unbalance",
    }
)  # fmt: skip
_ENERGIES = frozenset(
    {
        "energy_active_import", "energy_active_export", "energy_active_net",
        "energy_reactive_import", "energy_reactive_export",
    }
)  # fmt: skip
#: Words in a point's name that say that it does not show this instant.
_NOT_NOW = frozenset({"max", "maximum", "min", "minimum", "peak", "last", "previous", "predicted"})
_OF_TWO = frozenset({"distortion", "unbalance", "angle"})


class Electrical(NamedTuple):
    """A point with its key. factor: base units in one of the point's. step: of the register, in base units;
    0 where a scale-factor register decides it."""

    point: Point
    key: Key
    unit: str
    factor: float
    step: float


def key_of(point: Point) -> Key | None:
    """The key of what the point measures at this instant; None for everything else."""
    words = set(point.name.split("_"))
    if point.quantity not in _INSTANT | _ENERGIES or words & _NOT_NOW or point.unit not in _BASE:
        return None
    quantity, phase = point.quantity, point.phase
    if quantity in _OF_TWO:
        quantity += "_current" if "current" in words else "_voltage"
    elif "demand" in words:
        quantity = "demand_" + quantity.removeprefix("power_")
    if not phase and quantity.startswith(("voltage", "current", "angle")):
        return None  # of which conductor it speaks is not said
    if not phase and quantity.startswith(("power", "energy", "demand_active", "demand_reac", "demand_appar")):
        phase = "total"
    return quantity, phase


def electrical_points(profile: Profile) -> tuple[Electrical, ...]:
    """All points of a profile that measure something electrical; of two with one key the first counts."""
    found: dict[Key, Electrical] = {}
    for point in profile.points:
        key = key_of(point)
        if key is not None and key not in found:
            unit, factor = base_unit(point)
            found[key] = Electrical(point, key, unit, factor, step_of(point) * factor)
    return tuple(found.values())


def base_unit(point: Point) -> tuple[str, float]:
    """Base unit of the point and the number of them in one of its own; a factor in percent is a fraction."""
    if point.quantity == "power_factor":
        return "", 0.01 if point.unit == "%" else 1.0
    return _BASE[point.unit]


def step_of(point: Point) -> float:
    """The smallest change that the point's register can show, in its unit; 0 where another register decides.

    Floats are taken by the digits that the profile says they carry.
    """
    decoder = point.decoder
    if isinstance(decoder, FactoredDecoder) and point.scale_factor:
        return 0.0
    if isinstance(decoder, IntegerDecoder):
        return abs(decoder.scale.gain / decoder.scale.divisor)
    return float(10.0**-point.decimals)
