"""Agents and their centre over a real PostgreSQL: each start once, whatever happens on the way."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from probe.history.slot_book import SlotState, latest
from probe.history.status import standings
from probe.history.store import History
from probe.model.errors import InputError
from probe.sweep import agent as agent_module
from probe.sweep import link as link_module
from probe.sweep.agent import Agent
from probe.sweep.agent_roles import role_of, roles_sql
from probe.sweep.centre import Centre
from probe.sweep.cycle import Cycle
from probe.sweep.journal import OVER, Entry, Journal
from probe.sweep.place import FleetPlace, open_fleet

BOUND_S = 180.0
MINUTE_NS = 60 * 10**9
NOW_NS = time.time_ns() // MINUTE_NS * MINUTE_NS

MAP = """format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60, wiring: wye}
devices:
  - {tag: MTR-1, kind: meter, profile: meter-float, section: "1", address: {host: 127.0.0.1, port: PORT}}
"""


class Fleet:
    """A fleet with one site, tarn, whose only device refuses every connection: a run of a second."""

    def __init__(self, folder: Path, server: Any) -> None:
        self.server = server
        self.database = server.new_database()
        with socket.socket() as closed:
            closed.bind(("127.0.0.1", 0))
            port = closed.getsockname()[1]
        (folder / "map.yaml").write_text(MAP.replace("PORT", str(port)))
        self.file = folder / "fleet.yaml"
        self.write(server.url(self.database))
        self.place: FleetPlace = open_fleet(self.file)
        self.history: History = self.place.open_history()
        self.centre = Centre(self.place, self.history)
        self.sweep = self.place.sweep("msb-1")
        server.sql(roles_sql(["tarn", "moor"]), database=self.database)

    def write(self, address: str) -> None:
        """The fleet file, with this address of its history."""
        self.file.write_text(
            f"format: buswitness-fleet/1\nhistory: {address}\nagents_ask: 1s\nsweeps:\n"
            "  - {name: msb-1, map: map.yaml, at: '*/10 * * * *', quick: yes, agent: tarn}\n"
        )

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """What the owner sees."""
        with self.history.writing() as connection:
            told = connection.execute(text(statement))
            return [tuple(row) for row in told] if told.returns_rows else []

    def taken_until(self, condition: Callable[[], bool], what: str) -> None:
        """Take in what is delivered until the condition holds."""
        end = time.monotonic() + BOUND_S
        while not condition():
            assert time.monotonic() < end, f"{what}: not within {BOUND_S} s; {self.rows('TABLE delivery')}"
            list(self.centre.take_in())
            time.sleep(0.1)

    def states(self) -> list[SlotState]:
        """What became of the starts, the latest first."""
        return [one.state for one in latest(self.history, "msb-1")]

    def runs(self) -> list[tuple[str, int]]:
        """Code and start of every run in the history, in their order."""
        return [(row[0], row[1]) for row in self.rows("SELECT code, started_ns FROM run ORDER BY started_ns")]


@pytest.fixture
def fleet(tmp_path: Path, postgres: Any) -> Iterator[Fleet]:
    made = Fleet(tmp_path, postgres)
    yield made
    made.history.close()


@contextmanager
def agent_of(place: FleetPlace, **how: Any) -> Iterator[Agent]:
    """An agent of tarn at work."""
    stop = threading.Event()
    agent = Agent(place, "tarn", stop=stop.is_set, **how)
    thread = threading.Thread(target=agent.run)
    thread.start()
    try:
        yield agent
    finally:
        stop.set()
        thread.join(BOUND_S)
        assert not thread.is_alive()


def test_a_start_is_asked_made_and_kept_once(fleet: Fleet) -> None:
    assert fleet.centre.ask(fleet.sweep, NOW_NS)
    assert not fleet.centre.ask(fleet.sweep, NOW_NS)
    assert fleet.states() == [SlotState.QUEUED]
    with agent_of(fleet.place) as agent:
        fleet.taken_until(lambda: fleet.states() == [SlotState.DONE], "the start")
        fleet.taken_until(lambda: not list(agent.journal.entries()), "the journal is empty")
    (booked,) = latest(fleet.history, "msb-1")
    (standing,) = standings(fleet.history)
    assert (standing.code, standing.place, booked.exit_code) == (booked.code, "tarn", 1)
    assert fleet.rows("SELECT status::text FROM procrastinate_jobs") == [("succeeded",)]
    assert fleet.rows("SELECT count(*) FROM piece") == [(0,)]
    assert fleet.rows("SELECT count(*) FROM procrastinate_workers") == [(0,)]
    assert len(list(fleet.place.records().all())) == 1


def test_the_watch_asks_by_its_time_table_and_tells_of_what_comes_back(fleet: Fleet) -> None:
    at = datetime(2026, 11, 20, 12, 5, tzinfo=UTC)
    told: list[tuple[str, SlotState]] = []
    cycle = Cycle(
        fleet.place,
        fleet.history,
        heard=lambda sweep, outcome: told.append((sweep.name, outcome.state)),
        now=lambda: at,
    )
    assert cycle.run_due() == []
    at += timedelta(minutes=4)
    assert cycle.run_due() == []
    at += timedelta(minutes=2)
    cycle.run_due()
    cycle.run_due()
    asked, known = latest(fleet.history, "msb-1")
    assert (asked.state, known.state) == (SlotState.QUEUED, SlotState.KNOWN)
    assert asked.due_ns == int(datetime(2026, 11, 20, 12, 10, tzinfo=UTC).timestamp()) * 10**9
    assert told == []
    with agent_of(fleet.place):
        end = time.monotonic() + BOUND_S
        while not told:
            assert time.monotonic() < end
            cycle.run_due()
            time.sleep(0.1)
    assert told == [("msb-1", SlotState.DONE)]
    assert cycle.run_now(fleet.sweep).state is SlotState.QUEUED
    at += timedelta(minutes=10)
    cycle.run_due()  # the start of before was not come for
    assert told[1:] == [("msb-1", SlotState.MISSED)]


def test_a_job_whose_handing_out_was_lost_is_made_and_a_repeated_delivery_changes_nothing(
    fleet: Fleet,
) -> None:
    fleet.centre.ask(fleet.sweep, NOW_NS)
    fleet.rows("SELECT procrastinate_fetch_job_v2(NULL, NULL)")  # the answer never arrives
    assert fleet.rows("SELECT status::text FROM procrastinate_jobs") == [("doing",)]
    with agent_of(fleet.place) as agent:
        fleet.taken_until(lambda: fleet.states() == [SlotState.DONE], "the start")
        fleet.taken_until(lambda: not list(agent.journal.entries()), "the journal is empty")
    runs = fleet.runs()
    record = next(fleet.place.records().all())
    journal = Journal(fleet.place.folder / ".agent" / "tarn")  # as if the acknowledgement had been lost
    entry = journal.write(Entry("msb-1", NOW_NS, 1, NOW_NS, stage=OVER, state="done", exit_code=1))
    journal.record(entry).write_bytes(record.read_bytes())
    with agent_of(fleet.place):
        fleet.taken_until(lambda: not list(journal.entries()), "the journal is empty")
    assert fleet.runs() == runs
    assert fleet.rows("SELECT count(*) FROM piece") == [(0,)]


def test_an_older_agent_refuses_a_newer_job_plainly_and_a_newer_agent_makes_it(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    fleet.centre.ask(fleet.sweep, NOW_NS, form=2)
    with agent_of(fleet.place):
        fleet.taken_until(lambda: any(one.trouble for one in fleet.centre.agents()), "the refusal")
    (seen,) = fleet.centre.agents()
    assert "form 2 was refused" in seen.trouble
    assert fleet.states() == [SlotState.QUEUED]
    assert fleet.rows("SELECT status::text FROM procrastinate_jobs") == [("todo",)]
    for module in (agent_module, link_module):
        monkeypatch.setattr(module, "FORM", 2)
    with agent_of(fleet.place):
        fleet.taken_until(
            lambda: fleet.rows("SELECT form, taken FROM delivery") == [(2, False)], "the delivery"
        )
        list(fleet.centre.take_in())
    assert "delivered by a newer agent" in caplog.text
    assert fleet.states() == [SlotState.QUEUED]  # kept for a centre that reads it
    monkeypatch.setattr("probe.sweep.centre.FORM", 2)
    list(fleet.centre.take_in())
    assert fleet.states() == [SlotState.DONE]
    assert len(fleet.runs()) == 1


def test_jobs_that_nobody_comes_for_and_runs_of_a_dead_agent_are_booked_and_a_late_result_counts(
    fleet: Fleet,
) -> None:
    older, old, new = (NOW_NS + one * MINUTE_NS for one in range(3))
    at = datetime.fromtimestamp(new / 1e9, UTC)
    for due_ns in (older, old, new):
        fleet.centre.ask(fleet.sweep, due_ns)
    fleet.rows("SELECT procrastinate_fetch_job_v2(NULL, NULL)")  # an agent has the first
    fleet.centre.tidy(at)
    assert fleet.states() == [SlotState.QUEUED, SlotState.MISSED, SlotState.QUEUED]
    fleet.centre.tidy(at + timedelta(days=1))
    assert fleet.states() == [SlotState.MISSED, SlotState.MISSED, SlotState.QUEUED]
    fleet.rows("UPDATE procrastinate_events SET at = at - interval '1 day'")
    ((_, outcome),) = fleet.centre.tidy(at + timedelta(days=1))
    assert outcome.state is SlotState.FAILED
    assert "not heard of since" in outcome.why
    assert fleet.rows("SELECT count(*) FROM procrastinate_jobs WHERE status = 'doing'") == [(0,)]
    # It was the link that was down for a day: what comes late replaces what was feared.
    fleet.rows(
        "INSERT INTO delivery (site, sweep, due_ns, form, job_id, state, begun_ns, offset_ns) "
        f"VALUES ('tarn', 'msb-1', {older}, 1, 1, 'skipped', {older}, 0)"
    )
    list(fleet.centre.take_in())
    assert fleet.states() == [SlotState.MISSED, SlotState.MISSED, SlotState.SKIPPED]


@pytest.mark.parametrize("sweep", ["msb-1", "other", "../../../x"])
def test_a_site_can_deliver_only_what_was_asked_of_it(fleet: Fleet, sweep: str) -> None:
    fleet.centre.ask(fleet.sweep, NOW_NS)
    fleet.rows(
        "INSERT INTO delivery (site, sweep, due_ns, form, job_id, state, begun_ns, offset_ns, sha256, "
        f"pieces) VALUES ('moor', '{sweep}', {NOW_NS}, 1, 1, 'done', 0, 0, 'ab', 1)"
    )
    ((_, outcome),) = list(fleet.centre.take_in())
    assert "not asked of it" in outcome.why
    assert list(fleet.centre.take_in()) == []
    assert fleet.states() == [SlotState.QUEUED]
    assert list(fleet.place.records().all()) == []


def test_a_record_of_another_lineup_is_not_taken_in(fleet: Fleet) -> None:
    at_site = fleet.place.folder / "site"
    at_site.mkdir()
    text_ = (fleet.place.folder / "map.yaml").read_text()
    (at_site / "map.yaml").write_text(text_.replace("MSB-1", "MSB-2"))
    (at_site / "fleet.yaml").write_text(fleet.file.read_text())
    fleet.centre.ask(fleet.sweep, NOW_NS)
    with agent_of(open_fleet(at_site / "fleet.yaml")):
        fleet.taken_until(lambda: fleet.states() == [SlotState.FAILED], "the refusal")
    assert "another lineup" in latest(fleet.history, "msb-1")[0].why
    assert fleet.runs() == []


def test_pieces_that_are_not_what_was_sent_are_told_and_kept(fleet: Fleet) -> None:
    fleet.centre.ask(fleet.sweep, NOW_NS)
    fleet.rows(
        "INSERT INTO piece VALUES ('tarn', 'ab', 0, 'not packed'); "
        "INSERT INTO delivery (site, sweep, due_ns, form, job_id, state, begun_ns, offset_ns, sha256, "
        f"pieces) VALUES ('tarn', 'msb-1', {NOW_NS}, 1, 1, 'done', 0, 0, 'ab', 1)"
    )
    ((_, outcome),) = list(fleet.centre.take_in())
    assert outcome.state is SlotState.FAILED
    assert "not what was sent" in outcome.why
    assert list(fleet.centre.take_in()) == []
    assert fleet.rows("SELECT count(*) FROM piece") == [(1,)]
    assert fleet.states() == [SlotState.FAILED]
    assert fleet.runs() == []


def test_a_second_installation_of_a_site_waits_and_the_same_one_is_refused(
    fleet: Fleet, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    other_folder = tmp_path / "other"
    other_folder.mkdir()
    for name in ("fleet.yaml", "map.yaml"):
        (other_folder / name).write_bytes((tmp_path / name).read_bytes())
    other = open_fleet(other_folder / "fleet.yaml")
    with agent_of(fleet.place):
        fleet.taken_until(lambda: bool(fleet.centre.agents()), "the first")
        with agent_of(other):
            fleet.taken_until(lambda: "another agent works at tarn" in caplog.text, "the refusal")
            fleet.centre.ask(fleet.sweep, NOW_NS)
            fleet.taken_until(lambda: fleet.states() == [SlotState.DONE], "the start")
        with pytest.raises(InputError, match="runs here already"):
            Agent(fleet.place, "tarn", stop=lambda: True).run()
    assert list(Journal(other.folder / ".agent" / "tarn").entries()) == []


def test_fleets_without_work_for_an_agent_are_refused(tmp_path: Path, fleet: Fleet) -> None:
    with pytest.raises(InputError, match="no sweep of the fleet is for this agent"):
        Agent(fleet.place, "moor", stop=lambda: True)
    fleet.write("history.sqlite")
    with pytest.raises(InputError, match="agents work through PostgreSQL"):
        Agent(open_fleet(fleet.file), "tarn", stop=lambda: True)
    with pytest.raises(InputError, match="too long"):
        role_of("t" * 60)
