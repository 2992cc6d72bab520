"""One wrong map a rule, with the exact message expected; one good map.

``maps/NAME.yaml`` is the map, ``maps/NAME.txt`` the text of all its problems. After a wanted change of a
message: ``python tests/inputs/test_wrong_maps.py`` writes the texts again; read the difference.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.model.errors import InputError, Problem
from probe.model.map_load import load_lineup
from probe.model.profile_load import ProfileLibrary

MAPS = Path(__file__).parent / "maps"
NAMES = sorted(path.stem for path in MAPS.glob("*.yaml"))

#: Maps that load; their text holds warnings only.
LOAD = {
    "good",
    "overlapping_subnets",
    "study_of_some",
    "shared_host",
    "host_of_gateway",
    "tolerance_below_resolution",
    "reply_limit_out_of_reach",
    "tags_capitals",
    "tags_lookalike",
    "tags_one_letter",
    "tags_lone_figure",
    "not_the_approved",
}


#: A library that stays as it is, so that a new profile changes no message here.
PROFILES = ("master-controller", "meter-float", "serial-gateway", "trip-unit-first", "trip-unit-second")


def small_library() -> ProfileLibrary:
    return ProfileLibrary({name: open_library().texts_for([name])[0] for name in PROFILES})


@pytest.fixture(scope="module")
def library() -> ProfileLibrary:
    return small_library()


def problems_of(name: str, library: ProfileLibrary) -> tuple[bool, tuple[Problem, ...]]:
    """Whether the map loads, and its problems; file names as in ``maps``."""

    def read(file: str) -> bytes:
        return (MAPS / file).read_bytes()

    try:
        _, warnings = load_lineup(f"{name}.yaml", read, library, exists=lambda f: (MAPS / f).is_file())
    except InputError as error:
        return False, error.problems
    return True, warnings


def text_of(problems: tuple[Problem, ...]) -> str:
    return "".join(f"{problem}\n" for problem in problems)


@pytest.mark.parametrize("name", NAMES)
def test_each_wrong_map_is_told_in_these_words(name: str, library: ProfileLibrary) -> None:
    loads, problems = problems_of(name, library)
    assert loads == (name in LOAD)
    assert text_of(problems) == (MAPS / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_each_problem_has_a_place_and_plain_words(name: str, library: ProfileLibrary) -> None:
    _, problems = problems_of(name, library)
    for problem in problems:
        assert "pydantic" not in str(problem)
        assert "Input should" not in problem.what
        assert problem.line > 0 or "UTF-16" in problem.what or "binary" in problem.what


def test_the_good_map_has_no_problem(library: ProfileLibrary) -> None:
    assert problems_of("good", library) == (True, ())


if __name__ == "__main__":
    everything = small_library()
    for each in NAMES:
        target = MAPS / f"{each}.txt"
        target.write_text(text_of(problems_of(each, everything)[1]), encoding="utf-8", newline="\n")
