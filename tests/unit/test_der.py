"""The little of DER that is read here, held against encodings made by hand. OpenSSL's: tests/outside.

Source: ITU-T X.690, 8.1 (identifier, length, contents), 8.3 (integers in two's complement), 11.6 (sets);
RFC 3161, 2.4.1 (clauses from memory).
"""

from __future__ import annotations

import pytest

from probe.record.der import (
    CONTEXT_0,
    INTEGER,
    SEQUENCE,
    Element,
    elements,
    nonce_of,
    path,
    with_sorted_certificates,
)


def _tlv(tag: int, *parts: bytes) -> bytes:
    inside = b"".join(parts)
    size = len(inside)
    if size < 0x80:
        return bytes((tag, size)) + inside
    octets = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(octets))) + octets + inside


def _integer(number: int) -> bytes:
    return _tlv(INTEGER, number.to_bytes(number.bit_length() // 8 + 1, "big", signed=True))


@pytest.mark.parametrize("size", [0, 1, 127, 128, 255, 256, 65_535, 65_536])
def test_lengths_in_their_short_and_long_form(size: int) -> None:
    """X.690, 8.1.3: up to 127 in one octet, beyond it the number of octets first."""
    data = b"xx" + _tlv(0x04, bytes(size)) + _tlv(INTEGER, b"\5") + b"yy"
    first, second = elements(data, 2, len(data) - 2)
    assert (first.tag, first.start, first.end - first.inside) == (0x04, 2, size)
    assert (second.tag, data[second.inside : second.end], second.end) == (INTEGER, b"\5", len(data) - 2)
    assert second.start == first.end


def test_what_does_not_fit_ends_the_list() -> None:
    good = _tlv(INTEGER, b"\5")
    for wrong in (b"\2", b"\2\2\1", b"\2\x81", b"\2\x82\1\0", b"\2\x84\xff\xff\xff\xff"):
        assert elements(good + wrong, 0, len(good + wrong)) == [Element(INTEGER, 0, 2, 3)]
    assert elements(good, 0, 2) == []


def test_a_path_goes_by_number_and_tag() -> None:
    data = _tlv(SEQUENCE, _integer(1), _tlv(CONTEXT_0, _tlv(SEQUENCE, _integer(7))))
    found = path(data, (0, SEQUENCE), (1, CONTEXT_0), (0, SEQUENCE), (0, INTEGER))
    assert found is not None
    assert data[found.inside : found.end] == b"\7"
    assert path(data) == Element(0, 0, 0, len(data))
    assert path(data, (1, SEQUENCE)) is None, "there is no second one"
    assert path(data, (0, SEQUENCE), (1, SEQUENCE)) is None, "it has another tag"


@pytest.mark.parametrize("nonce", [0, 1, 127, 128, 255, 2**63, 2**64 + 5, -1])
def test_the_nonce_is_the_second_number_of_a_request(nonce: int) -> None:
    """TimeStampReq: version, imprint, policy (may be missing), nonce, certReq (RFC 3161, 2.4.1)."""
    imprint, policy, certificates = _tlv(SEQUENCE, bytes(40)), b"\x06\x01\x2a", b"\x01\x01\xff"
    for more in ((), (policy,)):
        request = _tlv(SEQUENCE, _integer(1), imprint, *more, _integer(nonce), certificates)
        assert nonce_of(request) == nonce
    assert nonce_of(_tlv(SEQUENCE, _integer(1), imprint, policy, certificates)) is None
    assert nonce_of(_tlv(SEQUENCE, _integer(1), _integer(2), _integer(3))) is None
    assert nonce_of(_tlv(0x31, _integer(1), _integer(2))) is None


def _answer(*certificates: bytes, tag: int = CONTEXT_0) -> bytes:
    signed = _tlv(
        SEQUENCE, _integer(3), _tlv(0x31), _tlv(SEQUENCE), _tlv(tag, *certificates), _tlv(0x31, b"\5\0")
    )
    return _tlv(SEQUENCE, _tlv(SEQUENCE, _integer(0)), _tlv(SEQUENCE, b"\x06\x00", _tlv(CONTEXT_0, signed)))


def test_certificates_are_put_in_ders_order_and_nothing_else_is_touched() -> None:
    """X.690, 11.6: a set of is sorted by the octets of its elements."""
    a, b, c = (_tlv(SEQUENCE, bytes([n]) * 3) for n in (1, 2, 3))
    assert with_sorted_certificates(_answer(c, a, b)) == _answer(a, b, c)
    assert with_sorted_certificates(_answer(a, b, c)) == _answer(a, b, c)


def test_an_answer_without_certificates_or_with_wrong_ones_stays_as_it_is() -> None:
    for answer in (_answer(b"\x30\x03x"), _answer(tag=0x31), _answer(), b"", b"0\0"):
        assert with_sorted_certificates(answer) == answer
    two = _tlv(SEQUENCE, b"b"), _tlv(SEQUENCE, b"a")
    assert with_sorted_certificates(_answer(*two, b"\x30")) == _answer(*two, b"\x30"), (
        "a rest belongs to none"
    )
