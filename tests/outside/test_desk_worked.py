"""Desk calculations against published numbers and worked values; the source stands beside each check.

Where the text itself was not read, "from memory" or "as third-party texts quote it" says so. The worked
results were computed apart from this project's code, from the formula named beside them.
"""

from __future__ import annotations

import pytest

from probe.desk import battery, bus, channel, conduit, copper, fibre
from probe.desk.conductor import CONDUCTORS
from probe.desk.working import Amount, Bound
from probe.model.finding import Verdict

FEET_M = 0.3048


def metres(value: float, plus_minus: float = 0.0) -> Amount:
    return Amount(value=value, unit="m", plus_minus=plus_minus)


# -- serial line ------------------------------------------------------------------------------------------

#: Source: MODBUS over Serial Line V1.02, 2.5.1 (11 bits a character; fixed times above 19200 baud);
#: computed. Milliseconds: character in us, t1.5, t3.5, request, replies of 25, 255 and 256 bytes, transaction
#: of 10 and of 125 registers with 20 ms of the device.
FRAME_TIMES = [
    (9600, 1145.833, 1.7188, 4.0104, 9.167, 28.646, 292.188, 293.333, 65.833, 329.375),
    (19200, 572.917, 0.8594, 2.0052, 4.583, 14.323, 146.094, 146.667, 42.917, 174.688),
    (38400, 286.458, 0.750, 1.750, 2.292, 7.161, 73.047, 73.333, 32.953, 98.839),
    (115200, 95.486, 0.750, 1.750, 0.764, 2.387, 24.349, 24.444, 26.651, 48.613),
]


@pytest.mark.parametrize("row", FRAME_TIMES, ids=lambda row: str(row[0]))
def test_frame_times(row: tuple[float, ...]) -> None:
    line = bus.Line(baud=int(row[0]))
    found = (
        line.characters_s(1) * 1e6,
        line.inside_s * 1e3,
        line.silence_s * 1e3,
        *(line.characters_s(count) * 1e3 for count in (8, 25, 255, 256)),
        *(bus.transaction_s(line, bus.reply_bytes(count), 0.02) * 1e3 for count in (10, 125)),
    )
    assert found == pytest.approx(row[1:], abs=0.001)


def scan(dead: int) -> bus.Round:
    return bus.Round(
        devices=((bus.reply_bytes(20),) * 3,) * 8,
        response_s=Amount(value=0.05, unit="s"),
        dead=dead,
        timeout_s=1.0,
        retries=2,
    )


def test_a_round_of_eight_devices_and_what_one_dead_device_costs() -> None:
    """8 devices of 3 blocks of 20 registers, 19200 baud, 50 ms: 2.025 s; one dead: 10.813 s.

    Source: MODBUS over Serial Line V1.02, 2.5.1 (computed; attempts: common practice, no source).
    """
    line = bus.Line(baud=19200)
    assert bus.cycle_s(line, scan(0), 0.05) == pytest.approx(2.025, abs=1e-6)
    assert bus.cycle_s(line, scan(1), 0.05) == pytest.approx(10.8131, abs=1e-4)
    assert bus.transaction_s(line, bus.reply_bytes(20), 0.05) * 1e3 == pytest.approx(84.375, abs=1e-3)


def test_devices_and_trunk_of_a_serial_line() -> None:
    """32 devices, four fewer on a polarised pair; 1000 m at 9600 baud, 600 m on category 5, half on four
    wires; branches of 20 m, 40 m shared.

    Source: MODBUS over Serial Line V1.02, 3.4.1, 3.4.3, 3.4.6, 3.6.
    """
    assert (bus.devices_allowed(polarised=False), bus.devices_allowed(polarised=True)) == (32, 28)
    assert bus.trunk_m(9600, bus.Reach(cable="awg26")) == 1000
    assert bus.trunk_m(9600, bus.Reach(cable="cat5")) == 600
    assert bus.trunk_m(9600, bus.Reach(four_wire=True)) == 500
    assert (bus.derivation_m(1), bus.derivation_m(4)) == (20, 10)


def test_length_times_bit_rate() -> None:
    """115200 baud: 868 m; 1 Mbit/s: 100 m. Source: common practice, no source."""
    assert bus.trunk_m(115_200, bus.Reach()) == pytest.approx(868.06, abs=0.01)
    assert bus.trunk_m(1_000_000, bus.Reach()) == 100


@pytest.mark.parametrize(
    ("baud", "length_m"),
    [(9600, 1200), (93_750, 1200), (187_500, 1000), (500_000, 400), (1_500_000, 200), (3_000_000, 100),
     (12_000_000, 100)],
)  # fmt: skip
def test_fieldbus_segments(baud: int, length_m: float) -> None:
    """Source: IEC 61158 type 3, cable A (as third-party texts quote it)."""
    assert bus.fieldbus_segment_m(baud) == length_m


# -- fibre ------------------------------------------------------------------------------------------------


def loss(kind: str, nm: int, length_m: float, connectors: int, splices: int, *, iso: bool = True) -> float:
    link = fibre.Link(
        fibre=fibre.Fibre(kind),
        wavelength_nm=nm,
        length_m=metres(length_m),
        connectors=connectors,
        splices=splices,
        iso=iso,
    )
    return fibre.budget(link).result[0].value


def test_losses_of_worked_links() -> None:
    """Source: TIA-568, ISO/IEC 11801 (dB/km from memory; connector and splice as third parties quote)."""
    assert loss("om1", 1300, 350, 4, 2) == pytest.approx(4.125, abs=1e-9)
    assert loss("om1", 850, 350, 4, 2) == pytest.approx(4.825, abs=1e-9)
    assert loss("om3", 850, 120, 2, 0, iso=False) == pytest.approx(1.86, abs=1e-9)
    assert loss("om3", 850, 120, 2, 0) == pytest.approx(1.92, abs=1e-9)
    assert loss("om1", 1300, 2000, 4, 2) == pytest.approx(6.6, abs=1e-9)
    assert (fibre.attenuation(fibre.Fibre.OS1A, 1310), fibre.attenuation(fibre.Fibre.OS2, 1550)) == (1.0, 0.4)


def test_margins_of_applications() -> None:
    """11.0 dB (62.5/125) leaves 6.875 dB, 6.0 dB (50/125) 1.875. Source: IEEE 802.3 (from memory)."""
    for kind, margin in (("om1", 6.875), ("om2", 1.875)):
        link = fibre.Link(
            fibre=fibre.Fibre(kind), wavelength_nm=1300, length_m=metres(350), connectors=4, splices=2
        )
        application = fibre.application_for("100base-fx", link.fibre)
        assert fibre.budget(link, application=application).checks[0].margin == pytest.approx(margin)


def test_short_wave_gigabit_ends_by_bandwidth() -> None:
    """2.38 to 2.60 dB and 220 to 275 m on 62.5/125, 550 m on 50/125; long wave 2.35 dB and 550 m.

    Source: IEEE 802.3 (from memory).
    """
    sx62 = fibre.application_for("1000base-sx", fibre.Fibre.OM1)
    sx50 = fibre.application_for("1000base-sx", fibre.Fibre.OM2)
    lx = fibre.application_for("1000base-lx", fibre.Fibre.OM2)
    assert sx62 is not None
    assert sx50 is not None
    assert lx is not None
    assert (sx62.loss_db, sx62.length_m) == (Bound(sure=2.38, beyond=2.60), Bound(sure=220, beyond=275))
    assert sx50.length_m.sure == 550
    assert (lx.loss_db.sure, lx.length_m.sure) == (2.35, 550)
    link = fibre.Link(fibre=fibre.Fibre.OM1, wavelength_nm=850, length_m=metres(300), connectors=1, splices=0)
    checks = fibre.budget(link, application=sx62).checks
    assert [one.verdict for one in checks] == [Verdict.PASS, Verdict.FAIL]  # its loss alone would pass


# -- copper -----------------------------------------------------------------------------------------------


def drop(conductor: str, feet: float, amperes: float, *, celsius: float = 75) -> float:
    """Volts lost to one load, from 24 V."""
    length = metres(feet * FEET_M)
    feeder = copper.Feeder(
        supply_v=24,
        least_v=24,
        most_v=24,
        conductor=CONDUCTORS[conductor],
        temperature_c=celsius,
        loads=(copper.Load(name="X", distance_m=length, draw=amperes),),
    )
    return 24 - copper.feeder_voltages(feeder).result[0].value


def test_drops_on_wire_gauges() -> None:
    """14 AWG stranded 3.14 ohm/kft at 75 °C, 150 ft, 5 A: 4.710 V; solid 3.07: 4.605 V; 6 A: 5.652 V.

    Source: NFPA 70, chapter 9, table 8 (from memory; solid held against physics below).
    """
    assert drop("awg14", 150, 5) == pytest.approx(4.710, abs=1e-6)
    assert drop("awg14-solid", 150, 5) == pytest.approx(4.605, abs=1e-6)
    assert drop("awg14", 150, 6) == pytest.approx(5.652, abs=1e-6)


@pytest.mark.parametrize(("limit_v", "feet"), [(20.4, 114.65), (19.2, 152.87)])
def test_longest_run_to_the_limits_of_24_volts(limit_v: float, feet: float) -> None:
    """Source: IEC 61131-2: 20.4 V (as third parties quote it), 19.2 V with ripple (from memory); computed."""
    feeder = copper.Feeder(
        supply_v=24,
        least_v=24,
        most_v=24,
        conductor=CONDUCTORS["awg14"],
        temperature_c=75,
        loads=(copper.Load(name="X", distance_m=metres(1), draw=5),),
        limit_least_v=limit_v,
    )
    longest = copper.longest_m(feeder)
    assert longest is not None
    assert longest / FEET_M == pytest.approx(feet, abs=0.01)


def test_the_limits_are_the_standards_percentages() -> None:
    """24 V -15 % and +20 %; 5 % of ripple below. Source: IEC 61131-2 (quoted; ripple from memory)."""
    assert pytest.approx((24 * 0.85, 24 * 1.2)) == (copper.LEAST_V, copper.MOST_V)
    assert pytest.approx(24 * 0.85 - 24 * 0.05) == copper.RIPPLE_LEAST_V


@pytest.mark.parametrize(("celsius", "lost", "verdict"), [(20, 3.192, "pass"), (60, 3.6938, "fail")])
def test_temperature_decides(celsius: float, lost: float, verdict: str) -> None:
    """2.5 mm² class 5, 40 m, 5 A. Source: IEC 60228 (from memory), IEC 60287 (0.00393/K)."""
    feeder = copper.Feeder(
        supply_v=24,
        least_v=24,
        most_v=24,
        conductor=CONDUCTORS["2.5mm2-fine"],
        temperature_c=celsius,
        loads=(copper.Load(name="X", distance_m=metres(40), draw=5),),
    )
    working = copper.feeder_voltages(feeder)
    assert 24 - working.result[0].value == pytest.approx(lost, abs=1e-4)
    assert working.checks[0].verdict == verdict


def test_constant_power_and_its_collapse() -> None:
    """60 W over a loop of 0.9 ohm: 21.487 V and 2.792 A, not the 21.75 V of 2.5 A; above 160 W nothing.

    Source: Ohm's law (textbook quadratic), computed.
    """
    load = copper.Load(name="X", distance_m=metres(1), draw=60, is_power=True)
    volts = copper.voltages(24, [0.9], [load])
    assert volts is not None
    assert volts[0] == pytest.approx(21.4868, abs=1e-4)
    assert load.current_a(volts[0]) == pytest.approx(2.7924, abs=1e-4)
    for watts, solved in ((159.9, True), (160.1, False), (200, False)):
        heavy = copper.Load(name="X", distance_m=metres(1), draw=watts, is_power=True)
        assert (copper.voltages(24, [0.9], [heavy]) is not None) is solved


#: Source: NFPA 70, chapter 9, table 8, ohm/kft at 75 °C (from memory).
GAUGES = [("18", 7.95, 7.77), ("16", 4.99, 4.89), ("14", 3.14, 3.07), ("12", 1.98, 1.93), ("10", 1.24, 1.21)]


@pytest.mark.parametrize(("gauge", "stranded", "solid"), GAUGES)
def test_gauges(gauge: str, stranded: float, solid: float) -> None:
    assert CONDUCTORS[f"awg{gauge}"].at(75) == pytest.approx(stranded / 0.3048)
    assert CONDUCTORS[f"awg{gauge}-solid"].at(75) == pytest.approx(solid / 0.3048)


def test_resistance_against_the_physics_of_copper() -> None:
    """4110 circular mils of 100 % IACS at 75 °C: 3.069 ohm/kft, solid. Source: IACS resistivity, computed."""
    area_m2 = 4110 * 5.067075e-10
    ohm_per_km = 1.7241e-8 * (1 + 0.00393 * 55) / area_m2 * 1000
    assert CONDUCTORS["awg14-solid"].at(75) == pytest.approx(ohm_per_km, rel=0.001)
    assert CONDUCTORS["awg14"].at(75) == pytest.approx(ohm_per_km * 1.02, rel=0.004)  # stranding: +2 %


def test_gauge_14_when_colder() -> None:
    """3.14 becomes 2.785 at 40 °C, 2.582 at 20 °C. Source: NFPA 70, table 8, 0.00323/K (from memory)."""
    per_kft = [CONDUCTORS["awg14"].at(celsius) * 0.3048 for celsius in (40, 20)]
    assert per_kft == pytest.approx([2.7850, 2.5822], abs=1e-3)


#: Source: IEC 60228 at 20 °C, ohm/km: class 2 as open-source tables quote it, class 5 from memory.
SQUARES = [("0.5", 36.0, 39.0), ("0.75", 24.5, 26.0), ("1", 18.1, 19.5), ("1.5", 12.1, 13.3),
           ("2.5", 7.41, 7.98), ("4", 4.61, 4.95), ("6", 3.08, 3.30)]  # fmt: skip


@pytest.mark.parametrize(("square", "rigid", "fine"), SQUARES)
def test_square_millimetres(square: str, rigid: float, fine: float) -> None:
    assert (CONDUCTORS[f"{square}mm2"].at(20), CONDUCTORS[f"{square}mm2-fine"].at(20)) == (rigid, fine)


@pytest.mark.parametrize(
    ("fixed_m", "cords_24", "work_24", "cords_26", "work_26"),
    [(90, 10.0, 5.0, 8.0, 4.5), (85, 14.17, 9.17, 11.33, 7.83), (80, 18.33, 13.33, 14.67, 11.17),
     (75, 22.5, 17.5, 18.0, 14.5), (70, 26.67, 21.67, 21.33, 17.83)],
)  # fmt: skip
def test_longer_cords(
    fixed_m: float, cords_24: float, work_24: float, cords_26: float, work_26: float
) -> None:
    """C = (102 - H) / (1 + D). Source: TIA-568.2-D (from memory)."""
    found = [channel.cords_most_m(fixed_m, 24), channel.work_area_most_m(fixed_m, 24)]
    found += [channel.cords_most_m(fixed_m, 26), channel.work_area_most_m(fixed_m, 26)]
    assert found == pytest.approx([cords_24, work_24, cords_26, work_26], abs=0.01)


def test_heat_shortens_a_channel() -> None:
    """0.4 %/K to 40 °C, 0.6 %/K above; screened 0.2 %/K. Source: ISO/IEC 11801 (from memory)."""
    assert channel.heat_factor(20, screened=False) == 1
    assert channel.heat_factor(40, screened=False) == pytest.approx(0.92)
    assert channel.heat_factor(50, screened=False) == pytest.approx(0.86)
    assert channel.heat_factor(40, screened=True) == pytest.approx(0.96)


# -- separation -------------------------------------------------------------------------------------------


def test_separation() -> None:
    """One 63 A three-phase feeder is 12 circuits: 80 mm in class b; four lighting circuits: 40 mm.

    Source: EN 50174-2, A = S * P (from memory).
    """
    assert conduit.circuits_of(63, 3) == 12
    assert conduit.separation_mm("b", "none", 12) == 80
    assert conduit.separation_mm("b", "none", 4) == 40
    table = [[conduit.separation_mm(c, d, 15) for d in conduit.DIVIDERS] for c in conduit.CLASSES]
    assert table == [[300, 225, 150, 0], [100, 75, 50, 0], [50, 38, 25, 0], [10, 8, 5, 0]]
    factors = [conduit.separation_mm("b", "none", n) / 100 for n in (3, 4, 9, 10, 15, 16, 45, 60, 75, 76)]
    assert factors == [0.2, 0.4, 0.6, 0.8, 1.0, 2, 3, 4, 5, 6]


def test_separation_of_the_edition_before() -> None:
    """Source: EN 50174-2:2000, its table (as a public text quotes it): no divider, aluminium, steel."""
    rows = conduit.SEPARATION_2000_MM
    assert rows[False, False] == (200, 100, 50)
    assert rows[False, True] == (50, 20, 5)
    assert rows[True, False] == (30, 10, 2)
    assert rows[True, True] == (0, 0, 0)


# -- battery ----------------------------------------------------------------------------------------------


def test_energy_of_a_bank() -> None:
    """24 V, 12 Ah, depth 0.8, efficiency 0.9, 96 W: 129.6 min new, 103.68 min at end of life.

    Source: energy balance: common practice, no source; computed.
    """
    load = (battery.Stretch(watts=96),)
    for health, minutes in ((1.0, 129.6), (0.8, 103.68)):
        bank = battery.Bank(volts=24, capacity_ah=12, depth=0.8, efficiency=0.9, health=health)
        assert battery.autonomy_h(bank, load) * 60 == pytest.approx(minutes, rel=1e-9)


def test_capacity_for_two_hours() -> None:
    """96 W for 2 h at 0.9: 8.889 Ah; * 1.25 * 1.10: 12.22 Ah. Source: IEEE 485 factors (from memory)."""
    bank = battery.Bank(volts=24, capacity_ah=0, efficiency=0.9)
    working = battery.sizing(bank, (battery.Stretch(watts=96, hours=2),), design_margin=1.10, ageing=1.25)
    assert [one.value for one in working.result] == pytest.approx([8.8889, 12.2222], rel=1e-4)


@pytest.mark.parametrize(
    ("hours", "capacity", "current", "exponent", "lasts_h"),
    [(20, 100, 20, 1.2, 3.78929), (20, 7, 7, 1.15, 38.2822 / 60), (10, 40, 8, 1.25, 4.20448),
     (20, 100, 5, 1.2, 20), (20, 100, 20, 1.0, 5)],
)  # fmt: skip
def test_rate_effect(hours: float, capacity: float, current: float, exponent: float, lasts_h: float) -> None:
    """t = H (C / (I H))^k. Source: common practice, no source; computed."""
    assert battery.discharge_h(hours, capacity, current, exponent) == pytest.approx(lasts_h, rel=1e-5)
    bank = battery.Bank(volts=10, capacity_ah=capacity, hours=hours, exponent=exponent, health=1.0)
    load = (battery.Stretch(watts=current * 10),)
    assert battery.autonomy_h(bank, load) == pytest.approx(lasts_h, rel=1e-5)


@pytest.mark.parametrize(
    ("celsius", "factor"), [(25, 1.00), (21.1, 1.04), (15.6, 1.11), (10, 1.19), (4.4, 1.30), (35, 1.00)]
)
def test_cold_factors(celsius: float, factor: float) -> None:
    """Source: IEEE 485, table 1 (from memory); warmth is not credited: common practice, no source."""
    assert battery.cold_factor(celsius) == pytest.approx(factor)


def test_coldest_factor_lies_in_its_range() -> None:
    """At 0 °C 1.35 to 1.40. Source: IEEE 485 (from memory)."""
    assert 1.35 <= battery.cold_factor(0) <= 1.40


def test_cell_size() -> None:
    """40 Ah * 1.11 * 1.10 * 1.25 = 61.05 Ah. Source: IEEE 485 (from memory)."""
    assert battery.cell_size_ah(40, battery.cold_factor(15.6), 1.10, 1.25) == pytest.approx(61.05)


@pytest.mark.parametrize(("celsius", "part"), [(25, 1.0), (33.3, 0.5), (40, 0.28574)])
def test_life_in_the_heat(celsius: float, part: float) -> None:
    """Halved for each 8.3 K. Source: IEEE 1188 (from memory; common practice)."""
    assert battery.life_factor(celsius) == pytest.approx(part, abs=1e-4)
