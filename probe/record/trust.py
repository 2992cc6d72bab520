"""Trust: whose keys a project knows, and which of them count no more; a small YAML file of the project.

A signature proves that the holder of a key sealed a record. Whose key it is, only people can say: they read
fingerprints to each other and write the keys down here. A key that was lost or stolen signs no proof of its
own date: whoever has it can set a clock back. So a record that says it is older than the loss counts only
if a time stamp proves that; of a key that was just retired its own word is taken.

    format: buswitness-trust/1
    project: Tarn Hollow Water Works
    keys:
      - name: A. Tester, commissioning
        public: 3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c
      - name: B. Tester
        public: d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a
        revoked: {on: 2026-03-01, why: lost}
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from probe.model.document import parse
from probe.model.errors import InputError
from probe.model.shape import must_fit
from probe.record.signing import fingerprint

FORMAT = "buswitness-trust/1"
FILE_NAME = "buswitness-trust.yaml"


class Revocation(BaseModel):
    """From which day on a key counts no more (its first moment in UTC), and why."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: date
    why: Literal["lost", "stolen", "retired"]


class TrustedKey(BaseModel):
    """One key that the project knows."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1)
    public: str = Field(pattern=r"^[0-9a-f]{64}$")
    revoked: Revocation | None = None


class Trust(BaseModel):
    """The trust file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal["buswitness-trust/1"]
    project: str = ""
    keys: tuple[TrustedKey, ...]


class Standing(StrEnum):
    """What a project's trust file says of the key that sealed a record."""

    NO_SIGNATURE = "not signed"
    NO_LIST = "no trust file"
    KNOWN = "known"
    UNKNOWN = "unknown"
    REVOKED = "revoked"  # and the record was sealed after that, or nothing proves that it was not
    RETIRED_LATER = "revoked later"  # and the record was sealed before

    @property
    def is_known(self) -> bool | None:
        """True, False, or None where nothing can be said."""
        if self in (Standing.NO_SIGNATURE, Standing.NO_LIST):
            return None
        return self in (Standing.KNOWN, Standing.RETIRED_LATER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatory:
    """Who sealed a record, as far as a trust file tells. name: as it stands there, empty if unknown."""

    standing: Standing
    name: str = ""
    text: str = ""


def find(record: Path) -> Path | None:
    """The trust file beside the record, None if there is none."""
    path = record.parent / FILE_NAME
    return path if path.is_file() else None


def trust_from(name: str, data: bytes) -> Trust:
    """The trust file that the bytes are. Raises InputError with every problem."""
    document = parse(name, data)
    trust = must_fit(document, Trust)
    doubled = [key.public for key in trust.keys]
    problems = [
        document.problem(
            ("keys", number, "public"),
            "this key is in the list twice",
            remedy="keep one of them",
        )
        for number, public in enumerate(doubled)
        if public in doubled[:number]
    ]
    if problems:
        raise InputError(problems)
    return trust


def signatory(trust: Trust | None, public: str, said_wall_ns: int, proved_wall_ns: int | None) -> Signatory:
    """Who sealed it. public: key of the seal, empty for none.

    said_wall_ns: the latest moment that the record itself names. proved_wall_ns: a moment at which a time
    stamp proves that the seal was there, None without one.
    """
    if not public:
        return Signatory(standing=Standing.NO_SIGNATURE, text="nobody signed this record")
    if trust is None:
        return Signatory(standing=Standing.NO_LIST, text="there is no trust file that names keys")
    entry = next((key for key in trust.keys if key.public == public), None)
    if entry is None:
        text = "this key is not in the trust file: anybody can make a key"
        return Signatory(standing=Standing.UNKNOWN, text=text)
    if entry.revoked is None:
        return Signatory(standing=Standing.KNOWN, name=entry.name, text=f"the key of {entry.name}")
    return _revoked(entry, entry.revoked, said_wall_ns, proved_wall_ns)


def _revoked(
    entry: TrustedKey, revocation: Revocation, said_wall_ns: int, proved_wall_ns: int | None
) -> Signatory:
    """What is left of a revoked key."""
    day = datetime.combine(revocation.on, datetime.min.time(), UTC)
    since_ns = int(day.timestamp()) * 1_000_000_000
    told = f"the key of {entry.name}, {revocation.why}, revoked on {revocation.on.isoformat()}"
    if proved_wall_ns is not None and proved_wall_ns < since_ns:
        text = f"{told}; a time stamp proves that the record is older"
        return Signatory(standing=Standing.RETIRED_LATER, name=entry.name, text=text)
    if said_wall_ns >= since_ns:
        text = f"{told}; the record was sealed after that"
    elif revocation.why == "retired":
        text = f"{told}; the record says that it is older"
        return Signatory(standing=Standing.RETIRED_LATER, name=entry.name, text=text)
    else:
        text = f"{told}; the record says that it is older, but only a time stamp could prove it"
    return Signatory(standing=Standing.REVOKED, name=entry.name, text=text)


def entry_text(name: str, public: str) -> str:
    """The lines of a trust file's ``keys`` for a key; the name quoted, whatever is in it."""
    return f"  - name: {json.dumps(name)}\n    public: {public}  # fingerprint {fingerprint(public)}\n"
