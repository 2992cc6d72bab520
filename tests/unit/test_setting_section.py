"""The ``settings:`` of a profile: compiled, and every misfit told at its place."""

from __future__ import annotations

import pytest

from probe.collect.inputs import open_library
from probe.model.errors import InputError
from probe.model.lineup import SourceText
from probe.model.profile_load import ProfileLibrary
from probe.model.protection import FunctionSetting, RatingBases, Shape
from probe.model.setting_rule import Choice, SettingsRule
from probe.model.trip_band import NoBandError, band_of

HEAD = """\
format: buswitness-profile/1
name: t
title: T
kind: trip-unit
addressing: zero_based
area: holding
order: ABCD
identity: {objects: {maker: 0}}
proof: [{point: proof, equals: 1}]
points:
  proof: {title: Proof, address: 0, type: u16, unit: none, quantity: identity}
  sensor: {title: Sensor, address: 1, type: u16, unit: A, quantity: rating, range: [1, 6300]}
  ltpu: {title: Ir, address: 2, type: u16, scale: 0.05, unit: none, quantity: setting, range: [0.4, 1]}
  ltd: {title: tr, address: 3, type: u16, scale: 0.5, unit: s, quantity: setting, range: [0.5, 24]}
  inst: {title: Ii, address: 4, type: u16, unit: A, quantity: setting, range: [100, 60000]}
  flags: {title: Flags, address: 5, type: bits16}
settings:
"""
GOOD = """\
  sensor: sensor
  groups:
    normal:
      long_time:
        pickup: {point: ltpu, unit: x sensor, tolerance_percent: [-5, 5]}
        delay: {point: ltd, at: 6 x pickup, tolerance_percent: [-20, 0]}
        curve: i2t
        clearing_s: [0, 0.05]
      instantaneous:
        pickup: {point: inst, off: [65535]}
        enabled: {point: flags, mask: 1, means: {"on": 1, "off": 0}}
    maintenance:
      based_on: normal
      instantaneous: {pickup: {point: inst}}
"""


def rule(section: str) -> SettingsRule:
    text = HEAD + section
    made = ProfileLibrary({"t": SourceText(name="t.yaml", text=text, sha256="")}).get("t").settings
    assert made is not None
    return made


def told(section: str) -> str:
    with pytest.raises(InputError) as caught:
        rule(section)
    return "\n".join(str(p) for p in caught.value.problems if p.severity == "error")


def test_a_whole_section() -> None:
    made = rule(GOOD)
    long_time = made.groups["normal"].functions["long_time"]
    assert (long_time.pickup.base, long_time.pickup.step, long_time.pickup.high) == ("sensor", 0.05, 1.0)
    assert long_time.delay is not None
    assert (long_time.delay.multiple, long_time.delay.base, long_time.delay.step) == (6, "pickup", 0.5)
    assert made.groups["maintenance"].own == {"instantaneous"}
    assert made.groups["maintenance"].functions["long_time"] is long_time
    assert set(made.points()) == {"ltpu", "ltd", "inst", "flags", "sensor"}


def test_a_choice_reads_its_bits() -> None:
    choice = Choice(point="flags", mask=6, means={"i2t": (2,), "flat": (0, 4)})
    assert [choice.word(raw) for raw in (0b010, 0b011, 0b100, 0b110)] == ["i2t", "i2t", "flat", ""]


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("point: ltpu,", "point: ltpup,", "there is no point ltpup"),
        ("point: ltpu, unit: x sensor", "point: ltpu", "its setting in A"),
        ("point: ltpu, unit: x sensor", "point: ltpu, unit: x pickup", "cannot be a multiple of itself"),
        ("point: ltpu,", "point: sensor,", "sensor is no setting but rating"),
        ("at: 6 x pickup, ", "", "counts at one current only, and the profile does not say at which"),
        ("at: 6 x pickup", "at: 6 x", "is not written as allowed"),
        ("        curve: i2t\n", "", "a delay without its curve"),
        ("curve: i2t", "curve: i3t", "none of the allowed words"),
        ("clearing_s: [0, 0.05]", "clearing_s: [0.05, 0]", "not in order"),
        ("clearing_s: [0, 0.05]", "clearing_s: [-1, 0]", "not in order"),
        ('"on": 1', "yes: 1", "yes is none of the words here"),
        ('"on": 1', '"on": 2', "flags can never show this under the mask"),
        ('"on": 1', '"on": 0', "the raw value 0 means two things"),
        ("based_on: normal", "based_on: alternate", "there is no group alternate before this one"),
        ("sensor: sensor", "sensor: inst", "inst is no rating"),
        ("    maintenance:", "    spare:", "spare"),
        ("off: [65535]}", "off: [65535]}\n        curve: flat", "has no delay and no curve"),
    ],
)
def test_what_is_refused(old: str, new: str, what: str) -> None:
    assert old in GOOD
    assert what in told(GOOD.replace(old, new, 1))


def test_the_bundled_trip_units_say_where_their_settings_stand() -> None:
    library = open_library()
    second, first = library.get("trip-unit-second").settings, library.get("trip-unit-first").settings
    assert second is not None
    assert first is not None
    assert list(second.groups) == ["normal", "alternate", "maintenance"]
    assert list(first.groups) == ["normal"]


# -- bands from it ----------------------------------------------------------------------------------------

SET = {
    "long_time": FunctionSetting(
        enabled=True, pickup_a=960, delay=8, multiple=6, base="pickup", shape=Shape.I2T
    ),
    "instantaneous": FunctionSetting(enabled=False),
}


def test_a_band_holds_tolerances_and_clearing_time() -> None:
    """72 s at 2 Ir (8 s at 6 Ir), -20/+0 %, up to 50 ms of clearing; by hand."""
    band = band_of(rule(GOOD).groups["normal"], SET, RatingBases())
    assert band.least_s(1920) == pytest.approx(0.8 * 72)
    assert band.most_s(1920) == pytest.approx(72.05)
    assert band.least_s(0.95 * 960) < float("inf") == band.most_s(0.95 * 960)
    assert band.least_s(0.94 * 960) == float("inf")


@pytest.mark.parametrize(
    ("section", "settings", "why"),
    [
        (GOOD.replace(", tolerance_percent: [-5, 5]", ""), SET, "no tolerance for its long-time pickup"),
        (GOOD.replace(", tolerance_percent: [-20, 0]", ""), SET, "no tolerance for its long-time delay"),
        (GOOD.replace("        clearing_s: [0, 0.05]\n", ""), SET, "no clearing time"),
        (GOOD, {"long_time": SET["long_time"]}, "nothing is known of its instantaneous"),
        (GOOD, {**SET, "long_time": FunctionSetting(enabled=True, delay=8)}, "pickup is not known"),
        (GOOD, {**SET, "short_time": FunctionSetting(enabled=True)}, "how its short-time function trips"),
        (GOOD, {**SET, "instantaneous": FunctionSetting(pickup_a=5000)}, "whether its instantaneous"),
        (GOOD, dict.fromkeys(SET, FunctionSetting(enabled=False)), "no function is on"),
    ],
)
def test_no_band_is_guessed(section: str, settings: dict[str, FunctionSetting], why: str) -> None:
    with pytest.raises(NoBandError, match=why):
        band_of(rule(section).groups["normal"], settings, RatingBases())
