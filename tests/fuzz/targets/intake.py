"""Targets: what agents deliver to the centre, what an agent finds in its journal, the history's file."""

from __future__ import annotations

import hashlib
import json
import logging
import random
import shutil
import zlib
from collections.abc import Iterator
from functools import lru_cache
from typing import Any
from unittest.mock import patch

from sqlalchemy import delete, insert, select

from probe.history.agent_tables import delivery, piece
from probe.history.keep import Keeper
from probe.history.schema import METADATA, run
from probe.history.schema import slot as slot_table
from probe.history.slot_book import SlotState, latest
from probe.history.status import open_lives, standings
from probe.history.store import History, open_history
from probe.model.errors import RecordError
from probe.model.fleet_load import load_fleet
from probe.record.content import load
from probe.sweep import engine, parcel
from probe.sweep.centre import Centre
from probe.sweep.journal import BEGUN, SUFFIX, Entry, Journal
from probe.sweep.place import FleetPlace
from tests.fuzz.mutate import any_bytes, json_lines
from tests.fuzz.target import Target, check_problem, need, refused
from tests.fuzz.targets.records import RECORDS, SEEDS, file_of, folder, forged_seeds, rechained

# --- parcels ------------------------------------------------------------------------------------------------


def _parcel(data: bytes) -> None:
    """The first byte says how it is packed and cut, the rest is the record or the parcel itself."""
    how, body = (data[0] if data else 0), data[1:]
    packed = body if how & 1 else zlib.compress(body, 1)
    size = (how >> 3) * 7 + 1
    parts = [packed[at : at + size] for at in range(0, len(packed), size)]
    if how & 2 and parts:
        del parts[len(parts) // 2]
    told = hashlib.sha256(packed).hexdigest()
    path = folder() / "parcel.audit.jsonl"
    try:
        parcel.unpack(iter(parts), told, path)
    except RecordError as error:
        check_problem(error.problem, path.name)
        need(how & 3, "a whole parcel is refused")
        return
    got = path.read_bytes()
    need(not how & 2, "taken although a piece is missing")
    need(how & 1 or got == body, "another record than was packed")
    need(zlib.decompressobj().decompress(packed, len(got) + 1) == got, "another inside than zlib finds")


def _parcel_seeds() -> Iterator[bytes]:
    record = (RECORDS / "format-1-accepted.audit.jsonl").read_bytes()
    for how in (0, 2, 0xF8):
        yield bytes((how,)) + record
    yield b"\xf9" + zlib.compress(record)
    yield b"\x01" + zlib.compress(bytes(100_000))
    yield b"\x01" + zlib.compress(b"abc") + b"more behind it"


# --- deliveries ---------------------------------------------------------------------------------------------

LOG = logging.getLogger("buswitness.sweep")
_SITE, _SWEEP = "tarn", "msb-1"
_FLEET = b"""format: buswitness-fleet/1
history: postgresql://centre@127.0.0.1/h
sweeps:
  - {name: other, map: map.yaml, at: '*/10 * * * *', agent: tarn}
"""


class _Centre(Centre):
    """A centre without the engine of jobs (which is PostgreSQL's): all else is as it works."""

    def __init__(self, place: FleetPlace, history: History) -> None:
        self.place, self.history = place, history
        self._keeper = Keeper(history)
        self._by_name = {}
        self._refused = set()


@lru_cache(maxsize=1)
def _centre() -> _Centre:
    place = FleetPlace(file=folder() / "fleet.yaml", fleet=load_fleet("fleet.yaml", _FLEET))
    return _Centre(place, open_history(str(folder() / "delivered.sqlite")))


def close() -> None:
    """Close the history that the targets use."""
    if _centre.cache_info().currsize:
        _centre().history.close()
        _centre.cache_clear()


def _number(value: Any, most: int, otherwise: int) -> int:
    return value if type(value) is int and abs(value) <= most else otherwise


def _row(told: Any) -> dict[str, Any]:
    """A row that an agent may write: whatever its columns can hold."""
    told = told if isinstance(told, dict) else {}
    row: dict[str, Any] = {
        "site": _SITE,
        "sweep": _SWEEP,
        "due_ns": 7,
        "form": 1,
        "taken": False,
        "trouble": "",
    }
    row |= {name: _number(told.get(name), 2**63 - 1, 0) for name in ("job_id", "begun_ns", "offset_ns")}
    row |= {
        name: str(told.get(name, ""))[:900].encode("utf-8", "replace").decode() for name in ("state", "why")
    }
    row["exit_code"] = _number(told.get("exit_code"), 2**31 - 1, 0)
    return row


def _delivery(data: bytes) -> None:
    first, _, lines = data.partition(b"\n")
    try:
        told = json.loads(first)
    except (ValueError, RecursionError):
        told = None
    row = _row(told)
    centre = _centre()
    record = rechained(lines.rstrip(b"\n")) if lines else b""
    with centre.history.writing() as connection:
        for table in reversed(METADATA.sorted_tables):
            connection.execute(delete(table))
        if record:
            packed = zlib.compress(record, 1)
            row |= {"sha256": hashlib.sha256(packed).hexdigest(), "pieces": 1}
            one = {"site": _SITE, "sha256": row["sha256"], "number": 0, "data": packed}
            connection.execute(insert(piece), one)
        connection.execute(insert(delivery), row)
        asked = {"sweep": _SWEEP, "due_ns": 7, "state": SlotState.QUEUED, "place": _SITE, "why": ""}
        connection.execute(insert(slot_table), asked)
    centre._keeper._names.clear()
    # The time of a job's start is asked of PostgreSQL; what is said of a refusal is judged by the row.
    with (
        patch.object(engine, "begun_ns", lambda connection, job_id: None),
        patch.object(LOG, "disabled", True),
    ):
        ((_, outcome),) = list(centre.take_in())
    _judge(centre, row, outcome, record)


def _judge(centre: _Centre, row: dict[str, Any], outcome: Any, record: bytes) -> None:
    with centre.history.reading() as connection:
        (now,) = connection.execute(select(delivery)).all()
        runs = connection.execute(select(run.c.code)).scalars().all()
    need(not now.trouble.startswith("a fault of ours"), now.trouble)
    need(now.taken != bool(now.trouble), "neither taken nor refused, or both")
    need(outcome.state in list(SlotState), f"state {outcome.state!r}")
    (booked,) = latest(centre.history, _SWEEP)
    need(booked.state is not SlotState.QUEUED, "the start still waits for its agent")
    if now.taken and record:
        need(len(runs) == 1, f"{len(runs)} runs of one record")
        need(outcome.record is not None and outcome.record.read_bytes() == record, "another record is kept")
        outcome.record.unlink()
    else:
        need(not runs, "a run is in the history although its delivery was refused")
    for one in standings(centre.history):
        open_lives(centre.history, one.lineup_id)


_TOLD = {"state": "done", "why": "", "exit_code": 1, "job_id": 3, "begun_ns": 10**18, "offset_ns": 5}


def _delivery_seeds() -> Iterator[bytes]:
    head = json.dumps(_TOLD).encode()
    for one in forged_seeds():
        yield head + b"\n" + one
    for state in ("failed", "queued", "gone", "stopped"):
        yield json.dumps(_TOLD | {"state": state, "why": "x" * 600}).encode()


def _deliver_another(data: bytes, rng: random.Random) -> bytes:
    return json_lines(data, rng) if rng.randrange(12) else any_bytes(data, rng)


# --- the agent's journal ------------------------------------------------------------------------------------


def _journal(data: bytes) -> None:
    """A line is the name of a file and what stands in it."""
    place = folder() / "journal"
    shutil.rmtree(place, ignore_errors=True)
    journal = Journal(place)
    first, _, entries = data.partition(b"\n")
    (place / "token").write_bytes(first)
    for number, line in enumerate(entries.split(b"\n")[:8]):
        (place / f"msb-{number}-{number}{SUFFIX}").write_bytes(line)
    token = journal.token()
    need(len(token) == 32 and token == journal.token(), "no name of this installation")
    found = list(journal.entries())
    need(len(found) == min(8, entries.count(b"\n") + 1), "a start is forgotten")
    for entry in found:
        need(journal.find(entry.sweep, entry.due_ns) == entry, "not found by its own name")
        need(json.dumps(entry._asdict()), "an entry that cannot be written")
    again = journal.write(found[0])
    need(next(journal.entries()) == again, "not read back as it was written")


def _journal_seeds() -> Iterator[bytes]:
    lines = [b"0123456789abcdef" * 2]
    lines += [
        json.dumps(Entry(f"msb-{n}", n, 5, 10**18, stage, "done", "", n)._asdict()).encode()
        for n, stage in enumerate((BEGUN, "over", "delivered"))
    ]
    yield b"\n".join(lines)
    yield b"\n".join([b"", b"{", *lines[2:], b"[]", b"null"])


# --- the history's file -------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _history() -> bytes:
    """A history of one run, as a file."""
    path = folder() / "template.sqlite"
    history = open_history(str(path))
    from probe.history.distil import distil

    Keeper(history).keep(
        distil(load(file_of(rechained((SEEDS / "meter.jsonl").read_bytes().rstrip(b"\n")), "t.audit.jsonl")))
    )
    with history.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    history.close()
    return path.read_bytes()


def _damaged(data: bytes) -> None:
    """Six bytes are a change: where (3 bytes), how many bytes (1), which (2); behind FF FF FF all is kept."""
    made = bytearray(_history())
    for at in range(0, min(len(data) - 5, 60), 6):
        place = int.from_bytes(data[at : at + 3]) % len(made)
        many = data[at + 3]
        made[place : place + many] = (data[at + 4 : at + 6] * many)[: min(many, len(made) - place)]
    if data[:1] == b"\xff":
        del made[int.from_bytes(data[:3]) % len(made) :]
    path = file_of(bytes(made), "damaged.sqlite")
    for rest in ("-wal", "-shm"):
        path.with_name(path.name + rest).unlink(missing_ok=True)
    history = refused(lambda: open_history(str(path)), str(path))
    if history is not None:
        history.close()


def _damaged_seeds() -> Iterator[bytes]:
    yield b""
    for place in (0, 18, 24, 100, 4096, 9000, 20_000):
        yield place.to_bytes(3) + b"\x04\0\xff"
    yield b"\xff\x10\x00\0\0\0"


TARGETS = (
    Target(
        name="parcel",
        promise="what was packed comes out, or it is refused; no more is written than a record can hold",
        run=_parcel,
        seeds=_parcel_seeds,
        longest=6000,
        calls=200,
    ),
    Target(
        name="delivery",
        promise="any row and record of an agent is taken in once, or refused with a reason",
        run=_delivery,
        seeds=_delivery_seeds,
        mutate=_deliver_another,
        longest=40_000,
        share=3.0,
        calls=40,
    ),
    Target(
        name="agent_journal",
        promise="whatever stands in the journal's files: no start is forgotten, none is invented",
        run=_journal,
        seeds=_journal_seeds,
        mutate=json_lines,
        longest=3000,
        calls=100,
    ),
    Target(
        name="history_file",
        promise="a damaged history is opened, or refused with a reason and a remedy",
        run=_damaged,
        seeds=_damaged_seeds,
        longest=60,
        calls=40,
    ),
)
