"""Optical budget: which end of which tolerance decides. Numbers of standards are in tests/outside."""

from dataclasses import replace

import pytest

from probe.desk.fibre import (
    APPLICATIONS,
    Fibre,
    Link,
    Optics,
    application_for,
    attenuation,
    budget,
    wavelengths,
)
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


@pytest.mark.parametrize(
    ("kind", "nm", "iso", "db_per_km"),
    [(Fibre.OM1, 850, False, 3.5), (Fibre.OM2, 850, False, 3.5), (Fibre.OM3, 850, False, 3.0),
     (Fibre.OM4, 850, False, 3.0), (Fibre.OM5, 850, False, 3.0), (Fibre.OM5, 850, True, 3.5),
     (Fibre.OM3, 1300, False, 1.5), (Fibre.OS1A, 1550, True, 1.0), (Fibre.OS2, 1310, True, 0.4)],
)  # fmt: skip
def test_attenuation_by_standard(kind: Fibre, nm: int, iso: bool, db_per_km: float) -> None:
    """Source: TIA-568, ISO/IEC 11801 (from memory)."""
    assert attenuation(kind, nm, iso=iso) == db_per_km


@pytest.mark.parametrize("kind", Fibre)
def test_a_fibre_has_two_wavelengths(kind: Fibre) -> None:
    """850 and 1300 nm on multimode, 1310 and 1550 nm on single-mode (ISO/IEC 11801, from memory)."""
    assert wavelengths(kind) == ((850, 1300) if kind.startswith("om") else (1310, 1550))
    for nm in {850, 1300, 1310, 1550} - {*wavelengths(kind)}:
        with pytest.raises(KeyError):
            attenuation(kind, nm)


def test_a_cable_better_than_scatter_alone_takes_its_own_off_the_most_light() -> None:
    """1 km of 0.2 dB/km at 1300 nm, where scatter alone is 0.3: -14 - 0.2 dBm; one of 0.9 takes 0.3."""
    for own, most_dbm in ((0.2, -14.2), (0.9, -14.3)):
        found = budget(replace(LINK, db_per_km=own), optics=OPTICS).result[2]
        assert found.value == pytest.approx(most_dbm)


def test_an_uncertain_length_spreads_loss_and_light() -> None:
    """1 km give or take 0.4: 0.6 dB of loss at 1.5 dB/km, 0.12 dB of the most light at 0.3."""
    unsure = replace(LINK, length_m=Amount(value=1000, unit="m", plus_minus=400))
    loss, least, most = budget(unsure, optics=OPTICS).result
    assert (loss.low, loss.high) == pytest.approx((2.4, 3.6))
    assert (least.low, least.high) == pytest.approx((-26.6, -25.4))
    assert (most.low, most.high) == pytest.approx((-14.42, -14.18))


@pytest.mark.parametrize(("ageing_db", "words"), [(3.0, "are kept"), (3.1, "are not kept")])
def test_a_reserve_that_is_just_there_is_kept(ageing_db: float, words: str) -> None:
    """6 dB less 3 dB of loss."""
    made = budget(LINK, application=application_for("100base-fx", Fibre.OM2), ageing_db=ageing_db)
    assert made.steps[4].text.endswith(words)


def test_the_standards_numbers_are_cited_for_the_standards_numbers_only() -> None:
    own = replace(LINK, connector_db=0.5, splice_db=0.1, db_per_km=0.9)
    assert [step.source for step in budget(own).steps[:3]] == [
        "attenuation as given",
        "loss as given",
        "loss as given",
    ]
    assert all("TIA-568" in step.source for step in budget(LINK).steps[:3])


def test_what_a_link_is_where_nothing_is_said() -> None:
    """0.75 dB a connector, 0.3 a splice (TIA-568, as third parties quote it); 3 dB: common practice."""
    assert (LINK.connector_db, LINK.splice_db, LINK.db_per_km, LINK.iso) == (0.75, 0.3, 0.0, True)
    assert budget(LINK).inputs[-1] == ("ageing", Amount(value=3.0, unit="dB"))
    assert attenuation(Fibre.OM3, 850) == 3.5
