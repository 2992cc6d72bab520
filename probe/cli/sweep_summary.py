"""The end of ``sweep run``: what became of each sweep, as a page for people and as data."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DatabaseError

from probe.cli.invocation import command
from probe.history.life import Life
from probe.history.slot_book import SlotState
from probe.history.status import open_lives
from probe.history.store import History
from probe.model.finding import Verdict
from probe.model.fleet import Sweep
from probe.present.console import console
from probe.present.page import page_width, print_rows
from probe.present.signs import signs_for
from probe.present.sweep_page import SweepLine, sweep_rows
from probe.sweep.records import Delivery, RecordStore
from probe.sweep.run import Outcome

Done = Sequence[tuple[Sweep, Outcome]]


def exit_code(done: Done) -> int:
    """The worst of the runs: 3 incomplete, not done or not in the history yet; 1 something fails; else 0."""
    # A start that an agent was asked for has its answer later.
    codes = {_code(outcome) for _, outcome in done if outcome.state is not SlotState.QUEUED}
    return 3 if 3 in codes else max(codes, default=0)


def _code(outcome: Outcome) -> int:
    is_done = outcome.state is SlotState.DONE and outcome.exit_code is not None
    return (outcome.exit_code or 0) if is_done else 3


def lives_of(history: History, done: Done) -> list[tuple[Life, ...]]:
    """Open findings behind each outcome, the most dangerous first; none where the history cannot tell."""
    found: list[tuple[Life, ...]] = []
    for _, outcome in done:
        try:
            found.append(open_lives(history, outcome.kept.lineup_id) if outcome.kept else ())
        except DatabaseError:
            found.append(())
    return found


def show(
    fleet: Path, done: Done, lives: Sequence[tuple[Life, ...]], delivery: Delivery, *, stopped: bool
) -> None:
    """Print the page, plain where stdout is no terminal."""
    target = console(sys.stdout)
    signs = signs_for(target.encoding, os.environ.get("TERM", ""))
    lines = [_line(sweep, outcome, open_) for (sweep, outcome), open_ in zip(done, lives, strict=True)]
    following = [
        (command("sweep", "status", fleet), "how every lineup stands"),
        (command("sweep", "drift", fleet), "what changed since the accepted run"),
    ]
    waits = [waiting_words(delivery)] if delivery.waiting else []
    waits += ["stopped by the operator: the other sweeps were not begun"] if stopped else []
    if delivery.waiting:
        following.append((command("sweep", "store", fleet), "delivers what waits"))
    print_rows(target, sweep_rows(lines, "; ".join(waits), following, page_width(target), signs))


def waiting_words(delivery: Delivery) -> str:
    """What waits for the store, and why."""
    many = "1 record waits" if delivery.waiting == 1 else f"{delivery.waiting} records wait"
    return f"{many} for the store" + (f": {delivery.trouble}" if delivery.trouble else "")


def as_data(sweep: Sweep, outcome: Outcome, lives: Sequence[Life], records: RecordStore) -> dict[str, object]:
    """One outcome for machines."""
    kept = outcome.kept
    return {
        "sweep": sweep.name,
        "state": outcome.state.value,
        "why": outcome.why,
        "exit_code": outcome.exit_code,
        "record": _record(outcome, records),
        "code": outcome.digest.code if outcome.digest else None,
        "waits_for_history": outcome.waits,
        "opened": [life.finding for life in kept.turn.opened] if kept else [],
        "closed": [life.finding for life in kept.turn.closed] if kept else [],
        "changed": [life.finding for life in kept.turn.changed] if kept else [],
        "open": len(lives),
        "changes": [_change(one) for one in (kept.changes if kept else ())],
    }


def _change(one: Any) -> dict[str, object]:
    return {"subject": one.fact.subject, "name": one.fact.name, "before": one.before, "after": one.after}


def _record(outcome: Outcome, records: RecordStore) -> str | None:
    """Where the record lies now: a file, or the address of an object."""
    if outcome.digest is None or (outcome.record is not None and outcome.record.exists()):
        return str(outcome.record) if outcome.record else None
    return records.address(outcome.digest.code)


def _line(sweep: Sweep, outcome: Outcome, lives: Sequence[Life]) -> SweepLine:
    kept = outcome.kept
    if kept is None:
        asked = outcome.state is SlotState.QUEUED
        word = outcome.why if asked else f"{outcome.state.value}: {outcome.why}"
        return SweepLine(sweep.name, Verdict.NOT_TESTED, word=word, has_run=False)
    word = f"{lives[0].subject}: {lives[0].title}" if lives else ""
    if outcome.state is not SlotState.DONE:
        word = f"{outcome.state.value}: {outcome.why}"
    turn = kept.turn
    return SweepLine(
        sweep.name,
        _verdict(outcome, lives),
        opened=len(turn.opened),
        closed=len(turn.closed),
        changed=len(turn.changed),
        open=len(lives),
        facts=sum(one.before is not None for one in kept.changes),  # not those that are seen first
        word=word,
    )


def _verdict(outcome: Outcome, lives: Sequence[Life]) -> Verdict:
    """The one word for a run; one that is not complete is never a pass."""
    if _code(outcome) == 1:
        return Verdict.FAIL
    if _code(outcome):
        return Verdict.NOT_TESTED
    return Verdict.REVIEW if lives else Verdict.PASS
