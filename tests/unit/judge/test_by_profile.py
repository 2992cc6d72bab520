"""What is kept for profiles: bounded, and the newest stay."""

from dataclasses import replace

from probe.collect.inputs import open_library
from probe.judge import traits
from probe.judge.by_profile import PROFILES_KEPT, make_room
from probe.judge.traits import traits_of


def test_only_a_full_store_loses_its_oldest() -> None:
    few = {1: "a", 2: "b"}
    make_room(few)
    assert few == {1: "a", 2: "b"}
    full = dict.fromkeys(range(PROFILES_KEPT), "x")
    make_room(full)
    assert 0 not in full
    assert PROFILES_KEPT - 1 in full


def test_a_process_that_loads_the_same_profile_for_ever_stays_level() -> None:
    profile = open_library().get("meter-float")
    loaded = [replace(profile) for _ in range(2 * PROFILES_KEPT)]
    for one in loaded:
        assert traits_of(one) is traits_of(one), "worked out once"
    assert len(traits._known) <= PROFILES_KEPT
