"""Texts inside frames, cleaned where they are decoded: strings from a device are hostile."""

from __future__ import annotations

#: Longer names than a value of LLDP can hold (9 bits of length, IEEE 802.1AB, 8.4, from memory).
_LONGEST = 511


def words(data: bytes) -> str:
    """The bytes as one line of UTF-8; what cannot be printed (controls, marks of direction) becomes ``?``."""
    text = data[:_LONGEST].decode("utf-8", errors="replace").strip("\0 \r\n\t")
    return "".join(sign if sign.isprintable() else "?" for sign in text)
