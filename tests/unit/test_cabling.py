"""The cabling of a map: its words are those of the desk, and what stands in a conduit."""

from __future__ import annotations

import pytest

from probe.desk.conductor import CONDUCTORS
from probe.desk.fibre import APPLICATION_NAMES, APPLICATIONS, wavelengths
from probe.model.cable_data import RUNS_AT, WAVELENGTHS
from probe.model.cable_words import CONDUCTOR_NAMES, Cable, Fibre
from probe.model.cabling import NO_CABLING, Cabling


def test_conductors_of_the_map_are_those_that_the_desk_knows() -> None:
    assert set(CONDUCTOR_NAMES) == set(CONDUCTORS)


def test_applications_run_where_the_desk_says() -> None:
    assert set(RUNS_AT) == set(APPLICATION_NAMES)
    for application in APPLICATIONS:
        for fibre in application.fibres:
            assert RUNS_AT[application.name][fibre.value[:2]] == application.wavelength_nm


@pytest.mark.parametrize("fibre", list(Fibre))
def test_wavelengths_are_those_with_an_attenuation(fibre: Fibre) -> None:
    assert WAVELENGTHS[fibre.value[:2]] == wavelengths(fibre)


def test_a_conduit_knows_cables_by_name_and_by_word() -> None:
    cabling = Cabling.model_validate(
        {
            "feeders": [
                {"name": "DC-1", "supply": "P", "loads": [{"name": "L", "distance_m": 1, "draw_a": 1}]}
            ],
            "channels": [{"name": "TP-1", "ends": ["A", "B"], "fixed_m": 3}],
        }
    )
    assert cabling.kind_in_conduit("DC-1") is Cable.CONTROL
    assert cabling.kind_in_conduit("TP-1") is Cable.PAIR
    assert cabling.kind_in_conduit("power") is Cable.POWER
    with pytest.raises(KeyError):
        cabling.kind_in_conduit("TP-2")


def test_a_map_without_cabling_has_none() -> None:
    assert list(NO_CABLING.entries()) == []
