"""How a difference is named, and in which order of danger (device by device: tests/cases/settings.yaml)."""

from __future__ import annotations

import pytest

from probe.judge.settings.difference import Kind, difference, is_rounding, on_step
from probe.judge.settings.row import DANGER, Row, figure, in_order
from probe.model.finding import Verdict


@pytest.mark.parametrize(
    ("found", "studied", "percent", "step", "kind"),
    [
        (1550, 1530, 5, 50, Kind.ROUNDED),  # the example of the issue
        (1500, 1530, 5, 50, Kind.ROUNDED),
        (1550, 1530, 1, 50, Kind.HIGHER),  # rounding or not: beyond the stated tolerance
        (1500, 1530, 1, 50, Kind.LOWER),
        (1560, 1530, 5, 10, Kind.NEAR),  # it could have been set exactly
        (1540, 1530, 5, 50, Kind.NEAR),  # no step of the device
        (1530, 1530, 0, 50, Kind.SAME),
        (0.30000001192092896, 0.3, 0, None, Kind.SAME),  # a 32-bit float
        (0.5, 0.1, 5, None, Kind.HIGHER),
        (1606.5, 1530, 5, None, Kind.NEAR),  # exactly on the limit is inside
        (1606.6, 1530, 5, None, Kind.HIGHER),
        (1453.5, 1530, 5, None, Kind.NEAR),
        (1453.4, 1530, 5, None, Kind.LOWER),
        (0.0, 0.0, 5, None, Kind.SAME),  # a delay of nothing
        (0.1, 0.0, 5, None, Kind.HIGHER),
    ],
)
def test_differences(found: float, studied: float, percent: float, step: float | None, kind: Kind) -> None:
    assert difference(found, studied, percent, step) is kind


@pytest.mark.parametrize(
    ("found", "studied", "step", "rounded"),
    [
        (1550, 1530, 50, True),
        (1550, 1501, 50, True),
        (1550, 1500, 50, False),  # both are steps of the device: it was set to another
        (1550, 1499, 50, False),
        (1549, 1530, 50, False),  # no step of the device
        (1550, 1530, None, False),
        (1550, 1530, 0, False),
    ],
)
def test_a_rounding_is_the_step_next_to_it(
    found: float, studied: float, step: float | None, rounded: bool
) -> None:
    assert is_rounding(found, studied, step) is rounded


def test_steps_bear_the_noise_of_numbers() -> None:
    assert on_step(1550.0005, 50)
    assert not on_step(1550.01, 50)
    assert on_step(0.0, 50)
    assert on_step(0.30000001192092896, 0.1)


def row(kind: Kind, attribute: str = "pickup", *, least: bool = False) -> Row:
    return Row(
        tag="F1", group="normal", function="ground", attribute=attribute, name=kind.value, point="p",
        kind=kind, least_danger=least,
    )  # fmt: skip


def test_what_trips_later_or_not_at_all_comes_first() -> None:
    kinds = [Kind.LOWER, Kind.NOT_STATED, Kind.OFF, Kind.FASTER, Kind.SLOWER, Kind.SAME]
    order = [one.kind for one in in_order([row(kind) for kind in kinds])]
    assert order == [Kind.OFF, Kind.SLOWER, Kind.LOWER, Kind.FASTER, Kind.NOT_STATED, Kind.SAME]


def test_every_kind_has_a_danger_and_a_verdict() -> None:
    assert set(DANGER) == set(Kind)
    for kind in Kind:
        assert (row(kind).verdict is Verdict.PASS) == (row(kind).danger == 0)


def test_a_threshold_that_only_tells_weighs_little() -> None:
    assert row(Kind.HIGHER, least=True).danger == 3


@pytest.mark.parametrize(
    ("value", "text"), [(1530.0, "1530"), (0.1, "0.1"), (1e6, "1000000"), (12.3456789, "12.3457")]
)
def test_figures(value: float, text: str) -> None:
    assert figure(value) == text
