"""Parcel: a record packed for its way through the database in pieces, and unpacked; a hash proves them."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from probe.model.errors import Problem, RecordError

PIECE = 256 * 1024
_BLOCK = 1 << 20
#: A record unpacks to no more than this, and so many times its packed size: each line holds 32 bytes of hash,
#: which no packing makes smaller.
_ROOM, _SWELLS = 64 << 20, 200


def pack(record: Path, packed: Path) -> str:
    """Pack the record into a file of its own; SHA-256 of that. The same record gives the same bytes."""
    squeeze, digest = zlib.compressobj(6), hashlib.sha256()
    with record.open("rb") as source, packed.open("wb") as target:
        while block := source.read(_BLOCK):
            digest.update(part := squeeze.compress(block))
            target.write(part)
        digest.update(part := squeeze.flush())
        target.write(part)
    return digest.hexdigest()


def count(packed: Path) -> int:
    """So many pieces it has."""
    return -(-packed.stat().st_size // PIECE)


def pieces(packed: Path, missing: Iterable[int]) -> Iterator[tuple[int, bytes]]:
    """The pieces of these numbers, counted from 0."""
    with packed.open("rb") as source:
        for number in missing:
            source.seek(number * PIECE)
            yield number, source.read(PIECE)


def unpack(parts: Iterable[bytes], sha256: str, record: Path) -> None:
    """Write the record that the pieces hold. Raises RecordError if they are not what was sent."""
    swell, digest, came, made = zlib.decompressobj(), hashlib.sha256(), 0, 0
    try:
        with record.open("wb") as target:
            for part in parts:
                digest.update(part)
                came += len(part)
                while part:  # in steps: a small piece can hold very much
                    made += target.write(swell.decompress(part, _BLOCK))
                    if made > _ROOM + _SWELLS * came:
                        raise _broken(record, f"{came} bytes that swell to more than {made}")
                    part = swell.unconsumed_tail  # noqa: PLW2901
            target.write(swell.flush())
    except zlib.error as error:
        raise _broken(record, f"they cannot be unpacked ({error})") from error
    if digest.hexdigest() != sha256 or not swell.eof:
        raise _broken(record, "their SHA-256 is another one")


def _broken(record: Path, found: str) -> RecordError:
    return RecordError(
        Problem(
            file=record.name,
            what="the pieces of a delivered record are not what was sent",
            found=found,
            allowed="the pieces as the agent packed them",
            remedy="the record lies at the agent's site, in its folder of records; import it from there",
        )
    )
