"""Runs in the history: each once, findings with their lives, facts with their changes, in any order."""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest
from sqlalchemy import select

from probe.history import schema
from probe.history.digest import Fact, Series
from probe.history.keep import Keeper
from probe.history.pack import SPAN
from probe.history.status import open_lives, standings
from probe.history.trend import series_in, trend
from probe.model.finding import Verdict

PASS, FAIL, REVIEW, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_TESTED
A = "clock.offset@52-F1"


def lives(history: Any) -> list[tuple[str, int, int | None, str]]:
    """Finding, day opened, day closed and last verdict of every life."""
    day = 86_400 * 10**9
    with history.reading() as connection:
        rows = connection.execute(
            select(schema.life).order_by(schema.life.c.opened_ns, schema.life.c.finding)
        )
        return [
            (r.finding, r.opened_ns // day, r.closed_ns and r.closed_ns // day, r.title.rpartition(" is ")[2])
            for r in rows
        ]


def test_a_finding_opens_lives_and_closes(history: Any, run_of: Any) -> None:
    keeper = Keeper(history)
    first = keeper.keep(run_of(1, {A: FAIL}))
    again = keeper.keep(run_of(2, {A: REVIEW}))
    last = keeper.keep(run_of(3, {A: PASS}))
    assert [life.finding for life in first.turn.opened] == [A]
    assert again.turn.opened == again.turn.closed == ()
    assert [life.verdict for life in again.turn.changed] == [REVIEW]
    assert [life.finding for life in last.turn.closed] == [A]
    keeper.keep(run_of(4, {A: FAIL}))
    assert lives(history) == [(A, 1, 3, "review"), (A, 4, None, "fail")]


@pytest.mark.parametrize(
    ("then", "untested", "closed"),
    [
        ({A: UNTESTED}, frozenset({"52-F1"}), None),
        ({A: UNTESTED}, frozenset(), None),
        ({"reach.answers@52-F1": FAIL}, frozenset({"52-F1"}), None),
        ({"reach.answers@52-F1": PASS}, frozenset(), 2),
        ({A: PASS}, frozenset(), 2),
    ],
    ids=[
        "not tested",
        "not tested although it answers",
        "gone with its device",
        "not found any more",
        "passes",
    ],
)
def test_only_a_test_closes_a_finding(
    history: Any, run_of: Any, then: Any, untested: Any, closed: int | None
) -> None:
    keeper = Keeper(history)
    keeper.keep(run_of(1, {A: FAIL}))
    keeper.keep(run_of(2, then, untested=untested))
    assert (A, 1, closed, "fail") in lives(history)


def test_the_same_record_counts_once(history: Any, run_of: Any) -> None:
    keeper = Keeper(history)
    assert keeper.keep(run_of(1, {A: FAIL})).is_new
    assert not keeper.keep(run_of(1, {A: FAIL})).is_new
    assert not Keeper(history).keep(run_of(1, {A: FAIL})).is_new
    assert [one.fails for one in standings(history)] == [1]


def test_facts_change_and_what_a_run_does_not_tell_has_not_changed(history: Any, run_of: Any) -> None:
    firmware, serial = Fact("identity", "52-F1", "firmware"), Fact("identity", "52-F1", "serial")
    keeper = Keeper(history)
    keeper.keep(run_of(1, {}, facts={firmware: "1.0", serial: "7"}))
    assert keeper.keep(run_of(2, {}, facts={})).changes == ()
    assert keeper.keep(run_of(3, {}, facts={firmware: "1.0", serial: "7"})).changes == ()
    (change,) = keeper.keep(run_of(4, {}, facts={firmware: "1.1", serial: "7"})).changes
    assert (change.fact, change.before, change.after) == (firmware, "1.0", "1.1")


def derived(history: Any) -> list[Any]:
    """All that follows from the runs, without ids that tell only the order of arrival."""
    with history.reading() as connection:
        codes = dict(connection.execute(select(schema.run.c.id, schema.run.c.code)).all())
        changes = [
            (codes[r.run_id], r.at_ns, r.kind, r.subject, r.name, r.before, r.after)
            for r in connection.execute(select(schema.change))
        ]
        spans = connection.execute(
            select(schema.span.c.first_ns, schema.span.c.last_ns).order_by(schema.span.c.first_ns)
        ).all()
        state = connection.execute(
            select(schema.lineup.c.latest_ns, schema.lineup.c.loose, schema.lineup.c.spanned_ns)
        ).all()
    (standing,) = standings(history)
    trends = [
        (one.subject, one.name, trend(history, standing.lineup_id, one))
        for one in series_in(history, standing.lineup_id)
    ]
    return [lives(history), sorted(changes, key=repr), list(spans), list(state), trends]


def many_runs(run_of: Any, count: int) -> list[Any]:
    rng = random.Random(7)
    findings = [f"check.{n}@52-F{device}" for n in range(3) for device in range(4)]
    runs = []
    for day in range(1, count + 1):
        said = {
            one: rng.choice([PASS, PASS, FAIL, REVIEW, UNTESTED]) for one in findings if rng.random() < 0.9
        }
        silent = frozenset(rng.sample(["52-F0", "52-F1", "52-F2"], k=rng.randrange(2)))
        numbers = {
            Series("52-F0", "clock offset", "s"): day / 8,
            Series("52-F1", "load", "A"): float(day % 3),
        }
        if day % 5 == 0:
            del numbers[Series("52-F0", "clock offset", "s")]
        facts = {Fact("identity", "52-F0", "firmware"): f"1.{day // 10}"}
        runs.append(run_of(day, said, numbers=numbers, facts=facts, untested=silent))
    return runs


@pytest.mark.parametrize("order", ["shuffled", "backwards", "the first one last"])
def test_importing_in_any_order_is_living_through_it(
    history: Any, run_of: Any, tmp_path: Any, order: str
) -> None:
    from probe.history.store import open_history

    runs = many_runs(run_of, 2 * SPAN + 9)
    keeper = Keeper(history)
    for one in runs:
        keeper.keep(one)
    mixed = list(runs)
    if order == "shuffled":
        random.Random(3).shuffle(mixed)
    elif order == "backwards":
        mixed = mixed[::-1]
    else:
        mixed = [*mixed[1:], mixed[0]]
    other = open_history(str(tmp_path / "other.sqlite"))
    Keeper(other).keep_all(mixed)
    assert derived(other) == derived(history)
    other.close()


def test_a_trend_is_what_the_runs_said_across_chunks_and_loose_runs(history: Any, run_of: Any) -> None:
    runs = many_runs(run_of, 3 * SPAN + 5)
    Keeper(history).keep_all(runs)
    (standing,) = standings(history)
    for one in series_in(history, standing.lineup_id):
        key = Series(one.subject, one.name, one.unit)
        expected = [
            (run.started_ns, (run.numbers if one.is_number else run.verdicts)[key])
            for run in runs
            if key in (run.numbers if one.is_number else run.verdicts)
        ]
        assert trend(history, standing.lineup_id, one) == tuple(expected)
        first, last = expected[3][0], expected[-3][0]
        assert trend(history, standing.lineup_id, one, since_ns=first, until_ns=last) == tuple(expected[3:-2])


def test_lineups_do_not_see_each_other(history: Any, run_of: Any) -> None:
    keeper = Keeper(history)
    keeper.keep(run_of(1, {A: FAIL}, lineup="MSB-1"))
    keeper.keep(run_of(2, {A: PASS}, lineup="MSB-2"))
    one, two = standings(history)
    assert (one.fails, two.fails) == (1, 0)
    assert [life.finding for life in open_lives(history, one.lineup_id)] == [A]
    assert open_lives(history, two.lineup_id) == ()


def test_two_runs_that_began_at_one_instant_are_both_kept(history: Any, run_of: Any) -> None:
    keeper = Keeper(history)
    for day, copy in itertools.product(range(1, 2 * SPAN + 3), ("x", "y")):
        keeper.keep(run_of(day, {A: PASS}, code=f"{day}{copy}"))
    (standing,) = standings(history)
    (series,) = series_in(history, standing.lineup_id)
    assert len(trend(history, standing.lineup_id, series)) == 2 * (2 * SPAN + 2)
