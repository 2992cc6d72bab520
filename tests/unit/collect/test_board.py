"""When the serial numbers of a run tell another board, and the run ends itself; and when they do not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from probe.model.evidence import WRONG_BOARD, Note
from probe.model.profile import IdentityRule
from probe.model.reading import Quality


class Number:
    def decode(self, raw: bytes) -> Any:
        return int.from_bytes(raw, "big"), Quality.GOOD


def run(world: Any, kit: Any, shown: list[int], known: list[int | None], **scope: Any) -> Any:
    """An audit of so many devices, each with the serial number that it shows and that of the map."""
    points = replace(kit.point("serial", 0), decoder=Number()), kit.point("value", 300)
    profile = kit.profile_of(*points, identity=IdentityRule(points={"serial": "serial"}))
    devices = [
        {
            "tag": f"Q{n}",
            "address": {"host": f"10.0.0.{n + 1}"},
            "identity": {"serial": str(one)} if one else {},
        }
        for n, one in enumerate(known)
    ]
    for n, one in enumerate(shown):
        world.contents[f"10.0.0.{n + 1}:502"] = lambda request, _, one=one: (
            one.to_bytes(2, "big") if request.pdu[1:3] == b"\0\0" else None
        )
    return world.audit(kit.lineup_of(devices, [profile]), **scope)


@pytest.mark.parametrize(
    ("shown", "known", "ends"),
    [
        ([91, 92, 93], [1, 2, 3], True),
        ([91, 92, 93, 94, 95, 96], [1, 2, 3, 4, 5, 6], True),
        ([91, 92, 93], [1, 2, None], False),  # two cannot tell
        ([91, 92], [1, 2], False),
        ([1, 92, 93, 94], [1, 2, 3, 4], False),  # one is of this board
        ([2, 91, 92, 93], [1, 2, 3, 4], False),  # a neighbour's number is, too
        ([0, 0, 0, 0], [1, 2, 3, 4], False),  # never set
        ([1, 2, 3], [1, 2, 3], False),
    ],
)
def test_when_a_run_ends_itself(
    world: Any, kit: Any, shown: list[int], known: list[int | None], ends: bool
) -> None:
    result = run(world, kit, shown, known, dwell_s=60.0)
    notes = [one for one in world.ledger.of(Note) if one.topic == WRONG_BOARD]
    assert (not result.complete, len(notes)) == (ends, int(ends))
    assert (world.seconds < 30) is ends
    if ends:
        assert result.why_incomplete == notes[0].text
        assert "none is on the map" in notes[0].text


def test_half_of_all_must_have_told(world: Any, kit: Any) -> None:
    """Three of eight are others, the rest is silent: units may have been exchanged, so the run goes on."""
    for n in range(3, 8):
        world.behaviours[f"10.0.0.{n + 1}:502"] = lambda *_: kit.SILENT
    assert run(world, kit, [91, 92, 93], [*range(1, 9)], dwell_s=5.0).complete


def test_a_choice_of_few_devices_goes_on(world: Any, kit: Any) -> None:
    shown, known = [91, 92, 93, 94], [1, 2, 3, 4]
    assert run(world, kit, shown, known, tags=("Q0", "Q1"), left_out=("Q2", "Q3"), dwell_s=5.0).complete
