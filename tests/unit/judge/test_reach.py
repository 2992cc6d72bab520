"""What counts as an answer of the device itself."""

from __future__ import annotations

import pytest

from probe.judge.facts import Reach
from probe.judge.reach import is_lost, reach_of
from probe.model.evidence import Exchange, Framing, Outcome, Purpose


@pytest.mark.parametrize(
    ("framing", "reach"), [(Framing.RTU, Reach.SILENT), (Framing.MBAP, Reach.MALFORMED_ONLY)]
)
def test_another_units_frame_is_no_answer_on_a_serial_line(framing: Framing, reach: Reach) -> None:
    """Under Modbus TCP the transaction id ties a reply to its request, whatever unit it names."""
    one = Exchange("F1", Purpose.POLL, framing, 0, 1, 0, 1_000_000, Outcome.WRONG_UNIT, 0, b"\x01", b"\x02")
    assert reach_of([(1, one)], []) is reach
    assert is_lost(one) is (framing is Framing.RTU)
