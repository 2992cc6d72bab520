"""What every picture in SVG 1.1 has: the white paper with title and description, and texts on it. Pure.

Titles, descriptions and texts may hold what a device said: they are cleaned and escaped here.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from probe.present.console import clean

INK = "#1a1a1a"


def picture(width: float, height: float, title: str, parts: Iterable[str], description: str = "") -> str:
    """The whole file as text. parts: elements in the order in which they are painted."""
    size = f'width="{width:.0f}" height="{height:.0f}"'
    head = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" {size} '
            f'viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label={quoteattr(clean(title))} '
            'font-family="sans-serif">'
        ),
        f"<title>{escape(clean(title))}</title>",
        *([f"<desc>{escape(clean(description))}</desc>"] if description else []),
        f'<rect {size} fill="#ffffff"/>',
    ]
    return "\n".join([*head, *parts, "</svg>"]) + "\n"


def caption(  # noqa: PLR0913 (a text and its manner)
    x: float,
    y: float,
    words: str,
    *,
    size: int,
    weight: str = "",
    anchor: str = "",
    colour: str = INK,
    more: str = "",
) -> str:
    """The element of one line of text. more: further attributes as they stand in the file."""
    more += (f' font-weight="{weight}"' if weight else "") + (f' text-anchor="{anchor}"' if anchor else "")
    manner = f'font-size="{size}" fill="{colour}"{more}'
    return f'<text x="{x:.1f}" y="{y:.1f}" {manner}>{escape(clean(words))}</text>'
