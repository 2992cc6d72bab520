"""What a dishonest or broken agent delivers, over a real PostgreSQL: refused, and the next one is taken."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select

from probe.history.agent_tables import delivery, piece
from probe.history.schema import run
from probe.history.schema import slot as slot_table
from probe.history.slot_book import SlotState, latest
from probe.sweep.centre import Centre
from probe.sweep.place import open_fleet
from tests.fuzz.targets.records import SEEDS, rechained

FLEET = """format: buswitness-fleet/1
history: {}
sweeps:
  - {{name: other, map: map.yaml, at: '*/10 * * * *', agent: tarn}}
"""


@pytest.fixture
def centre(postgres: Any, tmp_path: Path) -> Iterator[Centre]:
    """A centre that asked two starts of tarn."""
    (tmp_path / "fleet.yaml").write_text(FLEET.format(postgres.url(postgres.new_database())), "utf-8")
    place = open_fleet(tmp_path / "fleet.yaml")
    made = Centre(place, place.open_history())
    with made.history.writing() as connection:
        for due_ns in (7, 8):
            row = {"sweep": "msb-1", "due_ns": due_ns, "state": SlotState.QUEUED, "place": "tarn", "why": ""}
            connection.execute(insert(slot_table), row)
    yield made
    made.history.close()


def deliver(centre: Centre, due_ns: int, record: bytes = b"", **facts: Any) -> None:
    """What the agent writes."""
    row = {"site": "tarn", "sweep": "msb-1", "due_ns": due_ns, "form": 1, "job_id": 3, "state": "done"}
    row |= {"begun_ns": 10**18, "offset_ns": 0, **facts}
    with centre.history.writing() as connection:
        if record:
            packed = zlib.compress(record)
            row |= {"sha256": hashlib.sha256(packed).hexdigest(), "pieces": 1}
            part = {"site": "tarn", "sha256": row["sha256"], "number": 0, "data": packed}
            connection.execute(insert(piece), part)
        connection.execute(insert(delivery), row)


def sample(**head: str) -> bytes:
    """A sealed record whose head says other things."""
    import json

    lines = (SEEDS / "meter.jsonl").read_bytes().rstrip(b"\n").split(b"\n")
    first = json.loads(lines[0])
    first["body"].update(head)
    return rechained(b"\n".join([json.dumps(first).encode(), *lines[1:]]))


def refused_then_taken(centre: Centre) -> str:
    """Why the first delivery is refused; the second, a good one, is taken all the same."""
    deliver(centre, 8, sample())
    said = [outcome for _, outcome in centre.take_in()]
    assert [one.state for one in said] == [SlotState.FAILED, SlotState.DONE]
    assert [one.state for one in latest(centre.history, "msb-1")] == [SlotState.DONE, SlotState.FAILED]
    with centre.history.reading() as connection:
        assert len(connection.execute(select(run.c.id)).all()) == 1
        rows = connection.execute(select(delivery).order_by(delivery.c.due_ns)).all()
    assert [row.taken for row in rows] == [False, True]
    assert list(centre.take_in()) == [], "neither comes again"
    return str(rows[0].trouble)


@pytest.mark.parametrize("state", ["gone", "queued", "", "DONE"])
def test_an_end_that_there_is_not(centre: Centre, state: str) -> None:
    deliver(centre, 7, state=state)
    assert "no end of one" in refused_then_taken(centre)


@pytest.mark.parametrize("wall_ns", [str(10**25), "-1"])
def test_a_record_of_no_time(centre: Centre, wall_ns: str) -> None:
    deliver(centre, 7, sample(started_wall_ns=wall_ns))
    assert "time is none" in refused_then_taken(centre)


def test_nul_in_a_text_is_no_trouble(centre: Centre) -> None:
    deliver(centre, 7, sample(tool_version="0\0" + "1"))
    ((_, outcome),) = centre.take_in()
    assert outcome.state is SlotState.DONE


def test_what_nobody_foresaw_stops_no_other(centre: Centre, monkeypatch: pytest.MonkeyPatch) -> None:
    real = centre._take

    def take(row: Any) -> Any:
        if row.due_ns == 7:
            raise ArithmeticError("\0 never seen")
        return real(row)

    monkeypatch.setattr(centre, "_take", take)
    deliver(centre, 7)
    deliver(centre, 8, sample())
    said = [outcome for _, outcome in centre.take_in()]
    assert [one.state for one in said] == [SlotState.FAILED, SlotState.DONE]
    assert "a fault of ours: ArithmeticError" in said[0].why
    assert list(centre.take_in()) == []
