"""Insulation: the least resistance that a DC control circuit must have to earth, and the test voltage.

Source: IEC 60364-6 (from memory).
"""

from __future__ import annotations

from probe.desk.working import Amount, Step, Working, at_least, between

CAUTION = (
    "The test voltage kills electronics and hurts people: the circuit dead, proven dead, isolated and "
    "discharged afterwards; everything with electronics disconnected; nobody at the far end."
)
_SOURCE = "IEC 60364-6, least insulation resistance (from memory)"
#: Up to which nominal voltage: test voltage (DC) and least resistance in megohm.
_LIMITS = ((50.0, 250.0, 0.5), (500.0, 500.0, 1.0), (1500.0, 1000.0, 1.0))


def limits(nominal_v: float) -> tuple[float, float]:
    """Test voltage and least insulation resistance in megohm, by the nominal voltage of the circuit.

    Raises ValueError above 1500 V.
    Source: IEC 60364-6 (from memory); extra-low voltage up to 50 V.
    """
    for up_to, test_v, least in _LIMITS:
        if nominal_v <= up_to:
            return test_v, least
    raise ValueError(nominal_v)


def insulation(nominal_v: float, measured_megohm: Amount) -> Working:
    """A measured insulation resistance against the least. Raises ValueError above 1500 V.

    Source: IEC 60364-6 (from memory).
    """
    test_v, least = limits(nominal_v)
    seen = between(
        "insulation resistance",
        measured_megohm.value,
        (measured_megohm.low, measured_megohm.high),
        "MOhm",
    )
    step = Step(
        text=f"nominal {nominal_v:g} V: tested with {test_v:g} V DC, at least {least:g} MOhm", source=_SOURCE
    )
    return Working(
        calculation="insulation",
        inputs=(("nominal", Amount(value=nominal_v, unit="V")), ("measured", measured_megohm)),
        steps=(step,),
        result=(seen,),
        checks=(at_least(seen, least, _SOURCE, "circuit dead, electronics disconnected"),),
        caution=CAUTION,
    )
