"""Bytes of an input file to text: what is refused before anybody parses it, and values shown safely.

UTF-8 only; a byte order mark is kept in the text (``text.encode()`` gives the bytes back).
"""

from __future__ import annotations

import re
from typing import Any

from probe.model.errors import InputError, Problem

#: A map of 4,000 devices has about 1.5 MB.
LIMIT_BYTES = 8 * 1024 * 1024

_TAB = re.compile(r"^ *\t", re.MULTILINE)
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")


def shown(value: Any) -> str:
    """A value for a message: one line, short, control characters escaped."""
    if isinstance(value, dict):
        return f"a group of fields ({', '.join(shown(key) for key in list(value)[:6])})" if value else "{}"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(value))
    return text if len(text) <= 80 else text[:77] + "..."


def decode(name: str, raw: bytes, *, limit_bytes: int = LIMIT_BYTES) -> str:
    """The bytes as text, a byte order mark kept. Raises InputError for what is no UTF-8 text."""
    if len(raw) > limit_bytes:
        raise InputError([too_large(name, len(raw), limit_bytes)])
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError([_no_text(name, "the file is saved as UTF-16", "a UTF-16 byte order mark")])
    nul = raw.find(b"\0")
    if nul >= 0:
        raise InputError([_no_text(name, "this is a binary file, not text", f"a zero byte at offset {nul}")])
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError([_bad_byte(name, raw, error.start)]) from None
    odd = _FORBIDDEN.search(text)
    if odd:
        line, column = _line_column(text, odd.start())
        what = "a control character stands in the file"
        remedy = "delete it; is this really a text file?"
        found = shown(odd.group())
        raise InputError(
            [Problem(file=name, what=what, line=line, column=column, found=found, remedy=remedy)]
        )
    return text


def too_large(name: str, size: int, limit_bytes: int = LIMIT_BYTES) -> Problem:
    """The problem of a file that is not even read. size: bytes."""
    return Problem(
        file=name,
        what="the file is too large",
        found=f"{size:,} bytes",
        allowed=f"at most {limit_bytes:,} bytes",
        remedy="is this the right file? A large lineup can be split in several files with include",
    )


def _no_text(name: str, what: str, found: str) -> Problem:
    remedy = "save it as UTF-8 text from your editor, or choose the right file"
    return Problem(file=name, what=what, found=found, allowed="text in UTF-8", remedy=remedy)


def _bad_byte(name: str, raw: bytes, position: int) -> Problem:
    line, column = _line_column(raw[:position].decode("utf-8"), position)
    return Problem(
        file=name,
        what="the file is not UTF-8 text",
        line=line,
        column=column,
        found=f"byte 0x{raw[position]:02X}",
        allowed="text in UTF-8",
        remedy="it looks like an older Windows encoding: save it as UTF-8 from your editor",
    )


def _line_column(text: str, position: int) -> tuple[int, int]:
    before = text[:position]
    return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


def refuse_tabs(name: str, text: str) -> None:
    """Nothing, if no line is indented with a tab. Raises InputError that names the first twenty."""
    problems = []
    for match in _TAB.finditer(text):
        line, column = _line_column(text, match.start() + match.group().index("\t"))
        problems.append(
            Problem(
                file=name,
                what="a tab stands in the indentation",
                line=line,
                column=column,
                found="a tab",
                allowed="spaces only (YAML forbids tabs there)",
                remedy="replace each tab by two spaces; most editors can do it for the whole file",
            )
        )
        if len(problems) == 20:
            break
    if problems:
        raise InputError(problems)
