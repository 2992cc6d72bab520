"""When a witnessed device's clock is right: its whole interval within the tolerance, its ends included."""

from __future__ import annotations

import pytest

from probe.judge.limit import Interval
from probe.judge.witness.outcome import Kind
from probe.judge.witness.step_judge import _clock_kind


@pytest.mark.parametrize(
    ("low", "high", "kind"),
    [
        (-2.0, 2.0, Kind.SEEN),  # on both limits is inside
        (-2.0, -1.0, Kind.SEEN),
        (-2.1, 0.0, Kind.UNSURE),
        (0.0, 2.1, Kind.UNSURE),
        (2.0, 3.0, Kind.UNSURE),  # may stand on the limit
        (-3.0, -2.0, Kind.UNSURE),
        (2.1, 3.0, Kind.WRONG),
        (-3.0, -2.1, Kind.WRONG),
        (-3.0, 3.0, Kind.UNSURE),
    ],
)
def test_an_interval_beside_the_tolerance(low: float, high: float, kind: Kind) -> None:
    off = Interval(low, high)
    assert _clock_kind(off, 2.0, True) is kind
    opposite = {Kind.SEEN: Kind.WRONG, Kind.WRONG: Kind.SEEN}.get(kind, kind)
    assert _clock_kind(off, 2.0, False) is opposite
