"""Each procedure that comes with the tool, done right at the practice lineup: every step is seen."""

from __future__ import annotations

from typing import Any

import pytest

from probe.collect.procedures import bundled_names, bundled_procedures
from probe.judge.witness.outcome import Kind
from probe.model.finding import Verdict
from probe.practice.crew import Mood
from probe.present.keys import ENTER
from probe.present.witness.view import Stage

#: What each needs: devices, on which of them somebody acts.
NEEDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "accounts": (("MC-1",), ()),
    "alarm-annunciation": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "bus-communication": (("MC-1", "52-F1", "52-F2"), ()),
    "clock-from-master": (("MC-1", "52-F1"), ("52-F1",)),
    "cold-start": (("MC-1", "52-F1", "SW-1"), ()),
    "control-power": (("MC-1", "UPS-1"), ("UPS-1",)),
    "device-communication": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "event-log": (("MC-1", "52-F1"), ("52-F1",)),
    "link-loss": (("MC-1", "SW-1"), ("SW-1",)),
    "maintenance-mode": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "open-close-local": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "open-close-remote": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "position": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "trip-annunciation": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
    "which-cubicle": (("MC-1", "52-F1", "52-F2"), ("52-F1",)),
}
#: Longer than the others take to be seen: silence is known after two time-outs.
SLOW_S = {"device-communication": 9.0, "cold-start": 9.0, "bus-communication": 2.5, "control-power": 3.5}


def test_every_procedure_is_tried() -> None:
    assert set(bundled_names()) == set(NEEDS)


@pytest.mark.parametrize("name", sorted(NEEDS))
async def test_done_right_it_passes(name: str, rig: Any) -> None:
    tags, only = NEEDS[name]
    text = (bundled_procedures() / f"{name}.yaml").read_text("utf-8")
    async with rig(*tags) as up:
        hand = up.hand()
        if name == "position":
            hand.do("open", "52-F1")
        values = ("discharge=2 s",) if name == "control-power" else ()
        stand = up.stand(text, *only, values=values)
        script = {Stage.TYPE: ["x", ENTER] * 40}
        run, done = await up.lead(stand, Mood.RIGHT, script, wait_s=SLOW_S.get(name, 0.8))
        assert done
        assert run.watch.outcomes
        for outcome in run.watch.outcomes.values():
            wrong = [o for o in outcome.outcomes if o.kind is not Kind.SEEN]
            assert not wrong, (outcome.item.step.id, wrong)
            assert not outcome.elsewhere, (outcome.item.step.id, outcome.elsewhere)
            bad = [s for s in outcome.said if s.verdict is Verdict.FAIL]
            assert not bad or name == "accounts", bad
