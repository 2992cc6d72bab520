"""Rebuild: a history that is damaged is set aside and made again from the records."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from probe.history.distil import distil_file
from probe.history.keep import Keeper
from probe.history.store import open_history
from probe.model.errors import InputError, RecordError
from probe.sweep.object_troubles import StoreTrouble
from probe.sweep.place import FleetPlace
from probe.sweep.records import KeptRecord


class Rebuilt(NamedTuple):
    """What came of it. aside: the old files, where they lie now; refused: unreadable records, and why."""

    aside: tuple[Path, ...]
    taken: int
    refused: tuple[tuple[str, str], ...]


def rebuild(
    place: FleetPlace,
    *,
    stamp: str = "",
    counted: Callable[[Sequence[KeptRecord]], Iterable[KeptRecord]] = iter,
) -> Rebuilt:
    """Set the history of the fleet aside (a file is renamed, nothing is deleted) and make it again.

    A history on PostgreSQL is not set aside: what it misses is added. counted: shows progress.
    What only the history knew is not in records: accepted baselines and booked starts.
    Raises InputError if the new history cannot be made, or the store of the records cannot be reached: then
    the old one is left where it is.
    """
    records = place.records()
    kept = tuple(records.kept())
    stamp = stamp or datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = [] if "://" in place.history_name else _set_aside(Path(place.history_name), stamp)
    history = open_history(place.history_name)
    keeper, taken, refused = Keeper(history), 0, []
    try:
        for one in counted(kept):
            try:
                with records.opened(one, checked=False) as file:
                    digest = distil_file(file)  # which proves each line
                records.ensure_is(digest.code, one)
                taken += keeper.keep(digest).is_new
            except StoreTrouble:
                raise
            except (InputError, RecordError) as error:
                refused.append((one.name, str(error)))
    finally:
        history.close()
    return Rebuilt(tuple(aside), taken, tuple(refused))


def _set_aside(file: Path, stamp: str) -> list[Path]:
    """Rename the database and what SQLite keeps beside it."""
    moved = []
    for suffix in ("", "-wal", "-shm"):
        old = file.with_name(file.name + suffix)
        if old.exists():
            new = file.with_name(f"{file.name}.damaged-{stamp}{suffix}")
            old.rename(new)
            moved.append(new)
    return moved
