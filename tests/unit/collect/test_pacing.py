"""Budgets and back-off are arithmetic on times that are given."""

from __future__ import annotations

import pytest

from probe.collect.pacing import SECOND_NS, ConnectBudget, Pacing, RequestBudget


def test_the_first_connect_is_free_the_next_waits() -> None:
    budget = ConnectBudget(Pacing())
    assert budget.due_ns() == 0
    budget.connected(5 * SECOND_NS)
    assert budget.due_ns() == 7 * SECOND_NS


def test_only_a_valid_reply_resets_and_even_then_a_second_passes() -> None:
    budget = ConnectBudget(Pacing())
    budget.connected(0)
    budget.answered()
    assert budget.due_ns() == SECOND_NS


def test_the_hard_cap_counts_only_what_no_reply_has_redeemed() -> None:
    budget = ConnectBudget(Pacing(connect_interval_s=0.1, connects_a_minute=3))
    for at in (0, 1, 2):
        budget.connected(at * SECOND_NS)
    assert budget.due_ns() == 60 * SECOND_NS
    budget.answered()
    assert budget.due_ns() == 3 * SECOND_NS


def test_back_off_doubles_up_to_its_cap() -> None:
    pacing = Pacing(backoff_s=0.25, backoff_cap_s=2.0)
    assert [pacing.backoff_ns(n) / SECOND_NS for n in range(1, 6)] == [0.25, 0.5, 1.0, 2.0, 2.0]
    assert pacing.backoff_ns(1, 5.0) / SECOND_NS == 5.0, "a type's own longer wait is no less for the cap"


@pytest.mark.parametrize("burst", [1, 5])
def test_tokens_come_at_the_rate_with_bursts_as_allowed(burst: int) -> None:
    budget = RequestBudget(10, burst=burst)
    start = 100 * SECOND_NS
    times = [budget.reserve(start) for _ in range(20)]
    assert times[:burst] == [start] * burst
    assert times[-1] == start + (20 - burst) * SECOND_NS // 10
    assert budget.reserve(1000 * SECOND_NS) == 1000 * SECOND_NS, "unused time is not saved up beyond a burst"
