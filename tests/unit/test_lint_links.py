"""The network part of a map: what loads, and what is told in which words."""

from __future__ import annotations

import pytest

from probe.collect.inputs import open_library
from probe.model.errors import InputError
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.profile_load import ProfileLibrary

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {{voltage_v: 480, frequency_hz: 60}}
networks:
  - {{name: gear, subnet: 10.20.1.0/24, root: {root}}}
links:
  - {{name: ring-1, ends: [{{tag: SW-1, port: p1}}, {{tag: SW-2, port: p1}}]{link}}}
{more}devices:
  - {{tag: SW-1, kind: switch, profile: managed-switch, section: A, address: {{host: 10.20.1.2}}{snmp}}}
  - {{tag: SW-2, kind: switch, profile: managed-switch, section: A, address: {{host: 10.20.1.3}}}}
  - {{tag: UPS-1, kind: ups, profile: small-ups, section: A, address: {{host: 10.20.1.4}}, autonomy_min: 30}}
"""


@pytest.fixture(scope="module")
def library() -> ProfileLibrary:
    return open_library()


def load(library: ProfileLibrary, **parts: str) -> Lineup:
    text = MAP.format(**{"root": "SW-1", "link": "", "more": "", "snmp": "", **parts})
    return load_lineup("map.yaml", lambda name: text.encode(), library)[0]


def refused(library: ProfileLibrary, **parts: str) -> str:
    with pytest.raises(InputError) as error:
        load(library, **parts)
    return "\n".join(str(problem) for problem in error.value.problems)


def test_a_whole_network_loads(library: ProfileLibrary) -> None:
    lineup = load(
        library,
        link=", redundancy: mrp-200, speed_mbps: 1000, duplex: full",
        snmp=', snmp: {version: "3", user: auditor, secret: PLANT}, ports: [{name: p9, used: no}]',
    )
    (link,) = lineup.map.links
    assert link.limit is not None
    assert link.limit.recovery_ms == 200
    assert "IEC 62439-2" in link.limit.source
    assert lineup.map.by_tag["SW-1"].snmp is not None
    assert lineup.map.by_tag["UPS-1"].autonomy_min == 30


def test_the_design_s_own_limit_goes_before_the_method_s(library: ProfileLibrary) -> None:
    own = ", redundancy: rstp, recovery_ms: 80, recovery_source: design basis 4.2"
    assert load(library, link=own).map.links[0].limit == (80, "design basis 4.2")
    assert load(library).map.links[0].limit is None


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"root": "UPS-1"}, ["map.yaml:6:46", "the root of network gear is no switch", "SW-1, SW-2"]),
        (
            {"more": "  - {name: ring-1, ends: [{tag: SW-1, port: p2}, {tag: SW-2, port: p2}]}\n"},
            ["map.yaml:9:12", "two links are called ring-1"],
        ),
        (
            {"more": "  - {name: up, ends: [{tag: SW-1, port: p1}, {tag: UPS-1}]}\n"},
            ["two links end at SW-1 port p1", "map.yaml:8:45"],
        ),
        (
            {"more": "  - {name: up, ends: [{tag: SW-11, port: p3}, {tag: UPS-1}]}\n"},
            ["link up ends at SW-11, which is no device", "SW-1"],
        ),
        (
            {"more": "  - {name: up, ends: [{tag: SW-1}, {tag: UPS-1}]}\n"},
            ["does not say at which port of SW-1"],
        ),
        (
            {"more": "  - {name: up, ends: [{tag: SW-1, port: p3}, {tag: SW-1, port: p4}]}\n"},
            ["both ends of link up are at SW-1"],
        ),
        ({"link": ", recovery_ms: 200"}, ["a limit needs its source"]),
        ({"snmp": ', snmp: {version: "3"}'}, ["version 3 needs a user"]),
        ({"snmp": ", snmp: {user: auditor}"}, ["user is of version 3"]),
        ({"snmp": ', snmp: {version: "3", user: a, auth: none}'}, ["privacy needs authentication"]),
        ({"snmp": ", snmp: {community: tarn}"}, ["community"]),
        ({"snmp": ", ports: [{name: p1}, {name: p1}]"}, ["port p1 of SW-1 stands twice"]),
    ],
)
def test_what_does_not_fit_is_told_with_its_place(
    library: ProfileLibrary, parts: dict[str, str], words: list[str]
) -> None:
    told = refused(library, **parts)
    for word in words:
        assert word in told
