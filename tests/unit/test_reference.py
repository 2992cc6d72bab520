"""Samples of a reference clock: what an answer says, which sample is best, the laptop's own clock."""

from __future__ import annotations

from probe.model.evidence import ReferenceSample
from probe.wire.reference import best, read_laptop, sample_of
from probe.wire.sync_state import UNKNOWN, SyncState, state_of, sync_state
from probe.wire.system_clock import SystemClock, wall_step_ns


def sample(width: int, *, usable: bool = True) -> ReferenceSample:
    return ReferenceSample("ntp x", 0, width, -width, width, usable, "" if usable else "why", b"")


def test_best_is_the_narrowest_usable_one_and_the_last_if_none_is():
    assert best([sample(9), sample(3), sample(1, usable=False), sample(5)]) == sample(3)
    bad = [sample(1, usable=False), sample(2, usable=False)]
    assert best(bad) == bad[1]


def test_short_answer_is_kept_with_its_reason():
    found = sample_of("ntp x", b"abc", 1, 10, 20, 30)
    assert (found.usable, found.data, found.sent_ns, found.received_ns) == (False, b"abc", 10, 20)
    assert "3 bytes" in found.reason


def test_laptop_says_how_far_it_may_be_trusted():
    clock = SystemClock()
    step = wall_step_ns()
    good = read_laptop(clock, SyncState(known=True, synchronised=True, error_ns=5_000))
    assert (good.low_ns, good.high_ns, good.usable, good.reason) == (-5_000 - step, 5_000 + step, True, "")
    unknown = read_laptop(clock, UNKNOWN)
    assert unknown.usable
    assert "does not tell" in unknown.reason
    loose = read_laptop(clock, SyncState(known=True, synchronised=False, error_ns=0))
    assert not loose.usable
    assert "not synchronised" in loose.reason
    assert isinstance(read_laptop(clock).usable, bool)


def test_state_of_the_kernels_clock():
    """adjtimex(2), Linux man-pages: result 5 is TIME_ERROR, status bit 0x40 STA_UNSYNC, maxerror in us."""
    assert state_of(-1, 0, 0) == UNKNOWN
    assert state_of(0, 0x2001, 1234) == SyncState(known=True, synchronised=True, error_ns=1_234_000)
    assert not state_of(5, 0x40, 16_000_000).synchronised
    assert not state_of(0, 0x40, 10).synchronised
    assert isinstance(sync_state(), SyncState)
