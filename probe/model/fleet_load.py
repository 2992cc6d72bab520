"""Fleet text to a ``Fleet``, with every problem and its place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePath

from probe.model.document import Document, parse, shown
from probe.model.errors import InputError, Problem
from probe.model.fleet import Fleet
from probe.model.shape import must_fit

HINTS = {"cron": "at", "schedule": "at", "timeout": "budget", "database": "history", "timezone": "zone"}


def load_fleet(name: str, data: bytes | str) -> Fleet:
    """The fleet in the text. Raises InputError with every problem found."""
    document = parse(name, data)
    fleet = must_fit(document, Fleet, hints=HINTS)
    if not fleet.sweeps:
        remedy = "add entries, each with name, map and at"
        raise InputError([document.problem(("sweeps",), "the fleet has no sweeps", remedy=remedy)])
    if problems := tuple(_doubles(document, fleet)):
        raise InputError(problems)
    return fleet


def _doubles(document: Document, fleet: Fleet) -> Iterator[Problem]:
    """Two sweeps of one name, or of one map: they would open the same gear for the same work."""
    for field in ("name", "map"):
        seen: dict[str, int] = {}
        for number, sweep in enumerate(fleet.sweeps):
            value = getattr(sweep, field)
            key = PurePath(value).as_posix().casefold()
            if key in seen:
                first = document.place(("sweeps", seen[key], field))
                yield document.problem(
                    ("sweeps", number, field),
                    f"two sweeps have the {field} {shown(value)}; first at {first}",
                    found=shown(value),
                    remedy="give each its own name"
                    if field == "name"
                    else "make one sweep of them, with one time table",
                )
            else:
                seen[key] = number
