"""Sound: a digest that any database can hold, whatever a device said or a forger wrote.

PostgreSQL keeps no NUL in a text (its documentation, 8.3), and devices have them inside their names; a time
has 64 bits in every database.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from typing import Any

from probe.history.digest import RunDigest
from probe.model.errors import InputError, Problem

NUL, SHOWN = "\0", "\u2400"  # the sign for it
_AFTER_ALL_NS = 1 << 63


def sound(digest: RunDigest) -> RunDigest:
    """The digest, each NUL replaced by the sign for it. Raises InputError for times that are none."""
    for field, at_ns in (("started", digest.started_ns), ("finished", digest.finished_ns)):
        if not 0 <= at_ns < _AFTER_ALL_NS:
            raise InputError([_no_time(digest, field, at_ns)])
    names = [one.name for one in fields(digest)]
    if not any(NUL in text for name in names for text in _texts(getattr(digest, name))):
        return digest
    return replace(digest, **{name: _shown(getattr(digest, name)) for name in names})


def _no_time(digest: RunDigest, field: str, at_ns: int) -> Problem:
    return Problem(
        file=f"{digest.site} / {digest.lineup}",
        what="the record's time is none",
        field=field,
        found=f"{at_ns} ns since 1970"[:60],
        allowed="years 1970 to 2262",
        remedy="the computer that made the record had a wrong clock, or the record was forged; leave it out",
    )


def _texts(value: Any) -> Iterator[str]:
    """Every text inside. Any: texts, numbers, and tuples, sets and mappings of them."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for pair in value.items():
            yield from _texts(pair)
    elif isinstance(value, tuple | frozenset):
        for one in value:
            yield from _texts(one)


def _shown(value: Any) -> Any:
    if isinstance(value, str):
        return value.replace(NUL, SHOWN) if type(value) is str else value
    if isinstance(value, Mapping):
        return {_shown(key): _shown(one) for key, one in value.items()}
    if isinstance(value, frozenset):
        return frozenset(map(_shown, value))
    if isinstance(value, tuple):
        inside = map(_shown, value)
        return type(value)(*inside) if hasattr(value, "_fields") else tuple(inside)
    return value
