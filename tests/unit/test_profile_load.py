"""Profile library: names, layers, addresses, and what the bundled profiles promise."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.model.codec import MEASURED
from probe.model.document import parse
from probe.model.errors import InputError
from probe.model.lineup import SourceText
from probe.model.profile import Area, Profile
from probe.model.profile_load import ProfileLibrary, profile_name
from probe.model.quantities import QUANTITIES
from probe.model.reading import Quality

PROFILES = Path(__file__).parents[2] / "profiles"
BUNDLED = sorted(path.stem for path in PROFILES.glob("*.yaml"))

BASE = """\
format: buswitness-profile/1
name: base
title: Base
kind: meter
addressing: one_based
area: input
order: ABCD
identity: {objects: {maker: 0}, expect: {maker: Quellmark}}
proof: [{point: mark, equals: 7}]
alarms: [{name: hot, title: Hot, point: flags, bit: 0, severity: alarm}]
freshness: {points: [beat], after_s: 1}
limits: {registers: 60, gap_s: 0.05}
points:
  mark: {title: Mark, address: 1, type: u16, unit: none, quantity: identity}
  volts: {title: Volts, address: 2, type: f32, unit: V, quantity: voltage_line, phase: ab, range: [0, 760]}
  flags: {title: Flags, address: 4, type: bits16, bits: {0: hot}}
  beat: {title: Heartbeat, address: 5, type: u16, unit: none, quantity: heartbeat}
"""
CHILD = """\
format: buswitness-profile/1
name: child
title: Child
extends: base
addressing: reference
order: CDAB
identity: {expect: {model: M}}
proof: [{point: mark, equals: 8}]
alarms: [{name: cold, title: Cold, point: flags, bit: 1, severity: notice}]
limits: {sockets: 3}
remove: [beat]
freshness: {points: [volts], after_s: 2}
points:
  volts: {range: [0, 500]}
  amps: {title: Amps, address: 40011, type: u16, unit: A, quantity: current, range: [0, 100]}
"""


def library(**texts: str) -> ProfileLibrary:
    return ProfileLibrary(
        {name: SourceText(name=f"{name}.yaml", text=text, sha256="") for name, text in texts.items()}
    )


@pytest.fixture(scope="module")
def bundled() -> ProfileLibrary:
    return ProfileLibrary.of(
        SourceText(name=path.name, text=path.read_text(encoding="utf-8"), sha256="")
        for path in sorted(PROFILES.glob("*.yaml"))
    )


def test_a_profile_is_compiled_once() -> None:
    profiles = library(base=BASE)
    assert profiles.get("base") is profiles.get("base")
    assert profiles.names() == ("base",)


def test_an_unknown_name_gets_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean base"):
        library(base=BASE).get("bsae")


def test_a_layer_changes_only_what_it_says() -> None:
    child = library(base=BASE, child=CHILD).get("child")
    volts, amps = child.by_name["volts"], child.by_name["amps"]
    assert (volts.area, volts.start, volts.low, volts.high) == (Area.INPUT, 1, 0.0, 500.0)
    assert volts.order == "CDAB"  # the profile's order is the nearest layer's
    assert (amps.area, amps.start) == (Area.HOLDING, 10)
    assert "beat" not in child.by_name
    assert child.names == ("base",)
    assert (child.kind.value, child.title) == ("meter", "Child")
    assert (child.limits.registers, child.limits.gap_s, child.limits.sockets) == (60, 0.05, 3)
    assert child.identity.expect == {"maker": "Quellmark", "model": "M"}
    assert [(proof.point, proof.equals) for proof in child.proof] == [("mark", 8)]
    assert [alarm.name for alarm in child.alarms] == ["hot", "cold"]
    assert child.freshness is not None
    assert child.freshness.points == ("volts",)


def test_the_hash_follows_every_layer() -> None:
    first = library(base=BASE, child=CHILD).get("child").sha256
    second = library(base=BASE + "# a remark\n", child=CHILD).get("child").sha256
    assert first != second
    assert first == library(base=BASE, child=CHILD).get("child").sha256


def test_texts_for_holds_the_extended_ones() -> None:
    profiles = library(base=BASE, child=CHILD, other=BASE.replace("name: base", "name: other"))
    assert [text.name for text in profiles.texts_for(["child"])] == ["base.yaml", "child.yaml"]
    assert profiles.texts_for([]) == ()


def test_a_fault_in_the_extended_file_is_told_at_its_place() -> None:
    profiles = library(base=BASE.replace("unit: V", "unit: A"), child=CHILD)
    with pytest.raises(InputError) as caught:
        profiles.get("child")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.field) == ("base.yaml", 15, "points.volts.unit")


def test_yaml_faults_are_told_with_their_place() -> None:
    with pytest.raises(InputError) as caught:
        library(base=BASE.replace("  flags:", "  volts:")).get("base")
    assert "volts is given twice" in str(caught.value)
    assert "base.yaml:16:3" in str(caught.value)


def test_names_of_files() -> None:
    assert profile_name("profiles/meter-float.yaml") == "meter-float"
    assert profile_name("C:\\maps\\profiles\\trip.2.yaml") == "trip.2"


# --- the bundled profiles: house rules ------------------------------------------------------------------


@pytest.mark.parametrize("name", BUNDLED)
def test_bundled_profiles_have_nothing_wrong(bundled: ProfileLibrary, name: str) -> None:
    assert [str(problem) for problem in bundled.check(name).problems] == []


@pytest.mark.parametrize("name", BUNDLED)
def test_every_measured_point_states_unit_and_quantity(name: str) -> None:
    """A unit or an explicit none, in the file itself, and a word that all profiles share."""
    path = PROFILES / f"{name}.yaml"
    written = parse(path.name, path.read_bytes()).values["points"]
    for point, fields in written.items():
        assert fields["title"], point
        if fields["type"] in MEASURED:
            assert fields["unit"], point
            assert fields["quantity"] in QUANTITIES, point


@pytest.mark.parametrize("name", BUNDLED)
def test_bundled_profiles_can_prove_something(bundled: ProfileLibrary, name: str) -> None:
    profile = bundled.get(name)
    assert profile.proof, "a proof point comes before values"
    assert profile.identity.objects or profile.identity.points
    if name != "sunspec-common":
        assert profile.freshness is not None
    titles = [point.title for point in profile.points]
    assert len(titles) == len(set(titles))


@pytest.mark.parametrize("name", BUNDLED)
def test_one_quantity_one_name(bundled: ProfileLibrary, name: str) -> None:
    """A point's name says the same in every profile: voltage_ab is the line voltage from A to B."""
    expected = {
        "voltage_ab": ("voltage_line", "ab"), "voltage_a": ("voltage_phase", "a"),
        "current_a": ("current", "a"), "power_total": ("power_active", "total"),
        "energy_import": ("energy_active_import", "total"), "heartbeat": ("heartbeat", ""),
        "uptime": ("uptime", ""), "clock": ("time", ""),
    }  # fmt: skip
    for point in bundled.get(name).points:
        if point.name in expected and (point.quantity, point.phase) != expected[point.name]:
            pytest.fail(f"{point.name} is {point.quantity} {point.phase}")


def test_the_issue_names_these_types(bundled: ProfileLibrary) -> None:
    """Issue 2, Profiles: two trip units and meters, gateway, switch, UPS, master, SunSpec models."""
    kinds = {name: bundled.get(name).kind.value for name in bundled.names()}
    assert [kinds[name] for name in ("trip-unit-first", "trip-unit-second")] == ["trip-unit"] * 2
    assert [kinds[name] for name in ("meter-float", "meter-integer")] == ["meter"] * 2
    named = ("serial-gateway", "managed-switch", "small-ups", "master-controller")
    assert [kinds[name] for name in named] == ["gateway", "switch", "ups", "master"]
    models = [f"sunspec-{n}" for n in (201, 202, 203, 204, 211, 212, 213, 214)]
    assert set(models) | {"sunspec-common"} < set(kinds)


@pytest.mark.parametrize("name", ["trip-unit-first", "trip-unit-second"])
def test_trip_units_show_what_an_audit_asks(bundled: ProfileLibrary, name: str) -> None:
    profile: Profile = bundled.get(name)
    states = {(rule.state, rule.bus) for rule in profile.states}
    assert states >= {("breaker", ""), ("position", ""), ("maintenance", ""), ("communication", "A")}
    assert ("communication", "B") in states
    assert {alarm.severity for alarm in profile.alarms} == {"trip", "alarm", "notice"}
    assert profile.clock is not None
    assert profile.energized_points == ("voltage_ab", "voltage_bc", "voltage_ca")
    raw = profile.by_name["map_proof"].decoder.encode(profile.proof[0].equals)
    assert profile.by_name["map_proof"].decoder.decode(raw) == (profile.proof[0].equals, Quality.GOOD)
