"""The wall time of a witnessed run, and what a step needs before it begins. Common practice, no source."""

from __future__ import annotations

import json
from typing import Any

import pytest

from probe.collect.inputs import open_library
from probe.judge.witness.plan import WitnessPlan
from probe.judge.witness.watch import Watch, own_tags
from probe.model.device_map import DeviceMap
from probe.model.evidence import Anchor
from probe.model.lineup import Lineup, SourceText
from probe.model.scope import Scope

SECOND = 1_000_000_000
STEP = {
    "id": "open", "title": "{tag}: open", "act": "open", "do": "Press OPEN.",
    "before": [{"see": "breaker", "is": ["closed", "tripped"]}],
    "expect": [{"see": "breaker", "becomes": "open"}],
}  # fmt: skip


def watch_of(for_each: str = "trip-unit", **step: Any) -> Watch:
    devices = [
        {
            "tag": tag, "kind": kind, "profile": profile, "section": "A",
            "address": {"host": f"127.0.0.{number}"},
        }
        for number, (tag, kind, profile) in enumerate(
            (("F1", "trip-unit", "trip-unit-second"), ("MC-1", "master", "master-controller")), 1
        )
    ]  # fmt: skip
    drawn = DeviceMap.model_validate({
        "format": "buswitness-map/1", "site": "Tarn Hollow Water Works", "lineup": "MSB-1",
        "system": {"voltage_v": 480, "frequency_hz": 60}, "devices": devices,
    })  # fmt: skip
    told = {
        "name": "trial", "title": "Trial", "purpose": "A test.", "for_each": for_each,
        "steps": [{**STEP, **step}],
    }  # fmt: skip
    text = "format: buswitness-procedure/1\n" + "".join(f"{k}: {json.dumps(v)}\n" for k, v in told.items())
    library = open_library()
    lineup = Lineup(
        map=drawn,
        profiles={name: library.get(name) for name in ("trip-unit-second", "master-controller")},
        map_texts=(),
        profile_texts=(),
        sheet_texts=(SourceText(name="trial.yaml", text=text, sha256=""),),
    )
    return Watch(WitnessPlan(lineup, Scope(tags=("F1", "MC-1"), sheets=("trial",))))


def test_wall_time_is_that_of_the_anchor_before() -> None:
    watch = watch_of()
    assert watch.wall_s(5 * SECOND) is None
    for number, (at, wall) in enumerate(((10, 1000), (20, 1015)), 1):  # the clock was set between
        watch.take(number, Anchor(at * SECOND, wall * SECOND))
    assert [watch.wall_s(at * SECOND) for at in (5, 10, 19, 20, 21)] == [995, 1000, 1009, 1015, 1016]


def test_what_does_not_stand_as_the_step_needs_it_is_named() -> None:
    watch = watch_of()
    (item,) = watch.plan.items
    (unread,) = watch.unmet(item)
    assert unread == "F1 breaker: not read yet, must be closed or tripped"
    signal = watch.plan.signal(item, "breaker")
    watch.tracks["F1"].current[signal] = "open"
    assert watch.unmet(item) == ("F1 breaker: open, must be closed or tripped",)
    watch.tracks["F1"].current[signal] = "tripped"
    assert watch.unmet(item) == ()


@pytest.mark.parametrize(
    ("for_each", "abouts", "tags"),
    [
        ("trip-unit", ["F1"], [("F1",)]),
        ("master", ["MC-1"], [("MC-1",)]),
        ("lineup", [""], [("F1", "MC-1")]),
        ("bus", ["bus A", "bus B"], [("F1",), ("F1",)]),
    ],
)
def test_whom_a_step_is_about(for_each: str, abouts: list[str], tags: list[tuple[str, ...]]) -> None:
    watch = watch_of(for_each)
    items = watch.plan.items
    assert [item.about for item in items] == abouts
    assert [own_tags(watch.plan, item) for item in items] == tags
    names = {"F1": "F1", "MC-1": "MC-1"}
    assert [item.subject for item in items] == [names.get(about, "lineup") for about in abouts]
    assert [watch.plan.find(*item.key) for item in items] == list(items)
    assert watch.plan.find("trial", "close", "F1") is None


def test_cautions_are_those_of_the_act_and_of_the_step() -> None:
    watch = watch_of(cautions=["Mind {tag}.", "And the door."])
    (item,) = watch.plan.items
    told = watch.cautions(item)
    assert [caution.id for caution in told][-2:] == ["own-1", "own-2"]
    assert told[-2].text == "Mind F1."
    assert len(told) > 2
