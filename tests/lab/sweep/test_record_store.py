"""Records of a fleet in an S3-style store that is not ours: delivered once, whatever happens on the way."""

from __future__ import annotations

import asyncio
import io
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from probe.cli.main import main
from probe.history.status import standings
from probe.model.errors import InputError, RecordError
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario
from probe.sweep.agent import Agent
from probe.sweep.agent_roles import roles_sql
from probe.sweep.centre import Centre
from probe.sweep.delivery import LONGEST_PAUSE_S, LOOK_S, Pauses, delivering
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.records import Delivery, RecordStore
from probe.sweep.stored_records import StoredRecords

ROOT = Path(__file__).parents[3]
RECORDS = ROOT / "tests" / "records"
SAMPLE = RECORDS / "format-1.audit.jsonl"
WHOLE = RECORDS / "report.audit.jsonl"  # with a map and profiles, so that a history can take it in
BOUND_S = 60.0


def head_of(record: Path) -> str:
    from probe.record.verify import verify

    return verify(record).head


@pytest.fixture
def signs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BUSWITNESS_S3_KEY_ID", "TARNHOLLOWKEY")
    monkeypatch.setenv("BUSWITNESS_S3_SECRET_KEY", "tarn-hollow-secret")


def fleet_at(folder: Path, url: str, more: str = "") -> FleetPlace:
    file = folder / "fleet.yaml"
    file.write_text(
        f"format: buswitness-fleet/1\nstore: {{endpoint: '{url}', bucket: switchgear, prefix: tarn{more}}}\n"
        "sweeps: [{name: msb-1, map: map.yaml, at: 0 2 * * *}]\n"
    )
    return open_fleet(file)


def put_in(records: StoredRecords, record: Path, started_ns: int = 1_700_000_000_000_000_000) -> Path:
    copy = records.incoming("copy")
    shutil.copyfile(record, copy)
    return records.put(copy, site="Tarn Hollow", lineup="MSB-1", started_ns=started_ns, code=head_of(record))


def records_of(place: FleetPlace) -> StoredRecords:
    records = place.records()
    assert isinstance(records, StoredRecords)
    return records


def test_a_record_leaves_the_folder_when_the_store_has_it_and_is_found_by_its_code(
    tmp_path: Path, signs: None, disk_store: Any
) -> None:
    server, bucket = disk_store
    records = records_of(fleet_at(tmp_path, server.url))
    code = head_of(SAMPLE)
    put_in(records, SAMPLE)
    assert records.deliver() == Delivery(sent=1)
    assert list(records.all()) == []
    assert (bucket / "tarn" / f"{code}.audit.jsonl").read_bytes() == SAMPLE.read_bytes()
    (bucket / "tarn" / "something-else").write_text("of somebody")
    for asked in (code, code[:6], code[:40]):
        with records.opened(records.by_code(asked)) as file:
            assert file.read_bytes() == SAMPLE.read_bytes()
    assert not file.exists()
    assert [one.code for one in records.kept()] == [code]
    for asked in ("0" * 64, "000000", "zz", "../../x"):
        with pytest.raises(RecordError), records.opened(records.by_code(asked)):
            pass
    put_in(records, SAMPLE)  # the same once more: it is there already
    assert records.deliver() == Delivery(sent=1)
    assert len(list((bucket / "tarn").glob("*.jsonl"))) == 1


def test_altered_and_missing_objects_never_pass(tmp_path: Path, signs: None, disk_store: Any) -> None:
    server, bucket = disk_store
    records = records_of(fleet_at(tmp_path, server.url))
    code = head_of(SAMPLE)
    put_in(records, SAMPLE)
    records.deliver()
    there = bucket / "tarn" / f"{code}.audit.jsonl"
    good = there.read_bytes()
    for changed, words in (
        (good.replace(b"MSB-1", b"MSB-9", 1), "not as it was written"),
        (good[: len(good) // 2], "another record"),
        ((RECORDS / "format-1-signed.audit.jsonl").read_bytes(), "another record"),
        (b"", "record"),
    ):
        there.write_bytes(changed)
        with pytest.raises(RecordError, match=words), records.opened(records.by_code(code)):
            pass
        put_in(records, SAMPLE)
        done = records.deliver()  # it is not written over, and what is here stays
        assert (done.sent, done.waiting, done.held_up) == (0, 1, False)
        assert "something else" in done.trouble
        assert there.read_bytes() == changed
        next(records.all()).unlink()
    there.unlink()
    with pytest.raises(RecordError, match="does not have this record"), records.opened(records.by_code(code)):
        pass


def test_a_record_that_was_spoilt_here_is_not_delivered_and_holds_up_no_other(
    tmp_path: Path, signs: None, disk_store: Any
) -> None:
    server, bucket = disk_store
    records = records_of(fleet_at(tmp_path, server.url))
    spoilt = put_in(records, SAMPLE)
    put_in(records, RECORDS / "format-1-signed.audit.jsonl", 1_800_000_000_000_000_000)
    spoilt.write_bytes(spoilt.read_bytes().replace(b"MSB-1", b"MSB-9", 1))
    done = records.deliver()
    assert (done.sent, done.waiting) == (1, 1)
    assert "not as it was written" in done.trouble
    assert len(list((bucket / "tarn").iterdir())) == 1


def test_a_store_that_is_away_delays_and_loses_nothing(
    tmp_path: Path, signs: None, disk_store: Any, caplog: pytest.LogCaptureFixture
) -> None:
    """Stopped and started while records come; the thread of ``watch`` delivers, with its pauses."""
    server, bucket = disk_store
    records = records_of(fleet_at(tmp_path, server.url))
    put_in(records, SAMPLE)
    server.stop()
    done = records.deliver()
    assert (done.sent, done.waiting, done.held_up) == (0, 1, True)
    assert "nothing answers" in done.trouble
    put_in(records, RECORDS / "format-1-signed.audit.jsonl", 1_800_000_000_000_000_000)
    server.start()
    with delivering(records, threading.Event()):
        until(lambda: records.waiting() == 0, "delivered")
    assert {path.name for path in (bucket / "tarn").iterdir()} == {
        f"{head_of(one)}.audit.jsonl" for one in (SAMPLE, RECORDS / "format-1-signed.audit.jsonl")
    }


def test_pauses_double_up_to_an_hour_and_begin_anew() -> None:
    pauses = Pauses()
    away = Delivery(waiting=1, trouble="nothing answers", held_up=True)
    told = [pauses.after(away) for _ in range(10)]
    assert told[:3] == [30.0, 60.0, 120.0]
    assert told[-1] == LONGEST_PAUSE_S
    assert pauses.after(Delivery(sent=1)) == LOOK_S
    assert pauses.after(away) == 30.0
    spoilt = Delivery(sent=3, waiting=1, trouble="not as it was written")
    assert [pauses.after(spoilt) for _ in range(3)] == [30.0] * 3


def until(condition: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + BOUND_S
    while not condition():
        assert time.monotonic() < end, f"not {what}"
        time.sleep(0.1)


@contextmanager
def stalling(port: int, after: int) -> Iterator[tuple[int, threading.Event]]:
    """A way to the server on which nothing goes on after so many bytes; its port, and when it stalled."""
    stalled, going = threading.Event(), threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    count = 0

    def carry(source: socket.socket, target: socket.socket, *, counts: bool) -> None:
        nonlocal count
        try:
            while data := source.recv(65536):
                count += len(data) if counts else 0
                if count > after:
                    stalled.set()
                    going.wait(BOUND_S)
                    break
                target.sendall(data)
        except OSError:
            pass
        finally:
            source.close()
            target.close()

    def accept() -> None:
        while True:
            try:
                inner, _ = listener.accept()
            except OSError:
                return
            outer = socket.create_connection(("127.0.0.1", port))
            for source, target, counts in ((inner, outer, True), (outer, inner, False)):
                threading.Thread(
                    target=carry, args=(source, target), kwargs={"counts": counts}, daemon=True
                ).start()

    threading.Thread(target=accept, daemon=True).start()
    yield listener.getsockname()[1], stalled
    going.set()
    listener.close()


def test_a_kill_in_the_middle_of_sending_loses_and_doubles_nothing(
    tmp_path: Path, signs: None, disk_store: Any, long_record: Path
) -> None:
    """Killed (kill -9) when some parts of a long record had gone: nothing is there, then all is."""
    server, bucket = disk_store
    with stalling(server.port, 7 << 20) as (port, stalled):
        place = fleet_at(tmp_path, f"http://127.0.0.1:{port}")
        put_in(records_of(place), long_record)
        command = [sys.executable, "-m", "probe", "sweep", "store", str(place.file)]
        process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        try:
            assert stalled.wait(BOUND_S)
        finally:
            process.kill()
            process.wait()
    assert not (bucket / "tarn").exists() or list((bucket / "tarn").iterdir()) == []
    records = records_of(fleet_at(tmp_path, server.url))
    assert records.waiting() == 1
    assert records.deliver() == Delivery(sent=1)
    (there,) = (bucket / "tarn").iterdir()
    assert there.read_bytes() == long_record.read_bytes()
    with records.opened(records.by_code(there.name[:12])) as file:
        assert head_of(file) == head_of(long_record)


def test_a_kill_between_the_proof_and_the_folder_sends_nothing_twice(
    tmp_path: Path, signs: None, disk_store: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    server, bucket = disk_store
    records = records_of(fleet_at(tmp_path, server.url))
    put_in(records, SAMPLE)

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", killed)
        with pytest.raises(KeyboardInterrupt):
            records.deliver()
    (there,) = (bucket / "tarn").iterdir()
    before = there.stat().st_mtime_ns
    assert records.deliver() == Delivery(sent=1)
    assert there.stat().st_mtime_ns == before
    assert records.waiting() == 0


def test_copies_stay_for_their_time_and_serve_while_the_store_is_away(
    tmp_path: Path, signs: None, disk_store: Any
) -> None:
    server, _ = disk_store
    records = records_of(fleet_at(tmp_path, server.url, ", keep_copies: 4w"))
    put_in(records, SAMPLE)
    assert records.deliver() == Delivery(sent=1)
    (copy,) = (tmp_path / "records" / "copies").rglob("*.jsonl")
    server.stop()
    with records.opened(records.by_code(head_of(SAMPLE))) as file:
        assert file == copy
    os.utime(copy, (0, 0))
    assert records.deliver() == Delivery()
    assert not copy.exists()
    with pytest.raises(InputError, match="nothing answers"), records.opened(records.by_code(head_of(SAMPLE))):
        pass
    server.start()


def run(place: FleetPlace, *words: str, code: int = 0) -> Any:
    """What a sweep command of the program prints with --json; run in this process."""
    out, err = io.StringIO(), io.StringIO()
    arguments = [
        "sweep",
        words[0],
        str(place.file),
        *words[1:],
        *(["--json"] if words[0] != "baseline" else []),
    ]
    with redirect_stdout(out), redirect_stderr(err):
        ended = main(arguments)
    return read(out.getvalue(), err.getvalue(), ended, code)


def started(place: FleetPlace, *words: str) -> Any:
    """As ``run``, in a process of its own."""
    command = [sys.executable, "-m", "probe", "sweep", words[0], str(place.file), *words[1:], "--json"]
    environ = os.environ | {"PYTHONPATH": str(ROOT)}
    told = subprocess.run(command, env=environ, capture_output=True, text=True, check=False)
    return read(told.stdout, told.stderr, told.returncode, 0)


def read(out: str, err: str, ended: int, code: int) -> Any:
    assert ended == code, out + err
    assert "tarn-hollow-secret" not in out + err
    return json.loads(out) if out.startswith("{") else out


def test_import_record_baseline_store_and_rebuild_work_with_it(
    tmp_path: Path, signs: None, disk_store: Any
) -> None:
    server, bucket = disk_store
    place = fleet_at(tmp_path, server.url)
    code = head_of(WHOLE)
    assert run(place, "import", str(WHOLE))["store"] == {"waiting": 0, "trouble": ""}
    assert list(place.records().all()) == []
    assert run(place, "store", "--check")["wrong"] == []
    where = ("-o", str(tmp_path / "got.audit.jsonl"))
    got = run(place, "record", code[:10], *where)
    assert (got["code"], (tmp_path / "got.audit.jsonl").read_bytes()) == (code, WHOLE.read_bytes())
    run(
        place, "record", code[:10], "-o", str(tmp_path / "got.audit.jsonl"), code=2
    )  # nothing is written over
    assert "held against this one" in run(place, "baseline", code[:12])
    (tmp_path / "history.sqlite").write_bytes(b"no database at all" * 100)
    assert run(place, "rebuild")["taken"] == 1
    history = place.open_history()
    assert [one.code for one in standings(history)] == [code]
    history.close()
    # What is altered or gone is told, by every way.
    there = bucket / "tarn" / f"{code}.audit.jsonl"
    good = there.read_bytes()
    there.write_bytes(good.replace(b"MSB-1", b"MSB-9", 1))
    assert [one["record"] for one in run(place, "store", "--check", code=4)["wrong"]] == [
        f"tarn/{there.name}"
    ]
    run(place, "record", code, "-o", str(tmp_path / "bad.audit.jsonl"), code=4)
    assert not (tmp_path / "bad.audit.jsonl").exists()
    assert "not" in run(place, "rebuild", code=4)["refused"][0]["why"]
    there.unlink()
    history = place.open_history()
    history.close()
    assert run(place, "store", "--check")["records"] == 0  # the history made anew knows of none
    there.write_bytes(good)
    run(place, "rebuild")
    there.unlink()
    assert [one["record"] for one in run(place, "store", "--check", code=4)["wrong"]] == [code]
    server.stop()
    before = (tmp_path / "history.sqlite").read_bytes()
    run(place, "rebuild", code=2)  # a store that is away sets nothing aside
    assert (tmp_path / "history.sqlite").read_bytes() == before
    assert run(place, "store", code=3)["records"] is None
    server.start()


def test_sweeps_put_their_records_there_and_keep_runs_is_about_the_history_alone(
    tmp_path: Path, signs: None, disk_store: Any
) -> None:
    """As with a folder: what has left the history is still kept, and can come back from there."""
    server, bucket = disk_store
    place = fleet_at(tmp_path, server.url)

    async def swept() -> list[Any]:
        async with practice(small_scenario({"52-M1"}, []), directory=tmp_path) as lineup:
            text_ = place.file.read_text().replace("map.yaml", lineup.map_path.as_posix())
            place.file.write_text(text_.replace(", at:", ", quick: yes, at:"))
            return [await asyncio.to_thread(started, place, "run") for _ in range(2)]

    told = asyncio.run(swept())
    for one in told:
        (sweep,) = one["sweeps"]
        assert sweep["record"] == f"{server.url}/switchgear/tarn/{sweep['code']}.audit.jsonl"
        assert one["store"] == {"waiting": 0, "trouble": ""}
    names = {f"{one['sweeps'][0]['code']}.audit.jsonl" for one in told}
    assert {path.name for path in (bucket / "tarn").iterdir()} == names
    assert [path.name for path in (tmp_path / "records").rglob("*") if path.suffix == ".jsonl"] == []
    assert [path.name for path in (tmp_path / "records" / "incoming").iterdir()] == []
    place.file.write_text(place.file.read_text() + "keep_runs: 1s\n")
    run(place, "run", "--due")
    assert runs_in(place) == 1  # a lineup's latest stays
    assert {path.name for path in (bucket / "tarn").iterdir()} == names
    assert run(place, "rebuild")["taken"] == 2
    assert runs_in(place) == 2
    for path in tmp_path.rglob("*"):
        assert not path.is_file() or b"tarn-hollow-secret" not in path.read_bytes(), path


def runs_in(place: FleetPlace) -> int:
    history = place.open_history()
    with history.reading() as connection:
        count = connection.execute(text("SELECT count(*) FROM run")).scalar()
    history.close()
    return int(count or 0)


AGENT_MAP = """format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60, wiring: wye}
devices:
  - {tag: MTR-1, kind: meter, profile: meter-float, section: "1", address: {host: 127.0.0.1, port: PORT}}
"""


def test_the_centre_delivers_what_agents_record_and_agents_need_no_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, disk_store: Any, postgres: Any
) -> None:
    server, bucket = disk_store
    database = postgres.new_database()
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    places = []
    for name in ("centre", "site"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "map.yaml").write_text(AGENT_MAP.replace("PORT", str(port)))
        (folder / "fleet.yaml").write_text(
            f"format: buswitness-fleet/1\nhistory: {postgres.url(database)}\nagents_ask: 1s\n"
            f"store: {{endpoint: '{server.url}', bucket: switchgear, prefix: tarn}}\n"
            "sweeps: [{name: msb-1, map: map.yaml, at: 0 2 * * *, quick: yes, agent: tarn}]\n"
        )
        places.append(open_fleet(folder / "fleet.yaml"))
    centre_place, site_place = places
    history = centre_place.open_history()
    centre, stop = Centre(centre_place, history), threading.Event()
    postgres.sql(roles_sql(["tarn"]), database=database)
    assert centre.ask(centre_place.sweep("msb-1"), 60 * 10**9)
    agent = threading.Thread(target=Agent(site_place, "tarn", stop=stop.is_set).run)
    agent.start()
    try:
        until(lambda: list(centre.take_in()), "delivered to the centre")
        until(lambda: list(RecordStore(site_place.folder / "records").all()), "kept at the site")
    finally:
        stop.set()
        agent.join(BOUND_S)
    monkeypatch.setenv("BUSWITNESS_S3_KEY_ID", "TARNHOLLOWKEY")  # at the centre alone
    monkeypatch.setenv("BUSWITNESS_S3_SECRET_KEY", "tarn-hollow-secret")
    records = centre_place.records()
    assert records.deliver() == Delivery(sent=1)
    (standing,) = standings(history)
    history.close()
    (copy,) = RecordStore(site_place.folder / "records").all()
    assert (bucket / "tarn" / f"{standing.code}.audit.jsonl").read_bytes() == copy.read_bytes()
    with records.opened(records.by_code(standing.code)) as file:
        assert head_of(file) == standing.code
