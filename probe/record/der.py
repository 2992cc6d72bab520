"""DER: the little of ASN.1's encoding that is needed beside the RFC 3161 library.

Two things it does not do: read the nonce of a request, and take an answer whose certificates do not stand in
DER's order for sets. OpenSSL 3.0 writes such answers (seen); the order is covered by no signature.

Source: ITU-T X.690, 8.1 and 11.6 (clauses from memory).
"""

from __future__ import annotations

from typing import NamedTuple

SEQUENCE, INTEGER, CONTEXT_0 = 0x30, 0x02, 0xA0


class Element(NamedTuple):
    """One element: its tag, where it begins, where its contents begin and end."""

    tag: int
    start: int
    inside: int
    end: int


def elements(data: bytes, start: int, end: int) -> list[Element]:
    """The elements that follow each other in data[start:end]; those before the first that is none."""
    found = []
    while start + 2 <= end:
        size, inside = data[start + 1], start + 2
        if size & 0x80:
            inside += size & 0x7F
            size = int.from_bytes(data[start + 2 : inside], "big")
        if inside + size > end:
            break
        found.append(Element(data[start], start, inside, inside + size))
        start = inside + size
    return found


def path(data: bytes, *steps: tuple[int, int]) -> Element | None:
    """The element reached by steps of (number among its siblings, tag that it must have); None if none."""
    at = Element(0, 0, 0, len(data))
    for number, tag in steps:
        inner = elements(data, at.inside, at.end)
        if number >= len(inner) or inner[number].tag != tag:
            return None
        at = inner[number]
    return at


def nonce_of(request: bytes) -> int | None:
    """The nonce of a time-stamp request, None if it holds none or is no request.

    TimeStampReq ::= SEQUENCE { version INTEGER, messageImprint, reqPolicy?, nonce INTEGER?, certReq? }
    """
    whole = path(request, (0, SEQUENCE))
    inner = [] if whole is None else elements(request, whole.inside, whole.end)
    numbers = [one for one in inner if one.tag == INTEGER]
    if len(numbers) != 2:
        return None
    return int.from_bytes(request[numbers[1].inside : numbers[1].end], "big", signed=True)


def with_sorted_certificates(answer: bytes) -> bytes:
    """The time-stamp answer with its certificates in the order that DER wants; unchanged if it is none.

    TimeStampResp { status, ContentInfo { type, [0] SignedData { version, digests, content, [0] certs } } }
    """
    certificates = path(answer, (0, SEQUENCE), (1, SEQUENCE), (1, CONTEXT_0), (0, SEQUENCE), (3, CONTEXT_0))
    if certificates is None:
        return answer
    parts = [answer[one.start : one.end] for one in elements(answer, certificates.inside, certificates.end)]
    ordered = b"".join(sorted(parts))
    if len(ordered) != certificates.end - certificates.inside:
        return answer
    return answer[: certificates.inside] + ordered + answer[certificates.end :]
