"""State of alerts: what one run does to them. Pure.

An alert comes with the first run that shows the trouble, opens after ``open_after`` runs in a row, goes with
the first that does not show it, and is over after ``clear_after`` in a row. People are told twice: when it
opens, and when it is over, with how long it lasted. One that comes back while it goes was never away.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import NamedTuple

from probe.model.finding import Verdict
from probe.sweep.alerts.troubles import Trouble


class AlertState(StrEnum):
    """Where an alert stands."""

    COMING = "coming"  # seen, but not often enough to wake anybody
    OPEN = "open"
    GOING = "going"  # not seen any more, but not long enough to call it over
    OVER = "over"


class Alert(NamedTuple):
    """One trouble over time. seen: runs in a row that showed it, or, going, did not. id: 0 for a new one.

    quiet_until_ns: snoozed by people until then; acknowledged_by: who knows of it, with the reason.
    """

    trouble: Trouble
    state: AlertState
    seen: int
    since_ns: int
    over_ns: int | None = None
    id: int = 0
    acknowledged_by: str = ""
    reason: str = ""
    quiet_until_ns: int = 0


class Event(StrEnum):
    """What people are told."""

    OPENED = "opened"
    WORSE = "worse"
    OVER = "over"


class Step(NamedTuple):
    """What a run does. alerts: all that changed (also silently); told: what people hear of."""

    alerts: tuple[Alert, ...]
    told: tuple[tuple[Event, Alert], ...]


def step(
    alerts: Mapping[str, Alert],
    troubles: Iterable[Trouble],
    at_ns: int,
    *,
    open_after: int,
    clear_after: int,
) -> Step:
    """The state after a run. alerts: those not over, by key. at_ns: when the run began (wall)."""
    changed: list[Alert] = []
    told: list[tuple[Event, Alert]] = []
    shown = {trouble.key: trouble for trouble in troubles}
    for key, trouble in shown.items():
        after, event = _shown(alerts.get(key), trouble, at_ns, open_after)
        changed.append(after)
        if event is not None and at_ns >= after.quiet_until_ns:
            told.append((event, after))
    for key, alert in alerts.items():
        if key not in shown:
            after = _not_shown(alert, at_ns, clear_after)
            changed.append(after)
            if after.state is AlertState.OVER and alert.state is not AlertState.COMING:
                told.append((Event.OVER, after))
    return Step(tuple(changed), tuple(told))


def _shown(old: Alert | None, trouble: Trouble, at_ns: int, open_after: int) -> tuple[Alert, Event | None]:
    if old is None:
        state = AlertState.OPEN if open_after <= 1 else AlertState.COMING
        return Alert(trouble, state, 1, at_ns), Event.OPENED if state is AlertState.OPEN else None
    worse = trouble.verdict is Verdict.FAIL and old.trouble.verdict is not Verdict.FAIL
    if old.state is AlertState.COMING:
        seen = old.seen + 1
        state = AlertState.OPEN if seen >= open_after else AlertState.COMING
        event = Event.OPENED if state is AlertState.OPEN else None
        return old._replace(trouble=trouble, state=state, seen=seen), event
    after = old._replace(trouble=trouble, state=AlertState.OPEN, seen=old.seen + 1)
    return after, Event.WORSE if worse else None


def _not_shown(old: Alert, at_ns: int, clear_after: int) -> Alert:
    if old.state is AlertState.COMING:
        return old._replace(state=AlertState.OVER, over_ns=at_ns)
    seen = old.seen + 1 if old.state is AlertState.GOING else 1
    if seen >= clear_after:
        return old._replace(state=AlertState.OVER, over_ns=at_ns, seen=seen)
    return old._replace(state=AlertState.GOING, seen=seen)
