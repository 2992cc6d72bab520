"""Printable: texts made fit for a page; what cannot be shown is shown by its number, never dropped.

Names from devices may hold anything. Control signs would act in a terminal or a reader, marks of reading
direction turn a text round, and a sign that the fonts lack makes a PDF/A export fail: all of them become
their number, ``[U+001B]``. Nothing else is changed.
"""

from __future__ import annotations

import re

#: What the fonts inside the typesetter hold (its own Libertinus, New Computer Modern and DejaVu), without
#: marks that combine and letters that run from right to left; a test sets every one of them.
_RANGES = (
    (0x20, 0x7E), (0xA0, 0xAC), (0xAE, 0x2FF), (0x370, 0x377), (0x37A, 0x37F), (0x384, 0x38A),
    (0x38C, 0x38C), (0x38E, 0x3A1), (0x3A3, 0x482), (0x48A, 0x4FF), (0x1E00, 0x1F15), (0x1F18, 0x1F1D),
    (0x1F20, 0x1F45), (0x1F48, 0x1F4D), (0x1F50, 0x1F57), (0x1F59, 0x1F59), (0x1F5B, 0x1F5B),
    (0x1F5D, 0x1F5D), (0x1F5F, 0x1F7D), (0x1F80, 0x1FB4), (0x1FB6, 0x1FC4), (0x1FC6, 0x1FD3),
    (0x1FD6, 0x1FDB), (0x1FDD, 0x1FEF), (0x1FF2, 0x1FF4), (0x1FF6, 0x1FFE), (0x2009, 0x2009),
    (0x202F, 0x202F), (0x2010, 0x2027), (0x2030, 0x2040), (0x2042, 0x2042), (0x2044, 0x2052),
    (0x2054, 0x205E), (0x2070, 0x2071),
    (0x2074, 0x208E), (0x2090, 0x209C), (0x20A0, 0x20C0), (0x2100, 0x211E), (0x2120, 0x2120),
    (0x2122, 0x2122), (0x2124, 0x2124), (0x2126, 0x2151), (0x2153, 0x2184), (0x2189, 0x2189),
    (0x2190, 0x23FF), (0x2422, 0x2423), (0x2460, 0x25FF), (0x2701, 0x2704), (0x2706, 0x2709),
    (0x270C, 0x2727), (0x2729, 0x274B), (0xFB00, 0xFB06), (0xFFFD, 0xFFFD),
)  # fmt: skip

_PRINTED = "".join(f"{re.escape(chr(low))}-{re.escape(chr(high))}" for low, high in _RANGES)
_NOT_PRINTED = re.compile(f"[^{_PRINTED}]")
#: C0 and C1 controls, DEL, marks of direction and of nothing, line ends of Unicode, surrogates, non-signs.
_NOT_SHOWN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u2028-\u202e"
    "\u2060-\u206f\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff0-\ufffb\ufffe\uffff\ud800-\udfff\U000e0000-\U000e0fff]"
)


def printable(text: str) -> str:
    """The text with every sign that a page cannot carry as its number; tabs and line ends become blanks."""
    return _NOT_PRINTED.sub(_number, _blanks(text))


def showable(text: str) -> str:
    """The text with every sign that acts, or cannot be seen, as its number; a browser has its own fonts."""
    return _NOT_SHOWN.sub(_number, _blanks(text))


def _blanks(text: str) -> str:
    return text.replace("\r\n", " ").replace("\n", " ").replace("\t", " ")


def _number(match: re.Match[str]) -> str:
    return f"[U+{ord(match.group()):04X}]"


def file_name(text: str, otherwise: str) -> str:
    """The last part of a path as a file name that no system takes amiss: ASCII, no dots in front."""
    last = re.split(r"[\\/]", text)[-1]
    tame = re.sub(r"[^A-Za-z0-9._-]+", "_", last).lstrip("._-")[:80].rstrip(". ")
    return tame or otherwise
