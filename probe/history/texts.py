"""Facts, bad findings and causes of a run as bytes, and back."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping, Sequence

import orjson

from probe.history.digest import Fact, Said, SaidCause
from probe.model.finding import Verdict


def pack_facts(facts: Mapping[Fact, str]) -> tuple[str, bytes]:
    """SHA-256 and bytes of the facts in their order."""
    data = orjson.dumps([[*fact, value] for fact, value in sorted(facts.items())])
    return hashlib.sha256(data).hexdigest(), zlib.compress(data, 6)


def facts_of(packed: bytes) -> dict[Fact, str]:
    """The facts of ``pack_facts``."""
    return {
        Fact(kind, subject, name): value
        for kind, subject, name, value in orjson.loads(zlib.decompress(packed))
    }


def pack_said(said: Sequence[Said], causes: Sequence[SaidCause], tested: frozenset[str]) -> bytes:
    """What a run says in words, and who answered."""
    data = orjson.dumps([[list(one) for one in said], [list(one) for one in causes], sorted(tested)])
    return zlib.compress(data, 1)


def said_of(packed: bytes) -> tuple[tuple[Said, ...], tuple[SaidCause, ...], frozenset[str]]:
    """The three of ``pack_said``."""
    said, causes, tested = orjson.loads(zlib.decompress(packed))
    return (
        tuple(Said(name, Verdict(verdict), *rest) for name, verdict, *rest in said),
        tuple(SaidCause(name, kind, tuple(subjects), text) for name, kind, subjects, text in causes),
        frozenset(tested),
    )
