"""Snapshots: keys of points, base units, what goes into an uncertainty."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.judge.electrical.quantities import electrical_points, key_of
from probe.judge.electrical.snapshot import Frame, Raw, frame_of, seconds_apart, snapshot
from probe.judge.electrical.width import drift, moved_of
from probe.model.codec import Encoding, make_decoder
from probe.model.device_map import Device, DeviceMap
from probe.model.profile import Accuracy, Area, Conventions, Point
from probe.practice.offline import library

FRAME = Frame(
    tag="F1", wiring="wye", voltage_v=480, frequency_hz=60, accuracy=Accuracy(), conventions=Conventions(),
    rating_a=400,
)  # fmt: skip


def point(name: str, quantity: str, unit: str, phase: str = "", kind: str = "u16") -> Point:
    return Point(
        name=name, title=name, area=Area.HOLDING, start=0, count=1, type=kind, order="AB",
        decoder=make_decoder(Encoding(type=kind, count=1, order="AB")),
        unit=unit, quantity=quantity, phase=phase,
    )  # fmt: skip


def raw(
    quantity: str, phase: str, value: float, *, sequence: int = 1, at_s: float = 0.0, step: float = 0.0
) -> Raw:
    sent = round(at_s * 1e9)
    return Raw((quantity, phase), value, step, "", f"{quantity}_{phase}", sequence, sent, sent + 5_000_000)


@pytest.mark.parametrize(
    ("name", "quantity", "unit", "phase", "key"),
    [
        ("voltage_ab", "voltage_line", "kV", "ab", ("voltage_line", "ab")),
        ("current_unbalance", "unbalance", "%", "", ("unbalance_current", "")),
        ("distortion_voltage_a", "distortion", "%", "a", ("distortion_voltage", "a")),
        ("power_demand", "power_active", "kW", "", ("demand_active", "total")),
        ("power", "power_active", "kW", "", ("power_active", "total")),
        ("power_max", "power_active", "kW", "total", None),
        ("input_voltage", "voltage_phase", "V", "", None),
        ("temperature", "temperature", "°C", "", None),
    ],
)
def test_key_of_a_point(name: str, quantity: str, unit: str, phase: str, key: tuple[str, str] | None) -> None:
    assert key_of(point(name, quantity, unit, phase)) == key


def test_of_two_points_with_one_key_the_first_counts() -> None:
    profile = library().get("sunspec-203")
    keys = [item.key for item in electrical_points(profile)]
    assert len(keys) == len(set(keys))
    assert ("current", "a") in keys


def test_units_become_base_units() -> None:
    (item,) = [
        i for i in electrical_points(library().get("trip-unit-first")) if i.key == ("power_active", "total")
    ]
    assert (item.unit, item.factor, item.step) == ("W", 1000.0, 1000.0)


def test_half_a_step_and_the_class_make_the_width() -> None:
    shown = snapshot(FRAME, 0, [raw("voltage_line", "ab", 480.0, step=1.0)])
    measured = shown.get("voltage_line", "ab")
    assert measured is not None
    assert measured.half_width == pytest.approx(4.8 + 0.5)  # 1 % of 480 V, half of 1 V
    assert measured.unclassed == pytest.approx(0.5)


def test_a_small_current_keeps_the_class_of_five_percent() -> None:
    shown = snapshot(FRAME, 0, [raw("current", "a", 2.0)])
    measured = shown.get("current", "a")
    assert measured is not None
    assert measured.half_width == pytest.approx(0.2)  # 1 % of 5 % of 400 A


def test_time_between_replies_widens_what_may_move() -> None:
    raws = [raw("current", p, 100.0) for p in "abc"] + [
        raw("power_active", "total", 60e3, sequence=2, at_s=1.0)
    ]
    power = snapshot(FRAME, 0, raws).get("power_active", "total")
    assert power is not None
    assert power.skew == pytest.approx(60e3 * 0.05 * 1.005)


def test_a_device_that_updates_slowly_is_wider_all_over() -> None:
    frame = replace(FRAME, accuracy=replace(FRAME.accuracy, update_s=1.0))
    current = snapshot(frame, 0, [raw("current", "a", 100.0)]).get("current", "a")
    assert current is not None
    assert current.skew == pytest.approx(5.0)


def test_drift_ends_somewhere() -> None:
    assert drift("current", 100.0, 1.0) == pytest.approx(5.0)
    assert drift("current", 100.0, 3600.0) == pytest.approx(25.0)
    assert drift("energy_active_import", 1e9, 3600.0) == 0.0


def test_what_was_seen_to_move_takes_the_place_of_what_is_assumed() -> None:
    """Changes of 1, 2 and 1 A in a second each: the largest, with room for the fewness of three (1 + 2/3)."""
    moved = moved_of([(0.0, 100.0), (1.0, 101.0), (2.0, 99.0), (3.0, 100.0)])
    assert moved is not None
    assert moved.within(1.0) == pytest.approx(2.0 * 5 / 3)
    assert moved.within(0.25) == pytest.approx(1.0 * 5 / 3)  # half the way in a quarter of the time
    assert moved.within(4.0) == pytest.approx(8.0 * 5 / 3)  # beyond what was seen it runs on
    assert moved.within(0.0) == 0.0


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [(0.0, 1.0)],
        [(0.0, 1.0), (1.0, 2.0)],  # one change says nothing of the next
        [(0.0, 5.0), (1.0, 5.0), (2.0, 5.0)],  # shown again, or truly still: not told apart
    ],
)
def test_too_few_readings_or_still_ones_tell_nothing(readings: list[tuple[float, float]]) -> None:
    assert moved_of(readings) is None


def test_a_load_that_moves_faster_than_assumed_widens_more() -> None:
    raws = [raw("current", "a", 100.0), raw("power_active", "total", 60e3, sequence=2, at_s=1.0)]
    moved = moved_of([(0.0, 60e3), (1.0, 90e3), (2.0, 60e3)])
    assert moved is not None
    seen = snapshot(FRAME, 0, [*raws, raw("current", "b", 100.0)], {("power_active", "total"): moved})
    assumed = snapshot(FRAME, 0, [*raws, raw("current", "b", 100.0)])
    key = ("power_active", "total")
    assert seen.values[key].skew > 5 * assumed.values[key].skew
    assert seen.values[key].moved == moved


def test_seconds_apart_is_the_longest_that_can_be() -> None:
    one, other = raw("current", "a", 1.0), raw("current", "b", 1.0, sequence=2, at_s=1.0)
    assert seconds_apart(one, other) == pytest.approx(1.005)
    assert seconds_apart(one, one) == 0.0


def test_no_load_is_below_five_percent_of_the_rating() -> None:
    assert not snapshot(FRAME, 0, [raw("current", p, 19.0) for p in "abc"]).is_loaded
    assert snapshot(FRAME, 0, [raw("current", p, 21.0) for p in "abc"]).is_loaded
    assert not snapshot(FRAME, 0, [raw("voltage_line", "ab", 480.0)]).is_loaded


def test_the_frame_takes_the_sensor_before_the_frame() -> None:
    device = Device.model_validate(
        {
            "tag": "F1", "kind": "trip-unit", "profile": "p", "section": "1", "address": {"host": "10.0.0.1"},
            "ratings": {"frame_a": 800, "sensor_a": 400},
        }
    )  # fmt: skip
    system = DeviceMap.model_validate(
        {
            "format": "buswitness-map/1", "site": "Tarn Hollow Water Works", "lineup": "MSB-1",
            "system": {"voltage_v": 480, "frequency_hz": 60},
        }
    )  # fmt: skip
    frame = frame_of(device, system, Accuracy(), Conventions())
    assert (frame.rating_a, frame.rating_from) == (400, "sensor in the map")
    assert frame.phase_v == pytest.approx(277.128, abs=1e-3)


def test_an_empty_snapshot_says_nothing() -> None:
    shown = snapshot(FRAME, 0, [])
    assert shown.values == {}
    assert shown.current_a is None
    assert shown.phases("current") is None
