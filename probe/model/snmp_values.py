"""BER of SNMP variable bindings: values to bytes for the record, bytes to values for the judge.

Only what a VarBindList holds (RFC 3416, 3): no messages, no keys. Definite lengths. Reading is bounded by the
bytes that are there and raises ``BerError`` for anything else, whatever the bytes are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import IntEnum
from typing import NamedTuple

Oid = tuple[int, ...]
Value = int | bytes | Oid | None


class Kind(IntEnum):
    """Tag byte of each type that a binding may hold. Source: RFC 2578, 2 and RFC 3416, 3 (from memory)."""

    INTEGER = 0x02
    OCTETS = 0x04
    NULL = 0x05
    OID = 0x06
    ADDRESS = 0x40
    COUNTER32 = 0x41
    GAUGE32 = 0x42
    TICKS = 0x43  # hundredths of a second
    OPAQUE = 0x44
    COUNTER64 = 0x46
    NO_SUCH_OBJECT = 0x80
    NO_SUCH_INSTANCE = 0x81
    END_OF_VIEW = 0x82


_SEQUENCE = 0x30
_SIGNED = frozenset({Kind.INTEGER})
_UNSIGNED = frozenset({Kind.COUNTER32, Kind.GAUGE32, Kind.TICKS, Kind.COUNTER64})
_EMPTY = frozenset({Kind.NULL, Kind.NO_SUCH_OBJECT, Kind.NO_SUCH_INSTANCE, Kind.END_OF_VIEW})
_LONGEST_OID = 128  # sub-identifiers (RFC 2578, 3.5, from memory)
_LARGEST = 2**32 - 1


class BerError(ValueError):
    """The bytes are no list of variable bindings."""


class Binding(NamedTuple):
    """One variable and its value. value: None for the kinds that say that there is none."""

    oid: Oid
    kind: Kind
    value: Value

    @property
    def is_there(self) -> bool:
        """False if the agent says that it has no such variable."""
        return self.kind not in _EMPTY


def oid_of(text: str) -> Oid:
    """The object identifier of its dotted form. Raises ValueError."""
    return tuple(int(part) for part in text.strip(".").split("."))


def oid_text(oid: Iterable[int]) -> str:
    """The dotted form of an object identifier."""
    return ".".join(map(str, oid))


def encode(bindings: Iterable[Binding]) -> bytes:
    """The bindings as a VarBindList. Raises TypeError for values that their kind cannot hold."""
    return bind((binding.oid, _wrapped(binding.kind, _value_bytes(binding))) for binding in bindings)


def bind(values: Iterable[tuple[Sequence[int], bytes]]) -> bytes:
    """A VarBindList of names and values that are BER already."""
    pairs = (_wrapped(Kind.OID, _oid_bytes(oid)) + value for oid, value in values)
    return _wrapped(_SEQUENCE, b"".join(_wrapped(_SEQUENCE, pair) for pair in pairs))


def decode(data: bytes) -> tuple[Binding, ...]:
    """The bindings of a VarBindList. Raises BerError."""
    if not data:
        return ()
    content, rest = _content(data, _SEQUENCE)
    if rest:
        raise BerError("bytes behind the list")
    found = []
    while content:
        one, content = _content(content, _SEQUENCE)
        found.append(_binding(one))
    return tuple(found)


# --- writing -----------------------------------------------------------------------------------------------


def _value_bytes(binding: Binding) -> bytes:
    kind, value = binding.kind, binding.value
    if kind in _EMPTY:
        return b""
    if kind in _SIGNED or kind in _UNSIGNED:
        if not isinstance(value, int):
            raise TypeError(f"{kind.name} needs a whole number")
        return value.to_bytes((value + (value < 0)).bit_length() // 8 + 1, "big", signed=True)
    if kind is Kind.OID:
        if not isinstance(value, tuple):
            raise TypeError("OID needs an object identifier")
        return _oid_bytes(value)
    if not isinstance(value, bytes):
        raise TypeError(f"{kind.name} needs bytes")
    return value


def _oid_bytes(oid: Sequence[int]) -> bytes:
    if len(oid) < 2:
        oid = (*oid, *(0,) * (2 - len(oid)))
    parts = (oid[0] * 40 + oid[1], *oid[2:])
    return b"".join(_base128(part) for part in parts)


def _base128(number: int) -> bytes:
    digits = [number & 0x7F]
    while number := number >> 7:
        digits.append(0x80 | number & 0x7F)
    return bytes(reversed(digits))


def _wrapped(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + content


# --- reading -----------------------------------------------------------------------------------------------


def _content(data: bytes, tag: int | None = None) -> tuple[bytes, bytes]:
    """What the first element holds, and the bytes behind it."""
    if len(data) < 2 or (tag is not None and data[0] != tag):
        raise BerError("not the element that belongs here")
    size, start = data[1], 2
    if size & 0x80:
        many = size & 0x7F
        if not 1 <= many <= 4 or len(data) < 2 + many:
            raise BerError("length cannot be read")
        size, start = int.from_bytes(data[2 : 2 + many], "big"), 2 + many
    if len(data) < start + size:
        raise BerError("fewer bytes than its length says")
    return data[start : start + size], data[start + size :]


def _binding(data: bytes) -> Binding:
    name, rest = _content(data, Kind.OID)
    if not rest:
        raise BerError("a name without a value")
    tag = rest[0]
    content, behind = _content(rest)
    if behind:
        raise BerError("bytes behind a value")
    try:
        kind = Kind(tag)
    except ValueError as error:
        raise BerError(f"no type has the tag {tag:#04x}") from error
    return Binding(_oid(name), kind, _value(kind, content))


def _value(kind: Kind, content: bytes) -> Value:
    if kind in _EMPTY:
        if content:
            raise BerError("a value where none belongs")
        return None
    if kind in _SIGNED:
        return int.from_bytes(_short(content), "big", signed=True)
    if kind in _UNSIGNED:
        # Some agents write a counter without its leading zero: it is no negative count.
        return int.from_bytes(_short(content), "big")
    return _oid(content) if kind is Kind.OID else content


def _short(content: bytes) -> bytes:
    if not 1 <= len(content) <= 9:
        raise BerError("a number of no length that exists")
    return content


def _oid(content: bytes) -> Oid:
    if not content:
        return (0, 0)
    parts, number = [], 0
    for byte in content:
        number = number << 7 | byte & 0x7F
        if number > _LARGEST + 80:
            raise BerError("a sub-identifier above 2^32")
        if not byte & 0x80:
            parts.append(number)
            number = 0
    if content[-1] & 0x80 or len(parts) > _LONGEST_OID:
        raise BerError("an object identifier without end")
    first = min(parts[0] // 40, 2)
    return (first, parts[0] - 40 * first, *parts[1:])
