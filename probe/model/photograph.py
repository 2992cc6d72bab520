"""Photograph: how a file is named in an operator's answer, by its hash; the bytes stay where they are.

The answer's ``question`` is the file's name, ``said`` its SHA-256 and its size.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

from probe.model.evidence import OperatorAnswer


class Photograph(NamedTuple):
    """One file. size: bytes, 0 where the record does not tell it."""

    name: str
    sha256: str
    size: int


def photograph(name: str, data: bytes) -> Photograph:
    """How a record names the file of these bytes."""
    return Photograph(name, hashlib.sha256(data).hexdigest(), len(data))


def said_of(photo: Photograph) -> str:
    """What stands in the answer: hash and size."""
    return f"{photo.sha256} {photo.size} bytes"


def photograph_of(answer: OperatorAnswer) -> Photograph:
    """The photograph that an answer names."""
    code, _, rest = answer.said.partition(" ")
    size = rest.partition(" ")[0]
    return Photograph(answer.question, code, int(size) if size.isdecimal() else 0)
