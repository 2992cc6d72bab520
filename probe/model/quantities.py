"""The words for what a point measures, in one place, with the units that each may have.

Checks compare points of different profiles by these words, so every profile uses them and no others.
"" in the units means a plain number (a profile writes ``unit: none``).
"""

from __future__ import annotations

from collections.abc import Mapping

_ENERGY = ("Wh", "kWh", "MWh")
_REACTIVE_ENERGY = ("varh", "kvarh", "Mvarh")
_APPARENT_ENERGY = ("VAh", "kVAh", "MVAh")

QUANTITIES: Mapping[str, tuple[str, ...]] = {
    "voltage_line": ("V", "kV", "mV"),  # line to line
    "voltage_phase": ("V", "kV", "mV"),  # line to neutral
    "voltage_dc": ("V", "mV"),
    "current": ("A", "kA", "mA"),
    "current_dc": ("A", "mA"),
    "power_active": ("W", "kW", "MW"),
    "power_reactive": ("var", "kvar", "Mvar"),
    "power_apparent": ("VA", "kVA", "MVA"),
    "power_dc": ("W", "kW"),
    "power_factor": ("", "%"),
    "frequency": ("Hz", "mHz"),
    "angle": ("°",),
    "distortion": ("%",),
    "unbalance": ("%",),
    "energy_active_import": _ENERGY,
    "energy_active_export": _ENERGY,
    "energy_active_net": _ENERGY,
    "energy_reactive_import": _REACTIVE_ENERGY,
    "energy_reactive_export": _REACTIVE_ENERGY,
    "energy_reactive_q1": _REACTIVE_ENERGY,  # quadrants as IEC 62053 counts them (from memory)
    "energy_reactive_q2": _REACTIVE_ENERGY,
    "energy_reactive_q3": _REACTIVE_ENERGY,
    "energy_reactive_q4": _REACTIVE_ENERGY,
    "energy_apparent_import": _APPARENT_ENERGY,
    "energy_apparent_export": _APPARENT_ENERGY,
    "temperature": ("°C",),
    "time": ("",),  # a clock
    "duration": ("s", "ms", "min", "h", "d"),
    "uptime": ("s", "ms", "min", "h", "d"),
    "share": ("%",),  # load, charge, wear: a part of a whole
    "speed": ("Mbit/s",),
    "state": ("",),
    "setting": ("", "A", "V", "Hz", "s", "ms", "%", "°C"),
    "rating": ("A", "V", "Hz", "VA", "kVA", "W", "Ah", ""),  # a plain number: the ratio of a transformer
    "counter": ("",),
    "heartbeat": ("",),  # counts while the device lives
    "identity": ("",),  # a number that names type, version or serial
    "scale": ("",),  # a power of ten for other points
    "text": ("",),
    "address": ("",),
}

QUANTITY_WORDS = tuple(QUANTITIES)

#: Which conductor, pair or sum a point speaks of; g is ground (residual).
PHASES = ("a", "b", "c", "n", "g", "ab", "bc", "ca", "total", "average")

#: Words that a state of the gear can take (``StateRule.means``).
STATE_WORDS: Mapping[str, tuple[str, ...]] = {
    "breaker": ("open", "closed", "tripped"),
    "position": ("connected", "test", "withdrawn"),
    "maintenance": ("on", "off"),
    "communication": ("ok", "fault"),
}
