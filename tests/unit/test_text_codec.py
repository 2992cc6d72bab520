"""Text of devices: cleaned once, visibly; the classes of trouble of pains.md D26."""

from __future__ import annotations

import pytest

from probe.model.reading import Quality
from probe.model.text_codec import BitDecoder, TextDecoder, clean_text

HOSTILE = [
    (b"QT-200\0\0", "QT-200", True),
    (b"  QT-200   ", "QT-200", True),
    (b"QT-200\r\n\0", "QT-200", True),
    (b"\x1b[2JQT", "\\x1b[2JQT", False),  # would clear the screen
    (b"A\0B", "A\\x00B", False),
    ("A\u202eB".encode(), "A\\u202eB", False),  # right-to-left override
    ("A\u200bB".encode(), "A\\u200bB", False),  # zero width
    ("A\u2028B".encode(), "A\\u2028B", False),
    (b"[red]QT[/red]", "[red]QT[/red]", True),  # markup is plain text: the presenters must not read it
    (b"=1+1", "=1+1", True),
    ("Zähler 50 °C".encode(), "Zähler 50 °C", True),
    ("Zähler".encode("latin-1"), "Zähler", True),
    (b"\x80\x9f\xff", "\\x80\\x9fÿ", False),
    (b"\x07\x08", "\\x07\\x08", False),
    ("\U000e0041".encode(), "\\U000e0041", False),  # an invisible tag
    (b"", "", True),
    (b"\0\0\0\0", "", True),
]


@pytest.mark.parametrize(("data", "text", "whole"), HOSTILE)
def test_hostile_text_is_shown_and_does_nothing(data: bytes, text: str, whole: bool) -> None:
    assert clean_text(data) == (text, whole)


def test_text_that_is_no_text_is_out_of_type() -> None:
    decoder = TextDecoder(2)
    assert decoder.decode(b"\x1bAB\0") == ("\\x1bAB", Quality.OUT_OF_TYPE)
    assert decoder.decode(b"AB\0\0") == ("AB", Quality.GOOD)


def test_swapped_bytes() -> None:
    decoder = TextDecoder(3, swapped=True)
    assert decoder.decode(b"BADCFE") == ("ABCDEF", Quality.GOOD)
    assert decoder.encode("ABC") == b"BA\0C\0\0"


def test_empty_and_erased() -> None:
    plain, empty, erased = (
        TextDecoder(2),
        TextDecoder(2, empty_is_missing=True),
        TextDecoder(2, erased_is_missing=True),
    )
    assert plain.decode(b"\0\0\0\0") == ("", Quality.GOOD)
    assert empty.decode(b"\0\0\0\0") == ("", Quality.NOT_AVAILABLE)
    assert empty.encode(None) == b"\0\0\0\0"
    assert erased.decode(b"\xff\xff\xff\xff") == ("", Quality.NOT_AVAILABLE)
    assert erased.encode(None) == b"\xff\xff\xff\xff"
    with pytest.raises(ValueError, match="not-available"):
        plain.encode(None)


@pytest.mark.parametrize("value", ["too long", "a\0b", "end ", 5])
def test_text_that_cannot_stand_in_registers_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match=r"fit|needed|padding"):
        TextDecoder(2).encode(value)  # type: ignore[arg-type]


def test_padding_by_spaces() -> None:
    assert TextDecoder(2, pad=b" ").encode("A") == b"A   "


def test_a_coil_is_true_or_false() -> None:
    decoder = BitDecoder()
    assert (decoder.decode(b"\0"), decoder.decode(b"\1")) == ((False, Quality.GOOD), (True, Quality.GOOD))
    assert (decoder.encode(False), decoder.encode(True)) == (b"\0", b"\1")
    with pytest.raises(ValueError, match="true or false"):
        decoder.encode(1)
