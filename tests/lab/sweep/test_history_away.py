"""Runs of this computer whose PostgreSQL goes away, and runs that are killed: each is in the history once."""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from probe.cli.main import main
from probe.history.slot_book import SlotState, latest
from probe.history.store import History
from probe.sweep import cycle as cycle_module
from probe.sweep import starts
from probe.sweep.cycle import Cycle
from probe.sweep.place import FleetPlace, open_fleet

ROOT = Path(__file__).parents[3]
BOUND_S = 120.0
MAP = """format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60, wiring: wye}
devices:
  - {tag: MTR-1, kind: meter, profile: meter-float, section: "1", address: {host: 127.0.0.1, port: PORT}}
"""


@pytest.fixture
def database(server_type: Any) -> Iterator[Any]:
    server = server_type()
    yield server
    server.remove()


def fleet_in(folder: Path, history: str, *, port: int = 0) -> FleetPlace:
    """A fleet with one device: it refuses every connection, unless a port is given."""
    if not port:
        with socket.socket() as closed:
            closed.bind(("127.0.0.1", 0))
            port = closed.getsockname()[1]
    (folder / "map.yaml").write_text(MAP.replace("PORT", str(port)))
    file = folder / "fleet.yaml"
    file.write_text(
        f"format: buswitness-fleet/1\nhistory: {history}\nsweeps:\n"
        "  - {name: msb-1, map: map.yaml, at: '*/10 * * * *', quick: yes}\n"
        "  - {name: msb-2, map: map-2.yaml, at: '*/10 * * * *', quick: yes}\n"
    )
    (folder / "map-2.yaml").write_text((folder / "map.yaml").read_text().replace("MSB-1", "MSB-2"))
    return open_fleet(file)


def facts_of(history: History) -> tuple[list[SlotState], list[SlotState], int]:
    """What became of the starts of both sweeps, the latest first, and how many runs there are."""
    with history.reading() as connection:
        runs = int(connection.execute(text("SELECT count(*) FROM run")).scalar() or 0)
    states = [[one.state for one in latest(history, name)] for name in ("msb-1", "msb-2")]
    history.close()
    return states[0], states[1], runs


def waiting(place: FleetPlace) -> list[str]:
    folder = place.folder / "records" / "incoming"
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


def test_a_history_that_stays_away_keeps_the_record_and_the_next_run_takes_it_in(
    tmp_path: Path, database: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = fleet_in(tmp_path, database.url(database.new_database()))
    place.open_history().close()
    real = starts.audit_to
    monkeypatch.setattr(starts, "WAIT_S", 1.0)

    def and_away(*given: Any, **how: Any) -> Any:
        ran = real(*given, **how)
        database.stop(how="immediate")
        return ran

    with monkeypatch.context() as patch:
        patch.setattr(starts, "audit_to", and_away)
        code = main(["sweep", "run", str(place.file), "--json"])
    told = capsys.readouterr()
    first, second = json.loads(told.out)["sweeps"]
    assert code == 3
    assert (first["state"], first["waits_for_history"], second["waits_for_history"]) == ("failed", True, True)
    assert "the next run" in first["why"]
    assert "the history is away" in told.err
    assert "Traceback" not in told.err
    assert [name.partition("-1")[2][-14:] for name in waiting(place) if name.endswith("jsonl")] != []
    assert [path.name for path in (tmp_path / "records").rglob("*.jsonl")] == [
        name for name in waiting(place) if name.endswith(".jsonl")
    ]
    database.start()
    code = main(["sweep", "run", str(place.file), "msb-2"])
    told = capsys.readouterr()
    assert code == 1  # the device refuses
    assert "what was left of the start" in told.err
    assert "2 lineups swept" in told.out
    assert facts_of(place.open_history()) == ([SlotState.DONE], [SlotState.DONE], 2)
    assert waiting(place) == []
    assert len(list(place.records().all())) == 2
    main(["sweep", "run", str(place.file), "msb-1"])  # nothing is taken in twice
    assert facts_of(place.open_history()) == ([SlotState.DONE] * 2, [SlotState.DONE], 3)


def test_a_restart_of_the_history_is_waited_for(
    tmp_path: Path, database: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    place = fleet_in(tmp_path, database.url(database.new_database()))
    place.open_history().close()
    real, waited = starts.audit_to, threading.Event()
    begun: list[threading.Thread] = []

    def and_again(*given: Any, **how: Any) -> Any:
        ran = real(*given, **how)
        if not begun:
            database.stop(how="immediate")
            begun.append(threading.Thread(target=lambda: waited.wait(BOUND_S) and database.start()))
            begun[0].start()
        return ran

    class Told(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if "the history is away" in record.getMessage():
                waited.set()  # only then does it come back

    handler = Told()
    logging.getLogger("buswitness.sweep").addHandler(handler)
    monkeypatch.setattr(starts, "audit_to", and_again)
    try:
        code = main(["sweep", "run", str(place.file)])
    finally:
        logging.getLogger("buswitness.sweep").removeHandler(handler)
        waited.set()
        begun[0].join()
    assert code == 1
    assert "the history is away" in caplog.text
    assert facts_of(place.open_history()) == ([SlotState.DONE], [SlotState.DONE], 2)
    assert waiting(place) == []


def test_the_watch_takes_in_what_waits_when_the_history_is_back(
    tmp_path: Path, database: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = fleet_in(tmp_path, database.url(database.new_database()))
    history = place.open_history()
    monkeypatch.setattr(starts, "WAIT_S", 0.0)
    monkeypatch.setattr(cycle_module, "LOOK_S", 0.0)
    real = starts.audit_to

    def and_away(*given: Any, **how: Any) -> Any:
        ran = real(*given, **how)
        database.stop(how="immediate")
        return ran

    with monkeypatch.context() as patch:
        patch.setattr(starts, "audit_to", and_away)
        outcome = Cycle(place, history).run_now(place.sweep("msb-1"))
    assert outcome.waits
    database.start()
    heard: list[SlotState] = []
    end = time.monotonic() + BOUND_S
    Cycle(
        place,
        history,
        heard=lambda sweep, one: heard.append(one.state),
        stop=lambda: bool(heard) or time.monotonic() > end,
    ).watch()
    assert heard == [SlotState.DONE]
    states, _, runs = facts_of(history)
    assert ([one for one in states if one is not SlotState.KNOWN], runs) == ([SlotState.DONE], 1)


def until(condition: Callable[[], Any], what: str) -> Any:
    end = time.monotonic() + BOUND_S
    while not (found := condition()):
        assert time.monotonic() < end, f"not {what}"
        time.sleep(0.05)
    return found


@contextmanager
def nothing_handed_down(*_: object) -> Iterator[None]:
    """As on Windows, where no locked handle goes on to a child."""
    yield None


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals that stop and kill")
@pytest.mark.parametrize("hands_down", [True, False])
def test_a_killed_run_is_waited_for_and_taken_in_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hands_down: bool
) -> None:
    """kill -9 of ``sweep run`` in mid-audit: its audit goes on, holds its lineup, and is taken in once."""
    if not hands_down:
        monkeypatch.setattr("probe.sweep.run.held_by_child", nothing_handed_down)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))  # where audits hold their gear
    with socket.create_server(("127.0.0.1", 0)) as silent:
        place = fleet_in(tmp_path, "history.sqlite", port=silent.getsockname()[1])
        command = [sys.executable, "-m", "probe", "sweep", "run", str(place.file), "msb-1"]
        environ = os.environ | {"PYTHONPATH": str(ROOT)}
        process = subprocess.Popen(command, env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            until(lambda: [one for one in waiting(place) if one.endswith(".jsonl")], "begun")
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait()
        history = place.open_history()
        assert Cycle(place, history).take_left() == []  # its audit still works
        until(lambda: starts.is_free(place, place.sweep("msb-1")), "over")
        ((_, outcome),) = Cycle(place, history).take_left()
        assert outcome.state is SlotState.DONE
        assert Cycle(place, history).take_left() == []
    assert facts_of(history) == ([SlotState.DONE], [], 1)
    assert waiting(place) == []


def test_a_run_that_died_before_it_recorded_is_booked_and_one_that_is_spoilt_is_kept_aside(
    tmp_path: Path,
) -> None:
    from probe.history.slot_book import begin
    from probe.sweep.journal import OVER, Entry

    place = fleet_in(tmp_path, "history.sqlite")
    history = place.open_history()
    journal = starts.journal_of(place)
    where = socket.gethostname()
    for due_ns in (1, 2):
        begin(history, "msb-1", due_ns, place=where, now_ns=due_ns)
        entry = journal.write(Entry("msb-1", due_ns, 0, due_ns))
    journal.record(entry).write_bytes(b"no record at all\n")
    settled = journal.write(Entry("msb-1", 3, 0, 3, stage=OVER, state="done"))  # killed before it was dropped
    other = journal.write(Entry("of-old", 4, 0, 4))  # the fleet has it no more; somebody may be writing
    journal.record(other).write_bytes(b"{")
    told = [outcome for _, outcome in Cycle(place, history).take_left()]
    assert journal.find("msb-1", settled.due_ns) is None
    assert journal.find("of-old", other.due_ns) is not None
    os.utime(journal.record(other), (0, 0))
    assert Cycle(place, history).take_left() == []
    assert [one.state for one in told] == [SlotState.FAILED, SlotState.FAILED]
    assert "before a record began" in told[0].why
    assert "cannot be read" in told[1].why
    assert waiting(place) == ["msb-1-2.audit.jsonl.unreadable", "of-old-4.audit.jsonl.unreadable"]
    assert facts_of(history) == ([SlotState.FAILED] * 2, [], 0)
