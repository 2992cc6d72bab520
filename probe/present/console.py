"""Where text goes: people's text and machine text, on the right stream, plain when it must be.

Rules (design, section 4): with ``--json`` machine text goes to stdout and people's text to stderr; no
colour when NO_COLOR is set or the stream is no terminal; never fails because a stream cannot show a sign
(a pipe in cp1252): such signs are replaced. rich is imported where it is used, so that ``--help`` and
error messages do not wait for it.
"""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

#: Width of text that goes to no terminal: what a page or a ticket shows without ragged wrapping.
PLAIN_WIDTH = 80


def console(stream: IO[str] | None = None, *, width: int | None = None) -> Console:
    """A console on the stream (stdout if None) that prints our texts as they are: no markup, no emoji."""
    from probe.present.steady_console import SteadyConsole

    target = _forgiving(stream if stream is not None else sys.stdout)
    if width is None and not target.isatty():
        width = _columns_asked_for()
    return SteadyConsole(
        file=target, width=width, markup=False, emoji=False, highlight=False, soft_wrap=False
    )


def say(text: str = "", *, error: bool = False) -> None:
    """Print people's text, to stderr if ``error``; never interprets markup in it."""
    stream = _forgiving(sys.stderr if error else sys.stdout)
    lines = clean(text, keep_lines=True).split("\n")
    stream.write("\n".join(_folded(lines) if stream.isatty() else lines) + "\n")
    stream.flush()


#: A line that is only a command to type. A terminal joins what it broke itself when that is copied.
_TYPED = re.compile(r"(?:Next\b)? *(?:python3|py|buswitness) \S")


def _folded(lines: list[str]) -> list[str]:
    """The lines broken at blanks where a terminal would break them inside a word; indents are kept.

    A command to type stays one line, so that it can be copied.
    """
    import shutil
    import textwrap

    width = max(shutil.get_terminal_size().columns, 20)
    folded: list[str] = []
    for line in lines:
        if _TYPED.match(line):
            folded.append(line)
            continue
        hang = re.match(r" *(?:\w+ {2,})?", line)
        indent = min(hang.end() if hang else 0, width // 2)
        parts = textwrap.wrap(
            line,
            width,
            subsequent_indent=" " * indent,
            drop_whitespace=True,
            break_long_words=False,
            break_on_hyphens=False,
            replace_whitespace=False,
        )
        folded += parts or [""]
    return folded


def emit_json(document: dict[str, Any]) -> None:
    """Print one JSON object on stdout, keys sorted, with a line end; ASCII, so that any pipe takes it."""
    import json

    sys.stdout.write(
        json.dumps(document, indent=2, sort_keys=True, ensure_ascii=True, allow_nan=False) + "\n"
    )
    sys.stdout.flush()


def is_live(stream: IO[str] | None = None) -> bool:
    """True where a picture can be redrawn in place: a terminal that understands cursor movement."""
    target = stream if stream is not None else sys.stdout
    if not target.isatty() or os.environ.get("TERM", "").lower() in ("dumb", "unknown"):
        return False
    return not console(target).legacy_windows


def clean(text: str, *, keep_lines: bool = False) -> str:
    """The text with every sign that could steer a terminal or turn the reading direction made harmless.

    Texts from devices are cleaned where they are decoded; this is the last wall before a terminal.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_harmless(sign, keep_lines=keep_lines) for sign in text)


def _harmless(sign: str, *, keep_lines: bool) -> str:
    """The sign itself, or a visible stand-in for control and format characters (Unicode Cc, Cf, Cs)."""
    if sign == "\n" and keep_lines:
        return sign
    if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp"):
        return f"<{ord(sign):02X}>"
    return sign


def _forgiving(stream: IO[str]) -> IO[str]:
    """The stream, told to replace what its encoding cannot carry."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(errors="replace")
    return stream


def _columns_asked_for() -> int:
    """COLUMNS where it is a sane number, otherwise 80."""
    text = os.environ.get("COLUMNS", "")
    return max(20, min(int(text), 400)) if text.isdecimal() else PLAIN_WIDTH
