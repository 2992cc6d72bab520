"""Which points of a supply's profile tell how its battery stands: as written, as compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, NamedTuple

from pydantic import Field

from probe.model.map_words import Strict
from probe.model.profile_words import PointName


class BatteryTestDocument(Strict):
    """The result of the last battery test: a point, and which of its raw values mean what."""

    point: PointName
    passed: Annotated[tuple[int, ...], Field(min_length=1)]
    failed: tuple[int, ...] = ()


class UpsDocument(Strict):
    """Points of a supply: whether it runs from its battery, charge, minutes left, the last battery test."""

    on_battery: PointName
    charge: PointName | None = None
    minutes_left: PointName | None = None
    test: BatteryTestDocument | None = None


class UpsRule(NamedTuple):
    """The same, compiled: names of points, empty where the profile does not say.

    test_passed, test_failed: raw values of the test's point; any other says that there is no result.
    """

    on_battery: str
    charge: str = ""
    minutes_left: str = ""
    test: str = ""
    test_passed: tuple[int, ...] = ()
    test_failed: tuple[int, ...] = ()


def compile_ups(written: UpsDocument, known: Callable[..., bool]) -> UpsRule | None:
    """The rule; None if a point that it names is not there. known: (name, *path) tells that and is asked."""
    test = written.test
    asked = {"on_battery": written.on_battery, "charge": written.charge, "minutes_left": written.minutes_left}
    there = [known(name, field) for field, name in asked.items() if name is not None]
    if test is not None:
        there.append(known(test.point, "test", "point"))
    if not all(there):
        return None
    return UpsRule(
        on_battery=written.on_battery,
        charge=written.charge or "",
        minutes_left=written.minutes_left or "",
        test=test.point if test is not None else "",
        test_passed=test.passed if test is not None else (),
        test_failed=test.failed if test is not None else (),
    )
