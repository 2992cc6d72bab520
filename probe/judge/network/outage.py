"""How long replies stayed out: from fast questions to an interval, never to a single instant.

Questions go out every so often, so that an outage is known only between two bounds. Between two answered
questions A and B it lasted at most from the answer to A to the answer to B; it lasted at least from the
sending of the first lost question to the sending of the last. An answer that came late was out at least for
as long as it took beyond the slowest answer before the link was touched.

Source: own reasoning on RFC 2681 (a lost answer has no reply time; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from probe.judge.limit import Interval
from probe.model.failover_evidence import Beat

Numbered = tuple[int, Beat]
_SECOND = 1e9
#: Beside the slowest answer before: what two readings of a busy computer's clock may lie apart.
_SLACK_NS = 20_000_000


class Outage(NamedTuple):
    """The longest silence of one device in a stretch of time.

    seconds: bounds of its length. lost: questions without an answer in it. is_over: False if no answer came
    until the end, then ``seconds.high`` is infinite. lines: of the record.
    """

    seconds: Interval
    lost: int
    is_over: bool
    lines: tuple[int, ...]


class Usual(NamedTuple):
    """How a device answered before the link was touched."""

    answered: int
    asked: int
    slowest_ns: int


def usual(beats: Sequence[Numbered]) -> Usual:
    """How the questions before the link was touched were answered."""
    good = [beat for _, beat in beats if beat.answered]
    slowest = max((beat.received_ns - beat.sent_ns for beat in good), default=0)
    return Usual(len(good), len(beats), slowest)


def longest_outage(beats: Sequence[Numbered], before: Usual, start_ns: int, end_ns: int) -> Outage | None:
    """The longest outage among the questions sent in a stretch of time; None if nothing was asked in it.

    beats: in the order in which they were sent, those before the stretch included (the last answer before it
    bounds an outage at its beginning).
    """
    inside = [item for item in beats if start_ns <= item[1].sent_ns < end_ns]
    if not inside:
        return None
    earlier = [item for item in beats if item[1].sent_ns < start_ns and item[1].answered]
    worst = Outage(Interval(0.0, 0.0), 0, True, ())
    last: Numbered | None = earlier[-1] if earlier else None
    lost: list[Numbered] = []
    for item in inside:
        if not item[1].answered:
            lost.append(item)
            continue
        worst = _worse(worst, _between(last, lost, item, before))
        last, lost = item, []
    return _worse(worst, _open(last, lost)) if lost else worst


def _between(last: Numbered | None, lost: list[Numbered], item: Numbered, before: Usual) -> Outage:
    """The silence that an answer ends."""
    beat = item[1]
    began_ns = last[1].received_ns if last is not None else (lost[0][1].sent_ns if lost else beat.sent_ns)
    late_ns = max(0, beat.received_ns - beat.sent_ns - before.slowest_ns - _SLACK_NS)
    low_ns = lost[-1][1].sent_ns - lost[0][1].sent_ns if lost else 0
    if lost and late_ns:
        low_ns = max(low_ns, beat.sent_ns - lost[0][1].sent_ns)
    low_ns = max(low_ns, late_ns)
    lines = tuple(number for number, _ in (*((last,) if last else ()), *lost[:1], *lost[-1:], item))
    return Outage(
        Interval(low_ns / _SECOND, max(low_ns, beat.received_ns - began_ns) / _SECOND),
        len(lost),
        True,
        tuple(sorted(set(lines))),
    )


def _open(last: Numbered | None, lost: list[Numbered]) -> Outage:
    """A silence that nothing ended."""
    low_ns = lost[-1][1].sent_ns - lost[0][1].sent_ns
    lines = {number for number, _ in (*((last,) if last else ()), lost[0], lost[-1])}
    return Outage(Interval(low_ns / _SECOND, float("inf")), len(lost), False, tuple(sorted(lines)))


def _worse(one: Outage, other: Outage) -> Outage:
    return max(one, other, key=lambda outage: (outage.seconds.low, outage.lost, outage.seconds.high))
