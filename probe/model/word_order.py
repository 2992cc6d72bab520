"""Byte and word orders, written as letters; A is the most significant byte.

The letters stand in the order in which the bytes come over the wire: ``CDAB`` means that the first
register holds the less significant half. MODBUS fixes the order inside one register only (high byte
first); everything wider is the device's choice, so it is always stated, never guessed.

    value 123.456 (f32) = 42 F6 E9 79
    ABCD  42 F6 E9 79      CDAB  E9 79 42 F6      BADC  F6 42 79 E9      DCBA  79 E9 F6 42

Source: MODBUS Application Protocol Specification V1.1b3, 4.2 (big-endian inside a register).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter

LETTERS = "ABCDEFGH"

# The four orders by which a device writes all its values, and what each means for 16, 32 and 64 bit.
FAMILIES = {
    "ABCD": {1: "AB", 2: "ABCD", 4: "ABCDEFGH"},
    "CDAB": {1: "AB", 2: "CDAB", 4: "GHEFCDAB"},
    "BADC": {1: "AB", 2: "BADC", 4: "BADCFEHG"},
    "DCBA": {1: "AB", 2: "DCBA", 4: "HGFEDCBA"},
}


@dataclass(frozen=True, slots=True)
class WordOrder:
    """How the bytes of one number lie in its registers; ``to_plain`` and ``to_wire`` reorder them.

    lane: (bytes swapped inside each register, little-endian after that) when a whole block can be
    unpacked at once by ``struct``; None for orders that need one look-up a byte.
    """

    letters: str
    lane: tuple[bool, bool] | None
    to_plain: Callable[[bytes], bytes]
    to_wire: Callable[[bytes], bytes]


def default_order(family: str, registers: int) -> str:
    """The letters for a number of 1, 2 or 4 registers when the profile says ``family`` for all.

    A single register is ``AB`` in every family: a device that swaps there too says so at the point.
    """
    return FAMILIES[family][registers]


@lru_cache(maxsize=256)
def parse_order(letters: str, registers: int) -> WordOrder:
    """The order named by the letters, for a number of 1, 2 or 4 registers.

    Raises ValueError (with what is allowed) for letters that are no word and byte order.
    """
    plain = LETTERS[: 2 * registers]
    if sorted(letters) != sorted(plain):
        raise ValueError(f"needs each of the letters {plain} once")
    pairs = [letters[i : i + 2] for i in range(0, len(letters), 2)]
    straight = [pair in ("AB", "CD", "EF", "GH") for pair in pairs]
    swapped = [pair in ("BA", "DC", "FE", "HG") for pair in pairs]
    if not (all(straight) or all(swapped)):
        raise ValueError("each register holds a pair (AB, CD, ...), all straight or all swapped")
    forward = tuple(letters.index(letter) for letter in plain)
    back = tuple(plain.index(letter) for letter in letters)
    return WordOrder(letters, _lane(letters, plain), _reorder(forward), _reorder(back))


def _lane(letters: str, plain: str) -> tuple[bool, bool] | None:
    """Which of the four regular layouts the letters are, if any."""
    turned = "".join(letters[i + 1] + letters[i] for i in range(0, len(letters), 2))
    table = {plain: (False, False), plain[::-1]: (False, True)}
    if letters in table:
        return table[letters]
    return {plain: (True, False), plain[::-1]: (True, True)}.get(turned)


def _reorder(source: tuple[int, ...]) -> Callable[[bytes], bytes]:
    """A function that picks the bytes in the given order."""
    if source == tuple(range(len(source))):
        return bytes
    if source == tuple(range(len(source)))[::-1]:
        return lambda raw: raw[::-1]
    pick = itemgetter(*source)
    return lambda raw: bytes(pick(raw))
