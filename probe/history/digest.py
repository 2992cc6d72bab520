"""Digest: what history keeps of one run. Frozen, made from a record, free of any database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.model.finding import Verdict


class Series(NamedTuple):
    """What is followed from run to run. name: of a check (``check`` or ``check#point``) or of a number."""

    subject: str
    name: str
    unit: str = ""


class Fact(NamedTuple):
    """A text about a device that seldom changes: part of its identity, a setting, the map's hash.

    kind: ``identity``, ``setting``, ``text`` (of a map, profile or study).
    """

    kind: str
    subject: str
    name: str


class Said(NamedTuple):
    """A finding that fails or must be reviewed, as far as people are told of it.

    cause: a name that is the same in every run (its kind and whom it is about), empty for none.
    """

    finding: str
    verdict: Verdict
    title: str
    observed: str = ""
    expected: str = ""
    unit: str = ""
    danger: int = 0
    cause: str = ""


class SaidCause(NamedTuple):
    """A cause of this run: its name (see ``Said``), kind, whom it is about, and what it says."""

    id: str
    kind: str
    subjects: tuple[str, ...]
    statement: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDigest:
    """One run. Times are wall time, nanoseconds since 1970 (UTC); code: SHA-256 of the record's last line.

    place: who ran it (an agent's site, or the computer). complete: every required verdict was given.
    tested: subjects that answered for themselves; of others, nothing is concluded from silence here.
    """

    site: str
    lineup: str
    started_ns: int
    finished_ns: int
    code: str
    complete: bool
    tool_version: str
    place: str = ""
    tested: frozenset[str] = frozenset()
    verdicts: Mapping[Series, Verdict] = field(default_factory=dict)
    numbers: Mapping[Series, float] = field(default_factory=dict)
    facts: Mapping[Fact, str] = field(default_factory=dict)
    said: tuple[Said, ...] = ()
    causes: tuple[SaidCause, ...] = ()

    def count(self, verdict: Verdict) -> int:
        """How many findings have this verdict."""
        return sum(one is verdict for one in self.verdicts.values())
