"""Optical budget: which end of which tolerance decides. Numbers of standards are in tests/outside."""

from dataclasses import replace

import pytest

from probe.desk.fibre import APPLICATIONS, Fibre, Link, Optics, application_for, attenuation, budget
from probe.desk.working import Amount
from probe.model.finding import Verdict

LINK = Link(
    fibre=Fibre.OM2,
    wavelength_nm=1300,
    length_m=Amount(value=1000, unit="m"),
    connectors=2,
    splices=0,
)
OPTICS = Optics(launch_least_dbm=-20, launch_most_dbm=-14, sensitivity_dbm=-30, overload_dbm=-14)


def test_least_light_is_the_weakest_transmitter_aged_and_most_light_the_strongest_new() -> None:
    loss, least, most = budget(LINK, optics=OPTICS, ageing_db=3).result
    assert loss.value == pytest.approx(3.0)  # 1.5 + 2 * 0.75
    assert least.value == pytest.approx(-26.0)  # -20 - 3 - 3
    assert most.value == pytest.approx(-14.3)  # -14 - 1 km of scatter; couplings count nothing


def test_too_little_and_too_much_are_told_apart() -> None:
    weak = budget(LINK, optics=replace(OPTICS, sensitivity_dbm=-25))
    strong = budget(LINK, optics=replace(OPTICS, overload_dbm=-15))
    assert [one.verdict for one in weak.checks] == [Verdict.FAIL, Verdict.PASS]
    assert [one.verdict for one in strong.checks] == [Verdict.PASS, Verdict.FAIL]


def test_uncertain_length_across_the_limit_is_a_review() -> None:
    unsure = replace(LINK, length_m=Amount(value=1000, unit="m", plus_minus=400))
    checks = budget(unsure, optics=replace(OPTICS, sensitivity_dbm=-26.1)).checks
    assert checks[0].verdict is Verdict.REVIEW


def test_without_a_limit_nothing_passes() -> None:
    assert budget(LINK).verdict is Verdict.NOT_TESTED


def test_the_cables_own_attenuation_takes_the_place_of_the_standards() -> None:
    assert budget(replace(LINK, db_per_km=0.9)).result[0].value == pytest.approx(2.4)


def test_a_wavelength_without_a_number_is_refused() -> None:
    with pytest.raises(KeyError):
        attenuation(Fibre.OS2, 850)
    assert application_for("1000base-sx", Fibre.OS2) is None


ALLOWED = [
    ("100base-fx", Fibre.OM1, 1300, (11.0, 11.0), (2000, 2000)),
    ("100base-fx", Fibre.OM2, 1300, (6.0, 6.0), (2000, 2000)),
    ("1000base-sx", Fibre.OM1, 850, (2.38, 2.60), (220, 275)),
    ("1000base-sx", Fibre.OM3, 850, (3.56, 3.56), (550, 550)),
    ("1000base-lx", Fibre.OM1, 1300, (2.35, 2.35), (550, 550)),
    ("1000base-lx", Fibre.OS2, 1310, (4.57, 4.57), (5000, 5000)),
]


@pytest.mark.parametrize(("name", "kind", "nm", "loss_db", "length_m"), ALLOWED)
def test_what_an_application_allows(
    name: str, kind: Fibre, nm: int, loss_db: tuple[float, float], length_m: tuple[float, float]
) -> None:
    """Source: IEEE 802.3, channel insertion loss and length (from memory)."""
    application = application_for(name, kind)
    assert application is not None
    assert application.wavelength_nm == nm
    assert (application.loss_db.sure, application.loss_db.beyond) == loss_db
    assert (application.length_m.sure, application.length_m.beyond) == length_m
    assert len(APPLICATIONS) == len(ALLOWED)


@pytest.mark.parametrize(
    ("kind", "nm", "launch_dbm"),
    [(Fibre.OM2, 850, 1.7), (Fibre.OM2, 1300, 0.3), (Fibre.OS2, 1310, 0.3), (Fibre.OS2, 1550, 0.15)],
)
def test_most_light_counts_scatter_alone(kind: Fibre, nm: int, launch_dbm: float) -> None:
    """Over 1 km the fibre takes its scatter; a launch of as many dBm arrives with 0. Source: from memory."""
    optics = replace(OPTICS, launch_most_dbm=launch_dbm)
    most = budget(replace(LINK, fibre=kind, wavelength_nm=nm), optics=optics).result[2]
    assert most.high == pytest.approx(0.0, abs=1e-9)
    assert most.value == pytest.approx(0.0, abs=1e-9)


def test_a_wavelength_without_a_known_scatter_takes_nothing_off_the_most_light() -> None:
    odd = replace(LINK, wavelength_nm=980, db_per_km=2.0)
    assert budget(odd, optics=OPTICS).result[2].value == pytest.approx(OPTICS.launch_most_dbm)


def test_the_loss_of_the_fibre_can_be_followed() -> None:
    assert budget(LINK).steps[0].text == "fibre: 1 km * 1.5 dB/km = 1.5 dB"
