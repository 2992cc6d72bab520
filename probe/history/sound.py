"""Sound: a digest that any database can hold, whatever a device said or a forger wrote.

PostgreSQL keeps no NUL in a text (its documentation, 8.3), and devices have them inside their names; a time
has 64 bits in every database.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from itertools import chain
from typing import Any

from probe.history.digest import RunDigest
from probe.model.errors import InputError, Problem

NUL, SHOWN = "\0", "\u2400"  # the sign for it
_AFTER_ALL_NS = 1 << 63
_LONG = ("verdicts", "numbers", "facts", "tested")


def sound(digest: RunDigest) -> RunDigest:
    """The digest, each NUL replaced by the sign for it. Raises InputError for times that are none."""
    for field, at_ns in (("started", digest.started_ns), ("finished", digest.finished_ns)):
        if not 0 <= at_ns < _AFTER_ALL_NS:
            raise InputError([_no_time(digest, field, at_ns)])
    if not _holds_nul(digest):
        return digest
    return replace(digest, **{one.name: _shown(getattr(digest, one.name)) for one in fields(digest)})


def _holds_nul(digest: RunDigest) -> bool:
    """True if a text inside holds NUL. The long parts are joined: a run has a thousand series or more."""
    names = chain(digest.verdicts, digest.numbers, digest.facts)
    if NUL in "".join(chain(chain.from_iterable(names), digest.facts.values(), digest.tested)):
        return True
    rest = (one.name for one in fields(digest) if one.name not in _LONG)
    return any(NUL in text for name in rest for text in _texts(getattr(digest, name)))


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
