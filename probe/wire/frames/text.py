"""Text that stations send about themselves: hostile until cleaned, bounded in length."""

from __future__ import annotations

import unicodedata

_LONGEST = 255


def station_text(data: bytes) -> str:
    """The text with control and format signs shown as ``<XX>``, at most 255 signs, ends stripped."""
    text = data[:1024].decode("utf-8", "replace").strip("\0 ")
    return "".join(_harmless(sign) for sign in text)[:_LONGEST]


def _harmless(sign: str) -> str:
    if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp"):
        return f"<{ord(sign):02X}>"
    return sign
