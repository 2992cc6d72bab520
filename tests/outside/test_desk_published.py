"""Desk calculations against examples that other people worked out and published; found in public texts.

None of the texts is a standard; each is named for what it is. Read 2026-11-25.
"""

from __future__ import annotations

import pytest

from probe.desk import battery, bus, copper, fibre, insulation
from probe.desk.conductor import CONDUCTORS, Conductor
from probe.desk.working import Amount
from probe.model.cable_words import Fibre

FEET_M = 0.3048


def metres(value: float) -> Amount:
    return Amount(value=value, unit="m")


@pytest.mark.parametrize(
    ("kilometres", "db_per_km", "connectors", "splices", "loss_db", "margin_db"),
    [(2, 1.0, 5, 2, 5.5, 7.5), (8, 0.5, 7, 0, 7.5, 5.5)],
)
def test_sample_calculations_of_a_manual(
    kilometres: float, db_per_km: float, connectors: int, splices: int, loss_db: float, margin_db: float
) -> None:
    """A network maker's public manual: 0.5 dB a connector and a splice, budget of 13 dB.

    2 km at 1 dB/km, five connectors, two splices: 2 + 2.5 + 1 dB (its further 0.5 dB for higher modes left
    out: margin 7 dB there); 8 km at 0.5 dB/km, seven connectors: 7.5 dB, margin 5.5 dB.
    """
    link = fibre.Link(
        fibre=Fibre.OM1, wavelength_nm=1300, length_m=metres(kilometres * 1000), connectors=connectors,
        splices=splices, connector_db=0.5, splice_db=0.5, db_per_km=db_per_km,
    )  # fmt: skip
    optics = fibre.Optics(launch_least_dbm=-10, launch_most_dbm=-10, sensitivity_dbm=-23, overload_dbm=0)
    worked = fibre.budget(link, optics=optics, ageing_db=0.0)
    assert worked.result[0].value == pytest.approx(loss_db)
    assert worked.checks[0].margin == pytest.approx(margin_db)


def test_drop_on_gauge_16_of_an_electricians_course() -> None:
    """A public course: two wires of No. 16 (4.99 ohm/kft, stranded), 100 ft, 4 A: 4.0 V of 24 V."""
    load = copper.Load(name="load", distance_m=metres(100 * FEET_M), draw=4)
    feeder = copper.Feeder(
        supply_v=24, least_v=24, most_v=24, conductor=CONDUCTORS["awg16"], temperature_c=75, loads=(load,)
    )
    drop_v = 24 - copper.feeder_voltages(feeder).result[0].value
    assert drop_v == pytest.approx(4.0, abs=0.01)
    assert drop_v / 24 == pytest.approx(0.167, abs=0.001)


def test_copper_at_another_temperature() -> None:
    """Appendices of a meter maker's manuals: 100 ohm at 30 °C are 96.22 ohm at 20 °C, 3930 ppm/K."""
    sort = Conductor("copper", 96.22, 20.0, 0.00393, "")
    assert sort.at(30) == pytest.approx(100.0, abs=0.01)


@pytest.mark.parametrize(
    ("capacity_ah", "current_a", "exponent", "hours"), [(100, 5, 1.2, 14.5), (250, 20, 1.3, 5.088632)]
)
def test_rate_effect_of_two_tutorials(
    capacity_ah: float, current_a: float, exponent: float, hours: float
) -> None:
    """Two tutorials, capacity at the rate of one ampere: 100 Ah at 5 A 14.5 h; 250 Ah at 20 A 5.1 h."""
    lasts = battery.discharge_h(capacity_ah, capacity_ah, current_a, exponent)
    assert lasts == pytest.approx(hours, abs=0.05 if hours == 14.5 else 1e-5)


@pytest.mark.parametrize("celsius", [0.0, 4.4, 10.0, 15.6, 21.1, 25.0])
def test_cold_factors_follow_the_curve_of_a_sizing_program(celsius: float) -> None:
    """A public text on a sizing program fits IEEE 485's table: y = -2.8117x³ + 4.1916x² - 2.4941x + 1.405.

    It does not name x; degrees Celsius over 100 gives 1.00 at 25 °C, so that is what it must be.
    """
    x = celsius / 100
    curve = -2.8117 * x**3 + 4.1916 * x**2 - 2.4941 * x + 1.405
    assert battery.cold_factor(celsius) == pytest.approx(curve, abs=0.01)


@pytest.mark.parametrize(
    ("baud", "milliseconds"), [(115_200, 0.095), (38_400, 0.286), (19_200, 0.573), (9600, 1.146)]
)
def test_characters_of_eleven_bits(baud: int, milliseconds: float) -> None:
    """A table in a controller maker's public manual."""
    assert bus.Line(baud=baud).characters_s(1) * 1e3 == pytest.approx(milliseconds, abs=0.0006)


def test_a_transaction_worked_out_in_a_forum() -> None:
    """Twelve registers at 9600 baud: request 9.2 ms, silence 4.0 ms, reply of 30 bytes 34.3 ms: 47.5 ms.

    Its author counts two bytes for the byte count; the standard has one (a reply of 29), and a silence after
    the reply as well.
    """
    line = bus.Line(baud=9600)
    assert line.characters_s(8) * 1e3 == pytest.approx(9.2, abs=0.05)
    assert line.silence_s * 1e3 == pytest.approx(4.0, abs=0.05)
    assert line.characters_s(30) * 1e3 == pytest.approx(34.3, abs=0.1)
    assert (line.characters_s(38) + line.silence_s) * 1e3 == pytest.approx(47.5, abs=0.1)
    assert bus.reply_bytes(12) == 29


def test_a_short_frame_at_high_speed() -> None:
    """A public forum text: five characters at 115200 baud take 0.477 ms, with the fixed silence 2.2 ms."""
    line = bus.Line(baud=115_200)
    assert line.characters_s(5) * 1e3 == pytest.approx(0.477, abs=0.001)
    assert (line.characters_s(5) + line.silence_s) * 1e3 == pytest.approx(2.2, abs=0.05)


@pytest.mark.parametrize(("volts", "test_v", "megohm"), [(50, 250, 0.5), (500, 500, 1.0), (501, 1000, 1.0)])
def test_insulation_of_a_railways_rules(volts: float, test_v: float, megohm: float) -> None:
    """The public technical rules of a state railway: least insulation resistance in low-voltage systems."""
    assert insulation.limits(volts) == (test_v, megohm)
