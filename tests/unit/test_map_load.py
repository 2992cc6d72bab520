"""Text to a lineup: includes joined, everything told at once, and again from texts alone."""

from __future__ import annotations

import hashlib

import pytest

from probe.collect.inputs import open_library
from probe.model.errors import InputError
from probe.model.map_draft import LIMIT_FILES
from probe.model.map_load import lineup_from_texts, load_lineup
from probe.model.profile_load import ProfileLibrary

HEAD = (
    "format: buswitness-map/1\nsite: Tarn Hollow Water Works\nlineup: MSB-1\n"
    "system: {voltage_v: 480, frequency_hz: 60}\n"
)


@pytest.fixture(scope="module")
def library() -> ProfileLibrary:
    return open_library()


def device(tag: str, address: str, profile: str = "trip-unit-second", kind: str = "trip-unit") -> str:
    return f"  - {{tag: {tag}, kind: {kind}, profile: {profile}, section: A, address: {{{address}}}}}\n"


FILES = {
    "maps/msb.yaml": HEAD + "include: [parts/feeders.yaml]\ndevices:\n" + device("M1", "host: 10.20.1.11"),
    "maps/parts/feeders.yaml": "format: buswitness-map/1\ninclude: [more/f2.yaml]\nnetworks:\n"
    "  - {name: gear, subnet: 10.20.1.0/24}\ndevices:\n" + device("F1", "host: 10.20.1.21"),
    "maps/parts/more/f2.yaml": "format: buswitness-map/1\ndevices:\n"
    + device("GW1", "host: 10.20.1.31", "serial-gateway", "gateway")
    + device("F2", "via: GW1, unit: 2", "trip-unit-first"),
}


def read(name: str) -> bytes:
    return FILES[name].encode()


def test_includes_are_joined_in_reading_order(library: ProfileLibrary) -> None:
    lineup, warnings = load_lineup("maps/msb.yaml", read, library)
    assert warnings == ()
    assert [device.tag for device in lineup.map.devices] == ["M1", "F1", "GW1", "F2"]
    assert [network.name for network in lineup.map.networks] == ["gear"]
    assert [text.name for text in lineup.map_texts] == list(FILES)
    assert lineup.map_texts[1].sha256 == hashlib.sha256(read("maps/parts/feeders.yaml")).hexdigest()
    assert sorted(lineup.profiles) == ["serial-gateway", "trip-unit-first", "trip-unit-second"]
    assert {text.name.rpartition("/")[2] for text in lineup.profile_texts} == {
        f"{n}.yaml" for n in lineup.profiles
    }
    target = lineup.map.target("F2")
    assert (target.host, target.port, target.unit, target.gateway) == ("10.20.1.31", 502, 2, "GW1")


def test_a_lineup_loads_again_from_the_texts_that_it_carries(library: ProfileLibrary) -> None:
    lineup, _ = load_lineup("maps/msb.yaml", read, library)
    again = lineup_from_texts(lineup.map_texts, ProfileLibrary.of(lineup.profile_texts))
    assert again.map == lineup.map
    assert again.map_texts == lineup.map_texts
    assert {n: p.sha256 for n, p in again.profiles.items()} == {
        n: p.sha256 for n, p in lineup.profiles.items()
    }


def test_entries_that_do_not_fit_hide_nothing_else(library: ProfileLibrary) -> None:
    text = (
        HEAD
        + "devices:\n"
        + device("M1", "host: 10.20.1.11, port: x")
        + device("F1", "host: 10.20.1.300").replace("section", "fed_from: M1, section")
    )
    with pytest.raises(InputError) as caught:
        load_lineup("m.yaml", lambda _: text.encode(), library)
    assert [problem.field for problem in caught.value.problems] == [
        "devices[0].address.port",
        "devices[1].address.host",
    ]


def test_the_place_of_a_problem_in_an_included_file_is_that_file(library: ProfileLibrary) -> None:
    files = {
        **FILES,
        "maps/parts/more/f2.yaml": FILES["maps/parts/more/f2.yaml"].replace("unit: 2", "unit: 999"),
    }
    with pytest.raises(InputError) as caught:
        load_lineup("maps/msb.yaml", lambda name: files[name].encode(), library)
    (problem,) = caught.value.problems
    assert problem.place.startswith("maps/parts/more/f2.yaml:4:")


def test_a_file_that_includes_itself_is_a_circle(library: ProfileLibrary) -> None:
    with pytest.raises(InputError, match=r"m\.yaml -> m\.yaml"):
        load_lineup("m.yaml", lambda _: (HEAD + "include: [m.yaml]\n").encode(), library)


def test_the_number_of_files_is_bounded(library: ProfileLibrary) -> None:
    def endless(name: str) -> bytes:
        number = int(name.partition(".")[0].lstrip("f") or 0)
        head = HEAD if number == 0 else "format: buswitness-map/1\n"
        return f"{head}include: [f{number + 1}.yaml]\n".encode()

    with pytest.raises(InputError, match=f"more than {LIMIT_FILES} files"):
        load_lineup("f0.yaml", endless, library)


def test_a_missing_map_is_told(library: ProfileLibrary) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_lineup("m.yaml", {}.__getitem__, library)


def test_warnings_stand_behind_errors(library: ProfileLibrary) -> None:
    text = HEAD + "devices:\n" + device("F10", "host: 10.20.1.11") + device("F1O", "host: 10.20.1.300")
    with pytest.raises(InputError) as caught:
        load_lineup("m.yaml", lambda _: text.encode(), library)
    assert [problem.severity for problem in caught.value.problems] == ["error", "warning"]


def test_a_profile_that_does_not_load_is_told_with_the_map() -> None:
    texts = {text.name: text for text in open_library().texts_for(["meter-float"])}
    (good,) = texts.values()
    broken = type(good)(name="mine/meter-float.yaml", text="format: nonsense\n", sha256="")
    text = HEAD + "devices:\n" + device("PM1", "host: 10.20.1.300", "meter-float", "meter")
    with pytest.raises(InputError) as caught:
        load_lineup("m.yaml", lambda _: text.encode(), ProfileLibrary({"meter-float": broken}))
    assert {problem.file for problem in caught.value.problems} == {"m.yaml", "mine/meter-float.yaml"}


@pytest.mark.parametrize("text", [r'"\e[31mred"', r'"\x9b31mred"', r'"a\u202eb"', r'"a\nb"'])
def test_no_text_of_a_map_can_move_a_cursor(text: str, library: ProfileLibrary) -> None:
    """Text goes to terminals: escapes of double quotes must not bring control characters in."""
    names = ("tag", "kind", "profile", "section", "fed_from", text)
    entry = "devices:\n  - {" + ", ".join(f"{name}: {text}" for name in names) + "}\n"
    data = (HEAD.replace("Tarn Hollow Water Works", text) + f"include: [{text}]\n" + entry).encode()
    with pytest.raises(InputError) as caught:
        load_lineup("m.yaml", lambda name: {"m.yaml": data}[name], library)
    assert any(problem.field == "site" for problem in caught.value.problems)
    told = str(caught.value).replace("\n", "")
    assert all(c.isprintable() for c in told)


def test_a_record_without_a_map_is_told_so(library: ProfileLibrary) -> None:
    """Found by fuzzing: a forged head with no map texts."""
    with pytest.raises(InputError, match="carries no map"):
        lineup_from_texts((), library)
