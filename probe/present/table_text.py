"""Tables as text for other programs: CSV, YAML, JSON; whatever stands in them stays text.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, also after white
space. Such a cell gets an apostrophe in front, unless it is a plain number. A view is no proof: each table
says so and carries the record's code.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping, Sequence

from probe.present.console import clean

FORMS = ("csv", "yaml", "json")
_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_STARTERS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")

Table = Sequence[Mapping[str, str]]


def cell(text: str) -> str:
    """The text, harmless in a spreadsheet and a terminal."""
    plain = clean(text)
    if plain.lstrip().startswith(_STARTERS) and not _NUMBER.fullmatch(plain):
        return "'" + plain
    return plain


def csv_text(columns: Sequence[str], rows: Table) -> str:
    """Comma-separated values with a first line of names (RFC 4180, from memory: quotes doubled, CRLF)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row.get(column, "")) for column in columns])
    return out.getvalue()


def yaml_text(head: Mapping[str, str], name: str, columns: Sequence[str], rows: Table) -> str:
    """YAML: the head's values, then a list. Every value is a quoted string, so nothing is interpreted."""
    lines = [f"{key}: {_quoted(value)}" for key, value in head.items()]
    lines.append(f"{name}:" if rows else f"{name}: []")
    for row in rows:
        for number, column in enumerate(columns):
            lines.append(f"  {'- ' if number == 0 else '  '}{column}: {_quoted(row.get(column, ''))}")
    return "\n".join(lines) + "\n"


def json_text(head: Mapping[str, str], name: str, rows: Table) -> str:
    """One JSON object in ASCII."""
    return json.dumps({**head, name: [dict(row) for row in rows]}, indent=2, ensure_ascii=True) + "\n"


def _quoted(text: str) -> str:
    """A double-quoted YAML scalar: JSON's, with signs beyond the basic plane as YAML writes them."""
    made = json.dumps(text.encode("utf-8", "backslashreplace").decode(), ensure_ascii=False)
    return "".join(sign if sign.isprintable() else _escaped(sign) for sign in made)


def _escaped(sign: str) -> str:
    number = ord(sign)
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
