"""Slot book: what became of every start that a time table asked for: none is done twice or forgotten."""

from __future__ import annotations

from enum import StrEnum
from typing import Any, NamedTuple

from sqlalchemy import func, insert, select, update
from sqlalchemy.exc import IntegrityError

from probe.history.schema import slot as table
from probe.history.store import History


class SlotState(StrEnum):
    """What became of a start."""

    QUEUED = "queued"  # an agent has been asked; what it delivers decides
    RUNNING = "running"
    DONE = "done"  # a record was kept, whatever its verdicts
    STOPPED = "stopped"  # at the end of its budget, or by people; what was recorded is kept
    FAILED = "failed"  # no record came of it
    MISSED = "missed"  # the computer slept, or was off
    SKIPPED = "skipped"  # the lineup was still busy with the run before
    KNOWN = "known"  # no start: since then the sweep is watched


class Booked(NamedTuple):
    """One start. Times: Unix nanoseconds; code: of the record, empty without one."""

    sweep: str
    due_ns: int
    state: SlotState
    why: str
    place: str
    started_ns: int | None
    finished_ns: int | None
    exit_code: int | None
    code: str


def begin(history: History, sweep: str, due_ns: int, *, place: str, now_ns: int, again: bool = False) -> bool:
    """Take a start for this process; False if somebody has it already.

    again: True if this was asked before and the answer was lost on its way: then it may be ours already.
    """
    row = {"sweep": sweep, "due_ns": due_ns, "state": SlotState.RUNNING, "place": place, "started_ns": now_ns}
    return _insert(history, row) or (again and _is_there(history, row))


def note(history: History, sweep: str, due_ns: int, state: SlotState, why: str, *, place: str) -> bool:
    """Book a start that does not happen; False if it is booked already."""
    return _insert(history, {"sweep": sweep, "due_ns": due_ns, "state": state, "why": why, "place": place})


def end(history: History, sweep: str, due_ns: int, state: SlotState, **facts: Any) -> None:
    """Book how a start ended. facts: why, finished_ns, exit_code, code."""
    where = (table.c.sweep == sweep) & (table.c.due_ns == due_ns)
    with history.writing() as connection:
        connection.execute(update(table).where(where).values(state=state, **facts))


def done_until_ns(history: History, sweep: str) -> int:
    """Due time of the latest start that is booked, 0 if there is none."""
    with history.reading() as connection:
        return int(
            connection.execute(select(func.max(table.c.due_ns)).where(table.c.sweep == sweep)).scalar() or 0
        )


def latest(history: History, sweep: str, many: int = 10) -> tuple[Booked, ...]:
    """The latest starts of a sweep, the latest first."""
    columns = [column for column in table.c if column.name != "id"]
    wanted = select(*columns).where(table.c.sweep == sweep).order_by(table.c.due_ns.desc()).limit(many)
    with history.reading() as connection:
        rows = connection.execute(wanted).all()
    return tuple(Booked._make(row)._replace(state=SlotState(row.state)) for row in rows)


def abandoned(history: History, sweep: str, place: str) -> tuple[Booked, ...]:
    """Starts of this place that say they run although nobody holds the lineup: their process died."""
    return tuple(
        one for one in latest(history, sweep) if one.state is SlotState.RUNNING and one.place == place
    )


def _is_there(history: History, row: dict[str, Any]) -> bool:
    wanted = select(table.c.id).where(*(table.c[name] == value for name, value in row.items()))
    with history.reading() as connection:
        return connection.execute(wanted).scalar() is not None


def _insert(history: History, row: dict[str, Any]) -> bool:
    try:
        with history.writing() as connection:
            connection.execute(insert(table), {"why": "", "place": "", **row})
    except IntegrityError:
        return False
    return True
