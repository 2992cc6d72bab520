"""Requests with instants of their own: room for them, missed ones, two at once."""

from __future__ import annotations

import math

from probe.collect.appointments import Appointments
from probe.collect.turn import Aimed
from probe.model.evidence import Purpose
from probe.wire.link import Request

MS = 1_000_000
SECOND = 1_000_000_000
REQUEST = Request("Q1", Purpose.CLOCK, 0, 1, 1, b"", 1.0)


def each_second(slack_ns: int = MS) -> Aimed:
    """A request that is good at full seconds only."""
    return Aimed(REQUEST, lambda earliest: math.ceil(earliest / SECOND) * SECOND, slack_ns)


def test_a_usual_request_goes_only_if_it_will_be_over_in_time() -> None:
    book: Appointments[str] = Appointments(gap_ns=10 * MS)
    book.measured(20 * MS)
    assert book.leaves_room(0), "nobody has an appointment"
    book.book("a", each_second(), 1)
    assert book.leaves_room(SECOND - 29 * MS), "a millisecond of slack"
    assert not book.leaves_room(SECOND - 28 * MS)


def test_the_longest_of_the_recent_answers_counts() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    for took_ms in (20, 70, 40):
        book.measured(took_ms * MS)
    assert book.cost_ns() == 70 * MS
    for _ in range(16):
        book.measured(5 * MS)
    assert book.cost_ns() == 5 * MS


def test_the_appointment_is_kept_at_its_time() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    aimed = each_second()
    book.book("a", aimed, 1)
    assert book.next_ns == SECOND
    assert book.take(SECOND + MS) == ("a", aimed)
    assert not book


def test_a_missed_one_is_made_anew() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    book.book("a", each_second(), 1)
    assert book.take(SECOND + 2 * MS) is None
    assert book.next_ns == 2 * SECOND


def test_what_may_be_late_is_asked_late() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    aimed = each_second(slack_ns=100 * MS)
    book.book("a", aimed, 1)
    assert book.take(SECOND + 90 * MS) == ("a", aimed)


def test_two_at_one_instant_are_moved_apart_and_nobody_starves() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    book.measured(50 * MS)
    for name in "abc":
        book.book(name, each_second(), 1)
    taken = []
    while book:
        at_ns = book.next_ns
        found = book.take(at_ns)
        assert found is not None
        taken.append((found[0], at_ns // SECOND))
    assert taken == [("a", 1), ("b", 2), ("c", 3)]


def test_those_that_bear_waiting_stay_together() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    book.measured(50 * MS)
    book.book("a", each_second(60 * MS), 1)
    book.book("b", each_second(60 * MS), 1)
    assert book.take(SECOND) is not None
    assert book.next_ns == SECOND


def test_clearing_tells_who_waited() -> None:
    book: Appointments[str] = Appointments(gap_ns=0)
    book.book("a", each_second(), 1)
    assert book.clear() == ["a"]
    assert not book
