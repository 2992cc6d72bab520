"""Records of a fleet: deliver those that wait, look whether all are there and whole, get one by its code."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from probe.model.errors import InputError, Problem, RecordError
from probe.present.console import emit_json, say
from probe.present.counting import counted
from probe.sweep.object_troubles import StoreTrouble
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.records import Delivery, RecordStore, whole_code

STORE_FORMAT = "buswitness-record-store/1"


def store(fleet: Path, *, check: bool, as_json: bool) -> int:
    """Deliver what waits and tell how records are kept; 3 if some wait or it is away, 4 if one is gone.

    check: each record that the history or the store names is opened and proved.
    Raises InputError if the store cannot be used, or nothing here signs requests.
    """
    place = open_fleet(fleet)
    records = place.records()
    records.ensure_ready()
    done = records.deliver()
    try:
        kept = len(tuple(records.kept()))
        wrong = list(_wrong(place, records)) if check else []
    except StoreTrouble as error:
        if not error.passes:
            raise
        return _away(place, records, error, as_json=as_json)
    if as_json:
        emit_json(
            {
                "format": STORE_FORMAT,
                "kept_in": _kept_in(place),
                "records": kept,
                "sent": done.sent,
                "waiting": done.waiting,
                "trouble": done.trouble,
                "checked": check,
                "wrong": [{"record": name, "why": why} for name, why in wrong],
            }
        )
    else:
        _tell(place, done, kept)
        for _, why in wrong:
            say(why, error=True)
        if check:
            say(f"{len(wrong)} records are gone or altered" if wrong else "every record is there and whole")
    return 4 if wrong else 3 if done.waiting else 0


def _away(place: FleetPlace, records: RecordStore, error: StoreTrouble, *, as_json: bool) -> int:
    """Tell that the store is away: what waits is safe, what is there cannot be looked at; 3."""
    if as_json:
        told = {"kept_in": _kept_in(place), "records": None, "sent": 0, "waiting": records.waiting()}
        emit_json({"format": STORE_FORMAT, **told, "trouble": error.line, "checked": False, "wrong": []})
    else:
        say(str(error), error=True)
        say(f"{records.waiting()} wait in {place.path(place.fleet.records)}")
    return 3


def get(fleet: Path, code: str, *, output: Path | None, as_json: bool) -> int:
    """Write the record with this code (or these first letters of it) to a file, proved; 0.

    Raises RecordError if it is gone or altered, InputError if the store or the file cannot be used.
    """
    with found(open_fleet(fleet).records(), code) as file:
        whole = whole_code(file)
        target = output if output is not None else Path(f"{whole[:16]}.audit.jsonl")
        _copy(file, target)
    if as_json:
        emit_json({"format": "buswitness-record-got/1", "code": whole, "file": str(target)})
    else:
        say(f"Record {whole}")
        say(f"is in {target}. Next: buswitness record show {target}")
    return 0


@contextmanager
def found(records: RecordStore, code: str) -> Iterator[Path]:
    """The record with this code as a checked file. Raises RecordError, InputError."""
    with records.opened(records.by_code(code.lower())) as file:
        yield file


def _wrong(place: FleetPlace, records: RecordStore) -> Iterator[tuple[str, str]]:
    """Records that cannot be opened and proved: all that are kept, and all that the history names."""
    from probe.history.status import kept_codes

    kept = list(records.kept())
    for one in counted(kept, "looking at records"):
        try:
            with records.opened(one):
                continue
        except StoreTrouble:
            raise
        except (InputError, RecordError) as error:
            yield one.name, str(error)
    history = place.open_history()
    try:
        named = kept_codes(history)
    finally:
        history.close()
    here = {one.code[:16] for one in kept}
    for code in sorted(named):
        if code[:16] in here:
            continue
        try:
            with found(records, code):
                continue
        except RecordError as error:
            yield code, str(error)


def _kept_in(place: FleetPlace) -> str:
    store = place.fleet.store
    if store is None:
        return str(place.path(place.fleet.records))
    return f"{store.endpoint}/{store.bucket}/{store.prefix}".rstrip("/")


def _tell(place: FleetPlace, done: Delivery, kept: int) -> None:
    say(f"{kept} records in {_kept_in(place)}")
    if place.fleet.store is not None:
        say(f"{done.sent} sent now, {done.waiting} wait in {place.path(place.fleet.records)}")
    if done.trouble:
        say(done.trouble, error=True)


def _copy(file: Path, target: Path) -> None:
    try:
        if target.exists():
            what = "there is a file of that name; a record is not written over"
            raise InputError([Problem(file=str(target), what=what, remedy="name another with --output")])
        shutil.copyfile(file, target)
    except OSError as error:
        what = f"the record cannot be written: {error.strerror or error}"
        raise InputError([Problem(file=str(target), what=what, remedy="name another file")]) from None
