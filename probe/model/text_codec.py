"""Text from devices: cleaned once, here; the raw bytes stay in the evidence.

A device's text may hold anything: control signs that drive a terminal, right-to-left marks that hide
what is written, bytes of no encoding. Padding at the end (NUL, space, line ends) is dropped; every other
character that does not print is shown as an escape (``\\x1b``, ``\\u202e``), so that it can be seen, does
nothing, and needs no special font. Text that needed an escape is OUT_OF_TYPE: it is no text.
"""

from __future__ import annotations

import unicodedata

from probe.model.reading import Quality, Value

_PADDING = "\0 \t\r\n"
# Letters, marks, numbers, punctuation and symbols print; of the separators only the plain space does.
_PRINTS = frozenset("LMNPS")


def clean_text(data: bytes) -> tuple[str, bool]:
    """Text without padding and without characters that act instead of print; True if none had to go.

    UTF-8 where the bytes are that, else Latin-1 (a maker's "Zähler" in one byte a letter).
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    text = text.rstrip(_PADDING).lstrip(" ")
    shown = "".join(char if _prints(char) else _escape(char) for char in text)
    return shown, shown == text


def _prints(char: str) -> bool:
    if " " <= char <= "~":
        return True
    # U+2028/2029 and the exotic spaces are Z*, bidi and zero-width marks Cf, private and unassigned Co, Cn.
    return char > "\xa0" and unicodedata.category(char)[0] in _PRINTS


def _escape(char: str) -> str:
    code = ord(char)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


class TextDecoder:
    """Text of fixed length, padded with NUL or space; optionally with the bytes of each register swapped.

    empty_is_missing: registers of nothing but NUL mean "no value"; erased_is_missing: nothing but 0xFF.
    """

    __slots__ = ("_blank", "_erased", "_pad", "_size", "_swapped")

    def __init__(
        self,
        registers: int,
        *,
        swapped: bool = False,
        pad: bytes = b"\0",
        empty_is_missing: bool = False,
        erased_is_missing: bool = False,
    ) -> None:
        self._size = 2 * registers
        self._swapped = swapped
        self._pad = pad
        self._blank = empty_is_missing
        self._erased = erased_is_missing

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        data = _swap(raw) if self._swapped else raw
        if (self._blank and not data.strip(b"\0")) or (self._erased and not data.strip(b"\xff")):
            return "", Quality.NOT_AVAILABLE
        text, whole = clean_text(data)
        return text, Quality.GOOD if whole else Quality.OUT_OF_TYPE

    def encode(self, value: Value | None) -> bytes:
        if value is None:
            return self._missing()
        if not isinstance(value, str):
            raise ValueError(f"text is needed; found {value!r}")  # noqa: TRY004 - Decoder.encode promises it
        data = value.encode("utf-8")
        if len(data) > self._size:
            raise ValueError(f"{len(data)} bytes do not fit {self._size}")
        padded = data + self._pad * (self._size - len(data))
        if self.decode(_swap(padded) if self._swapped else padded) != (value, Quality.GOOD):
            raise ValueError("the text has padding or characters that a device's text cannot hold")
        return _swap(padded) if self._swapped else padded

    def _missing(self) -> bytes:
        if self._blank:
            return b"\0" * self._size
        if self._erased:
            return b"\xff" * self._size
        raise ValueError("the point has no not-available code")


def _swap(raw: bytes) -> bytes:
    swapped = bytearray(len(raw))
    swapped[::2], swapped[1::2] = raw[1::2], raw[::2]
    return bytes(swapped)


class BitDecoder:
    """One coil or discrete input: a byte 0 or 1."""

    __slots__ = ()

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        return raw[0] != 0, Quality.GOOD

    def encode(self, value: Value | None) -> bytes:
        if not isinstance(value, bool):
            raise ValueError(f"a coil is true or false; found {value!r}")  # noqa: TRY004 - Decoder.encode promises it
        return b"\1" if value else b"\0"
