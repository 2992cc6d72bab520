"""Where text goes: people's text and machine text, on the right stream, plain when it must be.

Rules (design, section 4): with ``--json`` machine text goes to stdout and people's text to stderr; no
colour when NO_COLOR is set or the stream is no terminal; never fails because a stream cannot show a sign
(a pipe in cp1252): such signs are replaced.
"""

from __future__ import annotations

import sys
from typing import IO, Any

import orjson
from rich.console import Console
from rich.text import Text


def console(stream: IO[str] | None = None, *, width: int | None = None) -> Console:
    """A console on the stream (stdout if None) that prints our texts as they are: no markup, no emoji."""
    target = stream if stream is not None else sys.stdout
    if hasattr(target, "reconfigure"):
        target.reconfigure(errors="replace")
    return Console(file=target, width=width, markup=False, emoji=False, highlight=False, soft_wrap=False)


def say(text: str = "", *, error: bool = False) -> None:
    """Print people's text, to stderr if ``error``; never interprets markup in it."""
    console(sys.stderr if error else sys.stdout).print(Text(text), soft_wrap=True)


def emit_json(document: dict[str, Any]) -> None:
    """Print one JSON object on stdout, keys sorted, with a line end."""
    sys.stdout.write(
        orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS).decode() + "\n"
    )
    sys.stdout.flush()
