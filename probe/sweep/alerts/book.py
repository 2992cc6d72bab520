"""Alerts and messages in the history: read, brought forward, acknowledged; messages wait to be taken."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, insert, select, update

from probe.history.schema import alert as alerts_table
from probe.history.schema import message as messages_table
from probe.history.store import History
from probe.model.finding import Verdict
from probe.sweep.alerts.state import Alert, AlertState, Step
from probe.sweep.alerts.troubles import Trouble


class Message(NamedTuple):
    """Something to tell one channel. body: what ``texts`` made; tries: how often it failed so far."""

    id: int
    channel: str
    made_ns: int
    body: dict[str, Any]
    tries: int
    trouble: str


def bring_forward(
    history: History,
    sweep: str,
    stepped: Callable[[dict[str, Alert]], Step],
    messages: Callable[[Step], Iterable[tuple[str, dict[str, Any]]]],
    now_ns: int,
) -> Step:
    """Change a sweep's alerts and write what must be told, in one transaction: both or nothing.

    stepped: from the alerts that are not over, by key. messages: channel and body of each message.
    """
    with history.writing() as connection:
        step = stepped({one.trouble.key: one for one in _current(connection, sweep)})
        for one in step.alerts:
            _store(connection, sweep, one)
        rows = [
            {"channel": channel, "made_ns": now_ns, "next_ns": now_ns, "body": json.dumps(body)}
            for channel, body in messages(step)
        ]
        if rows:
            connection.execute(insert(messages_table), rows)
    return step


def current(history: History, sweep: str = "") -> tuple[tuple[str, Alert], ...]:
    """Alerts that are not over, with their sweep, the most dangerous first."""
    table = alerts_table
    wanted = select(table).where(table.c.state != AlertState.OVER)
    if sweep:
        wanted = wanted.where(table.c.sweep == sweep)
    with history.reading() as connection:
        rows = connection.execute(wanted.order_by(table.c.danger.desc(), table.c.since_ns)).all()
    return tuple((row.sweep, _alert(row)) for row in rows)


def acknowledge(history: History, alert_id: int, *, by: str, reason: str, quiet_until_ns: int = 0) -> bool:
    """Note that somebody knows; with a time, nothing more is told until then. False for no such alert."""
    table = alerts_table
    where = (table.c.id == alert_id) & (table.c.state != AlertState.OVER)
    values = {"acknowledged_by": by, "reason": reason, "quiet_until_ns": quiet_until_ns}
    with history.writing() as connection:
        return bool(connection.execute(update(table).where(where).values(**values)).rowcount)


def waiting(history: History, now_ns: int) -> tuple[Message, ...]:
    """Messages whose time has come, the oldest first."""
    table = messages_table
    where = table.c.done_ns.is_(None) & (table.c.next_ns <= now_ns)
    with history.reading() as connection:
        rows = connection.execute(select(table).where(where).order_by(table.c.id)).all()
    return tuple(
        Message(row.id, row.channel, row.made_ns, json.loads(row.body), row.tries, row.trouble)
        for row in rows
    )


def unsent(history: History) -> int:
    """How many messages still wait."""
    table = messages_table
    with history.reading() as connection:
        return len(connection.execute(select(table.c.id).where(table.c.done_ns.is_(None))).all())


def taken(history: History, message: Message, now_ns: int) -> None:
    """The other side has the message."""
    _note(history, message, {"done_ns": now_ns, "trouble": ""})


def put_off(history: History, message: Message, next_ns: int, trouble: str) -> None:
    """It could not be told now: again at this time."""
    values = {"tries": message.tries + 1, "next_ns": next_ns, "trouble": trouble[:500]}
    _note(history, message, values)


def _note(history: History, message: Message, values: dict[str, Any]) -> None:
    table = messages_table
    with history.writing() as connection:
        connection.execute(update(table).where(table.c.id == message.id).values(**values))


def _current(connection: Connection, sweep: str) -> Sequence[Alert]:
    table = alerts_table
    wanted = select(table).where(table.c.sweep == sweep, table.c.state != AlertState.OVER).with_for_update()
    return [_alert(row) for row in connection.execute(wanted)]


def _alert(row: Any) -> Alert:
    members = tuple(json.loads(row.members))
    return Alert(
        Trouble(row.key, Verdict(row.verdict), row.danger, row.title, members),
        AlertState(row.state),
        row.seen,
        row.since_ns,
        row.over_ns,
        row.id,
        row.acknowledged_by,
        row.reason,
        row.quiet_until_ns,
    )


def _store(connection: Connection, sweep: str, one: Alert) -> None:
    table = alerts_table
    values = {
        "state": one.state.value,
        "verdict": one.trouble.verdict.value,
        "danger": one.trouble.danger,
        "title": one.trouble.title,
        "members": json.dumps(one.trouble.members),
        "seen": one.seen,
        "over_ns": one.over_ns,
    }
    if one.id:
        connection.execute(update(table).where(table.c.id == one.id).values(**values))
    else:
        row = {"sweep": sweep, "key": one.trouble.key, "since_ns": one.since_ns, **values}
        connection.execute(insert(table), row)
