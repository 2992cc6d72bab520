"""Seal: the last line of a record, and the short code that two people can read to each other.

The seal line checks itself: ``check`` is the SHA-256 of the seal line as it would be with ``check``,
``signature`` and ``timestamp`` null. The signature signs that same digest (``signing.seal_message``).
``timestamp`` stays null: a time stamp is given for a finished file and stands beside it (``timestamp``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe.record.line import Plain, digest, line
from probe.record.signing import SIGNATURE_DIGITS, Signer, digits, seal_message

#: Members of a seal's body that do not count for its ``check``.
OPEN_PLACES = ("check", "signature", "timestamp")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What closes a record. count: lines, the seal's own included. head: hash of the line before the seal.

    code: SHA-256 of the seal line; it stands for the whole record and is what goes on paper.
    public: the public key that signed it, empty for nobody.
    """

    count: int
    head: str
    complete: bool
    reason: str
    code: str
    public: str = ""

    @property
    def short(self) -> str:
        """First 24 digits of the code in groups of four, to be read aloud."""
        return spoken(self.code)


def spoken(hash_: str) -> str:
    """The first 24 digits (96 bits) of a hash in six groups of four."""
    return " ".join(hash_[i : i + 4] for i in range(0, 24, 4))


def seal_line(
    sequence: int, previous: str, *, complete: bool, reason: str, signer: Signer | None = None
) -> bytes:
    """The bytes of the seal line, without its line end; signed if there is a signer."""
    body: dict[str, Plain] = {
        "check": None,
        "complete": complete,
        "count": sequence,
        "head": previous,
        "reason": reason,
        "signature": None,
        "timestamp": None,
    }
    check = digest(line(sequence, previous, "seal", body))
    body["check"] = check
    if signer is not None:
        body["signature"] = signer.sign(seal_message(check))
    return line(sequence, previous, "seal", body)


def seal_check(sequence: int, previous: str, body: Mapping[str, Any]) -> str:
    """What ``check`` must be for a seal line that was read."""
    return digest(line(sequence, previous, "seal", {**body, **dict.fromkeys(OPEN_PLACES)}))


def signature_of(body: Mapping[str, Any]) -> str:
    """The signature that a seal holds, empty for none. Raises KeyError or ValueError if it cannot be one."""
    signature = body["signature"]
    return "" if signature is None else digits(signature, SIGNATURE_DIGITS)


def seal_from(body: Mapping[str, Any], code: str, public: str = "") -> Seal:
    """The seal that a line holds. Raises KeyError, TypeError or ValueError if it is none."""
    if not isinstance(body["complete"], bool):
        raise TypeError("complete is true or false")
    return Seal(
        count=int(body["count"]),
        head=str(body["head"]),
        complete=body["complete"],
        reason=str(body["reason"]),
        code=code,
        public=public,
    )
