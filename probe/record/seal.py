"""Seal: the last line of a record, and the short code that two people can read to each other.

The seal line checks itself: ``check`` is the SHA-256 of the seal line as it would be with ``check``,
``signature`` and ``timestamp`` null. A signature, once there is one, signs that same digest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe.record.line import Plain, digest, line

#: Members of a seal's body that do not count for its ``check``.
OPEN_PLACES = ("check", "signature", "timestamp")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What closes a record. count: lines, the seal's own included. head: hash of the line before the seal.

    code: SHA-256 of the seal line; it stands for the whole record and is what goes on paper.
    """

    count: int
    head: str
    complete: bool
    reason: str
    code: str

    @property
    def short(self) -> str:
        """First 24 digits of the code in groups of four, to be read aloud."""
        return spoken(self.code)


def spoken(hash_: str) -> str:
    """The first 24 digits (96 bits) of a hash in six groups of four."""
    return " ".join(hash_[i : i + 4] for i in range(0, 24, 4))


def seal_line(sequence: int, previous: str, *, complete: bool, reason: str) -> bytes:
    """The bytes of the seal line, without its line end."""
    body: dict[str, Plain] = {
        "check": None,
        "complete": complete,
        "count": sequence,
        "head": previous,
        "reason": reason,
        "signature": None,
        "timestamp": None,
    }
    body["check"] = digest(line(sequence, previous, "seal", body))
    return line(sequence, previous, "seal", body)


def seal_check(sequence: int, previous: str, body: Mapping[str, Any]) -> str:
    """What ``check`` must be for a seal line that was read."""
    return digest(line(sequence, previous, "seal", {**body, **dict.fromkeys(OPEN_PLACES)}))


def seal_from(body: Mapping[str, Any], code: str) -> Seal:
    """The seal that a line holds. Raises KeyError, TypeError or ValueError if it is none."""
    if not isinstance(body["complete"], bool):
        raise TypeError("complete is true or false")
    return Seal(
        count=int(body["count"]),
        head=str(body["head"]),
        complete=body["complete"],
        reason=str(body["reason"]),
        code=code,
    )
