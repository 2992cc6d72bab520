"""Texts fit for a page: what acts or cannot be set is shown by its number, all else stays as it is."""

from __future__ import annotations

import sys
import unicodedata

import pytest

from probe.present.turnover.printable import file_name, printable, showable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("52-M1 ± 0.5 Ω µ ✓ ✗ − … Zähler Привет", "52-M1 ± 0.5 Ω µ ✓ ✗ − … Zähler Привет"),
        ("a\x00b", "a[U+0000]b"),
        ("\x1b[31m", "[U+001B][31m"),
        ("\u202eliart", "[U+202E]liart"),
        ("\ufeff\u200b", "[U+FEFF][U+200B]"),
        ("\u4e2d\U0001f600", "[U+4E2D][U+1F600]"),
        ("\ud800", "[U+D800]"),
        ("one\r\ntwo\tthree\nfour", "one two three four"),
        ("\x85\u2028", "[U+0085][U+2028]"),
    ],
)
def test_printable_shows_by_number_what_a_page_cannot_carry(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_showable_keeps_what_a_browser_has_fonts_for_and_stops_what_acts() -> None:
    assert showable("\u4e2d \U0001f600 é") == "\u4e2d \U0001f600 é"
    for code in range(sys.maxunicode + 1):
        sign = chr(code)
        if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or unicodedata.bidirectional(sign) in (
            "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI",
        ):  # fmt: skip
            assert sign not in showable(sign), f"U+{code:04X}"


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("map.yaml", "map.yaml"),
        ("../../../etc/passwd", "passwd"),
        ("C:\\Windows\\..\\evil.yaml", "evil.yaml"),
        (".hidden", "hidden"),
        ("..", "otherwise"),
        ("a b\x00(c).yaml", "a_b_c_.yaml"),
        ("x" * 300, "x" * 80),
        ("-rf", "rf"),
    ],
)
def test_file_names_are_tame(path: str, name: str) -> None:
    assert file_name(path, "otherwise") == name
    assert file_name(name, "otherwise") == name, "made again, a document must have the same names"
