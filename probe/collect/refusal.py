"""What to ask instead of a block that a device refused: smaller blocks that cut no atom. Pure.

Exception 2 (illegal data address) on a block usually means an unknown hole: the block is parted in two
until the part that is refused holds one piece. Exception 3 (illegal data value), and 2 when both parts are
answered, mean that the device's block limit is below the profile's: the limit is halved once and remembered
for the device in this run.

Rules: MODBUS Application Protocol Specification V1.1b3, 7 (exception codes); how devices use them is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from probe.collect.plan import Piece, PlanError, Price, Read, cover


def parted(read: Read) -> tuple[Read, ...]:
    """The read in two, of sizes as near as the pieces allow; () if it holds nothing that can be parted."""
    if len(read.pieces) < 2:
        return ()
    chain = sorted(read.pieces, key=lambda piece: (piece.end, piece.start))
    cut = min(range(1, len(chain)), key=lambda at: _larger(chain, at))
    halves = (_hull(chain[:cut]), _hull(chain[cut:]))
    if any(half.quantity >= read.quantity for half in halves):
        return _each(read)
    return halves


def within(read: Read, limit: int, price: Price) -> tuple[Read, ...]:
    """The read in as many blocks of at most ``limit`` as are needed; () if a piece is wider than that."""
    try:
        return tuple(cover(read.pieces, limit, (), price))
    except PlanError:
        return ()


def _larger(chain: Sequence[Piece], cut: int) -> int:
    return max(_hull(chain[:cut]).quantity, _hull(chain[cut:]).quantity)


def _hull(pieces: Sequence[Piece]) -> Read:
    start, end = min(piece.start for piece in pieces), max(piece.end for piece in pieces)
    return Read(pieces[0].area, start, end, tuple(pieces))


def _each(read: Read) -> tuple[Read, ...]:
    """One read a piece, where a wide piece lies over the others; the wide one last, each range once."""
    reads = {(p.start, p.end): _hull([p]) for p in sorted(read.pieces, key=lambda p: p.end - p.start)}
    return tuple(r for r in reads.values() if r.quantity < read.quantity)
