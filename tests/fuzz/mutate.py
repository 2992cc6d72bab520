"""Makes inputs from inputs: bytes, lines of text, JSON lines; every choice comes from the generator given.

The coverage-guided engine mixes these with its own; the plain engine (and the test of CI) uses them alone.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Sequence
from typing import Any

from tests.fuzz.target import Mutate

_EDGES = (0, 1, 2, 0x7F, 0x80, 0xFF)
_WIDE = (b"\0\0", b"\xff\xff", b"\x7f\xff", b"\x80\0", b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x80\0\0\0")
_SCALARS = (
    "", "0", "-1", "1", "null", "true", "~", "1e400", ".nan", "-.inf", "99999999999999999999999", "0x10",
    "1_0", "2026-11-25", "12:30:45", "''", '"\\u0000"', '"\\ud800"', "[]", "{}", "[1, [2]]", "{a: b}",
    "!!binary AAAA", "*x", "&x 1", "| ", "> ", "%", "@", "`", "?", "- ", "# c", "\u00e9", "\u202e",
    "\U0001f4a1", "١٢", "1\u00a0000", "1e-400", "-0", "0.1", "1/2", "5 s", "127.0.0.1", "::1",
    "255.255.255.256", "../x", "/", "C:\\x", "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
)  # fmt: skip


def any_bytes(data: bytes, rng: random.Random, words: Sequence[bytes] = ()) -> bytes:
    """One to eight small changes somewhere in the bytes."""
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        at = rng.randrange(len(made) + 1)
        match rng.randrange(9):
            case 0 if made:
                made[at % len(made)] ^= 1 << rng.randrange(8)
            case 1 if made:
                made[at % len(made)] = rng.choice(_EDGES)
            case 2:
                made[at:at] = rng.randbytes(rng.randrange(1, 5))
            case 3:
                del made[at : at + rng.choice((1, 1, 2, 4, 16, 400))]
            case 4:
                made[at : at + 4] = rng.choice(_WIDE)
            case 5 if words:
                made[at:at] = rng.choice(words)
            case 6:
                start = rng.randrange(len(made) + 1)
                made[at:at] = made[start : start + rng.randrange(1, 64)]
            case 7 if made:
                at %= len(made)
                made[at] = (made[at] + rng.choice((-1, 1, 16))) & 0xFF
            case _:
                made[at : at + 2] = rng.randbytes(2)
    return bytes(made)


_VALUE = re.compile(r"(?<=[:\-\[{,] )[^,\]}\n]+")


def lines_of(words: Sequence[str]) -> Mutate:
    """A mutator of text in lines: values are exchanged, lines moved, doubled, indented and dropped."""

    def change(data: bytes, rng: random.Random) -> bytes:
        if rng.randrange(8) == 0:
            return any_bytes(data, rng, [word.encode() for word in words])
        lines = data.decode("utf-8", "surrogateescape").split("\n")
        for _ in range(rng.choice((1, 1, 2, 4))):
            _change_line(lines, rng, words)
        return "\n".join(lines).encode("utf-8", "surrogateescape")

    return change


def _change_line(lines: list[str], rng: random.Random, words: Sequence[str]) -> None:
    if not lines:
        lines.append(rng.choice(words))
    at = rng.randrange(len(lines))
    pool = words if rng.randrange(3) else _SCALARS
    match rng.randrange(8):
        case 0 | 1:
            found = list(_VALUE.finditer(lines[at]))
            if found:
                one = rng.choice(found)
                lines[at] = lines[at][: one.start()] + rng.choice(pool) + lines[at][one.end() :]
        case 2:
            del lines[at : at + rng.choice((1, 1, 2, 5))]
        case 3:
            start = rng.randrange(len(lines))
            lines[at:at] = lines[start : start + rng.choice((1, 1, 2, 5))]
        case 4:
            lines[at] = rng.choice(("  ", " ", "- ")) + lines[at]
        case 5:
            lines[at] = lines[at].removeprefix("  ")
        case 6:
            indent = lines[at][: len(lines[at]) - len(lines[at].lstrip())]
            lines.insert(at, f"{indent}{rng.choice(words)}: {rng.choice(pool)}")
        case _:
            place = rng.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:place] + rng.choice(pool) + lines[at][place:]


_JSON: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 2**53, 2**63, 2**64, -(2**63), 1.5, "", "x", "0", "00", "zz", "\u0000", "é",
    "\ud800", [], {}, [None], {"": 0}, "9999-12-31T23:59:59Z", "a" * 300, [[[[]]]],
)  # fmt: skip


def json_lines(data: bytes, rng: random.Random) -> bytes:
    """JSON lines with a value exchanged, a key dropped or moved, lines doubled, swapped or left out."""
    lines = data.split(b"\n")
    for _ in range(rng.choice((1, 1, 2, 3))):
        at = rng.randrange(len(lines))
        match rng.randrange(10):
            case 0:
                del lines[at]
                lines = lines or [b""]
            case 1:
                lines.insert(at, rng.choice(lines))
            case 2:
                lines[at] = any_bytes(lines[at], rng)
            case _:
                lines[at] = _change_json(lines[at], rng, lines)
    return b"\n".join(lines)


def _change_json(line: bytes, rng: random.Random, others: Sequence[bytes]) -> bytes:
    try:
        value = json.loads(line)
        other = json.loads(rng.choice(others))
    except (ValueError, RecursionError):
        return line
    places = list(_places(value, 0))
    if not places:
        return line
    holder, key = rng.choice(places)
    match rng.randrange(6):
        case 0 if isinstance(holder, dict):
            del holder[key]
        case 1:
            found = list(_places(other, 0))
            if found:
                from_holder, from_key = rng.choice(found)
                holder[key] = from_holder[from_key]
        case 2 if isinstance(holder[key], int):
            holder[key] += rng.choice((1, -1, 1 << 32, -(1 << 40)))
        case 3 if isinstance(holder[key], str) and holder[key]:
            text = holder[key]
            holder[key] = text[: rng.randrange(len(text))] + rng.choice(("", "0", "\n", " ", "ff", "\u0000"))
        case _:
            holder[key] = rng.choice(_JSON)
    return json.dumps(value, separators=(",", ":"), sort_keys=True).encode("utf-8", "surrogatepass")


def _places(value: Any, depth: int) -> Any:
    """Every (holder, key) inside the value."""
    if depth > 20:
        return
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in list(pairs):
        yield value, key
        yield from _places(inner, depth + 1)
