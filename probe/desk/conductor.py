"""Resistance of copper conductors: tables of the two worlds, and temperature.

Two tables with their own base temperature and coefficient. A well-known public table labels the solid
values of wire gauges as stranded; ours are held against the physics (area, resistivity) in the tests.
"""

from __future__ import annotations

from typing import NamedTuple

METRES_PER_KFT = 304.8
_GAUGE = "NFPA 70, chapter 9, table 8: uncoated copper at 75 °C (from memory; solid held against physics)"
_SQUARE = "IEC 60228 at 20 °C (class 2 as open-source tables quote it, class 5 from memory)"


class Conductor(NamedTuple):
    """One sort of conductor. ohm_per_km at base_c; alpha: change for each kelvin, at that temperature."""

    name: str
    ohm_per_km: float
    base_c: float
    alpha: float
    source: str

    def at(self, temperature_c: float) -> float:
        """Ohm per km of one conductor at a temperature of the copper.

        Source: IEC 60287 (coefficient at 20 °C); NFPA 70, chapter 9, table 8 (at 75 °C, from memory).
        """
        return self.ohm_per_km * (1 + self.alpha * (temperature_c - self.base_c))


def _gauge(name: str, ohm_per_kft: float) -> Conductor:
    return Conductor(name, ohm_per_kft / METRES_PER_KFT * 1000, 75.0, 0.00323, _GAUGE)


def _square(name: str, ohm_per_km: float) -> Conductor:
    return Conductor(name, ohm_per_km, 20.0, 0.00393, _SQUARE)


_STRANDED = {"18": 7.95, "16": 4.99, "14": 3.14, "12": 1.98, "10": 1.24}
_SOLID = {"18": 7.77, "16": 4.89, "14": 3.07, "12": 1.93, "10": 1.21}
_RIGID = {"0.5": 36.0, "0.75": 24.5, "1": 18.1, "1.5": 12.1, "2.5": 7.41, "4": 4.61, "6": 3.08}
_FINE = {"0.5": 39.0, "0.75": 26.0, "1": 19.5, "1.5": 13.3, "2.5": 7.98, "4": 4.95, "6": 3.30}
#: By the name that people type: gauge (awg14, awg14-solid) or mm² (2.5mm2 class 2, 2.5mm2-fine class 5).
CONDUCTORS = {
    **{f"awg{size}": _gauge(f"awg{size}", ohm) for size, ohm in _STRANDED.items()},
    **{f"awg{size}-solid": _gauge(f"awg{size}-solid", ohm) for size, ohm in _SOLID.items()},
    **{f"{size}mm2": _square(f"{size}mm2", ohm) for size, ohm in _RIGID.items()},
    **{f"{size}mm2-fine": _square(f"{size}mm2-fine", ohm) for size, ohm in _FINE.items()},
}
