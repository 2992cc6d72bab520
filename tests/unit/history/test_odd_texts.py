"""Texts that no database may choke on: a device can send any sign, and a forger any time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from probe.history.digest import Fact
from probe.history.keep import Keeper
from probe.history.status import open_lives, standings
from probe.history.store import History
from probe.model.errors import InputError
from probe.model.finding import Verdict


def test_signs_of_a_hostile_device_are_kept(history: History, run_of: Any) -> None:
    """NUL stands in no text of PostgreSQL; the run is kept all the same."""
    odd = "a\0b\x1b\ufffe"
    keeper = Keeper(history)
    for day, said in ((1, odd), (2, odd + "2")):
        digest = run_of(
            day,
            {f"alarms.present@52-F1#{said}": Verdict.FAIL},
            facts={Fact("identity", "52-F1", "serial"): said},
        )
        assert keeper.keep(digest).is_new
    (standing,) = standings(history)
    assert standing.fails == 1
    assert open_lives(history, standing.lineup_id)


@pytest.mark.parametrize("at_ns", [-1, 1 << 63, 10**25])
def test_a_time_that_no_database_holds_is_refused(history: History, run_of: Any, at_ns: int) -> None:
    for times in ({"started_ns": at_ns}, {"finished_ns": at_ns}):
        with pytest.raises(InputError, match="the record's time is none"):
            Keeper(history).keep(replace(run_of(1, {}), **times))
    assert standings(history) == ()
