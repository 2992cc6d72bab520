"""Whether an exchange waited through a moment in which this computer was held up: their times touch."""

from __future__ import annotations

import pytest

from probe.judge.held_up import stall_of
from probe.model.evidence import Exchange, Framing, Note, Outcome, Purpose


def exchange(sent_ns: int, received_ns: int) -> Exchange:
    return Exchange("F1", Purpose.POLL, Framing.MBAP, 0, 1, sent_ns, received_ns, Outcome.DATA, 0, b"", b"")


@pytest.mark.parametrize(
    ("sent", "received", "found"),
    [
        (10, 20, 0),  # over before it began
        (10, 30, 7),  # came just as it began
        (35, 38, 7),  # wholly within
        (10, 90, 7),  # from before it until after it
        (40, 90, 7),  # sent just as it ended
        (41, 90, 0),  # sent when it was over
    ],
)
def test_a_stall_from_30_to_40(sent: int, received: int, found: int) -> None:
    stalls = [(7, Note(40, "stalled", "held up", 30))]
    assert stall_of(exchange(sent, received), stalls) == found


def test_of_several_the_first_is_named() -> None:
    stalls = [(7, Note(40, "stalled", "", 30)), (8, Note(60, "stalled", "", 50))]
    assert stall_of(exchange(55, 58), stalls) == 8
    assert stall_of(exchange(35, 58), stalls) == 7
    assert stall_of(exchange(70, 80), stalls) == 0


def test_a_note_without_a_beginning_is_a_moment() -> None:
    stalls = [(7, Note(40, "stalled", ""))]
    assert stall_of(exchange(30, 50), stalls) == 7
    assert stall_of(exchange(30, 39), stalls) == 0
