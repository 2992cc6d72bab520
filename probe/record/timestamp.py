"""Time stamp: an authority's word that a record existed at a time; asked and attached without a network.

The request holds the record's code (the SHA-256 of its last line). The answer lies beside the record as
``RECORD.tsr``: a record is never edited. Any tool for RFC 3161 can check it against the code.

Source: RFC 3161, 2.4 (request and response; clause from memory).
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from probe.model.errors import InputError, Problem
from probe.record.der import with_sorted_certificates

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

#: An answer with a chain of certificates is a few thousand bytes.
LARGEST = 256 * 1024
GRANTED = (0, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """What an answer says. fits: it is for just this record. proved: its signature leads to a certificate
    that was given; None if none was given. wall_ns: the authority's time, Unix nanoseconds. text: in words.
    """

    fits: bool
    proved: bool | None
    wall_ns: int
    text: str

    @property
    def holds(self) -> bool:
        """False if it is worth nothing."""
        return self.fits and self.proved is not False


def answer_path(record: Path) -> Path:
    """Where the answer lies: beside the record, also beside a compressed copy of it."""
    return record.with_name(_plain_name(record) + ".tsr")


def request_path(record: Path) -> Path:
    """Where the request is written unless another file is named."""
    return record.with_name(_plain_name(record) + ".tsq")


def _plain_name(record: Path) -> str:
    return record.name.removesuffix(".gz").removesuffix(".zst")


def request(last_line: bytes) -> bytes:
    """A request for the record that ends in this line (without line end), with nonce, asking certificates."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    builder = TimestampRequestBuilder().data(last_line).hash_algorithm(HashAlgorithm.SHA256)
    return builder.nonce(nonce=True).cert_request(cert_request=True).build().as_bytes()


def examine(
    answer: bytes, last_line: bytes, certificates: Sequence[Certificate] = (), nonce: int | None = None
) -> Stamp:
    """What the answer is worth for the record that ends in this line. Never raises for wrong bytes."""
    parsed, why = _parsed(answer)
    if parsed is None:
        return Stamp(fits=False, proved=None, wall_ns=0, text=why)
    info = parsed.tst_info
    wall_ns = int(_utc(info.gen_time).timestamp()) * 1_000_000_000
    imprint = info.message_imprint
    name = _HASHES.get(imprint.hash_algorithm.dotted_string)
    if name is None or imprint.message != hashlib.new(name, last_line).digest():
        return Stamp(fits=False, proved=None, wall_ns=wall_ns, text="it was given for something else")
    if nonce is not None and info.nonce != nonce:
        return Stamp(fits=False, proved=None, wall_ns=wall_ns, text="it answers another request")
    when = f"{_utc(info.gen_time):%Y-%m-%dT%H:%M:%SZ}"
    if not certificates:
        text = f"given for this record, says {when}; not proved: no certificate of the authority was given"
        return Stamp(fits=True, proved=None, wall_ns=wall_ns, text=text)
    why = _unproved(parsed, last_line, certificates)
    text = f"says {when}, but {why}" if why else f"the record existed at {when}; proved by the certificate"
    return Stamp(fits=True, proved=not why, wall_ns=wall_ns, text=text)


_HASHES = {
    "2.16.840.1.101.3.4.2.1": "sha256",
    "2.16.840.1.101.3.4.2.2": "sha384",
    "2.16.840.1.101.3.4.2.3": "sha512",
}


def _utc(moment: datetime) -> datetime:
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _parsed(answer: bytes) -> tuple[Any, str]:
    """The answer as the library sees it (Any: it is made in another language), or None and why not."""
    from rfc3161_client import decode_timestamp_response

    if len(answer) > LARGEST:
        return None, "it is too large for a time-stamp answer"
    try:
        parsed = decode_timestamp_response(with_sorted_certificates(answer))
        if parsed.status not in GRANTED:
            said = "; ".join(parsed.status_string) if parsed.status_string else "no reason given"
            return None, f"the authority refused it (status {parsed.status}: {said[:200]})"
        _ = parsed.tst_info.message_imprint.message
    except ValueError as error:
        return None, f"it is no time-stamp answer of RFC 3161 ({error})"
    return parsed, ""


def _unproved(parsed: Any, last_line: bytes, certificates: Sequence[Certificate]) -> str:
    """Why the signature of the answer does not lead to the certificates, "" if it does."""
    from rfc3161_client import VerificationError, VerifierBuilder

    roots = [one for one in certificates if one.issuer == one.subject] or list(certificates)
    between = [one for one in certificates if one not in roots]
    builder = VerifierBuilder(roots=roots, intermediates=between)
    try:
        builder.build().verify_message(parsed, last_line)
    except (VerificationError, ValueError) as error:
        return f"its signature does not lead to the certificate ({error})"
    return ""


def certificates_from(name: str, data: bytes) -> tuple[Certificate, ...]:
    """Certificates in PEM (one or more) or DER. Raises InputError."""
    from cryptography.x509 import InvalidVersion, load_der_x509_certificate, load_pem_x509_certificates

    with contextlib.suppress(ValueError, InvalidVersion):
        if b"-----BEGIN" in data:
            return tuple(load_pem_x509_certificates(data))
        return (load_der_x509_certificate(data),)
    what, remedy = "this is no certificate", "give the authority's certificate, PEM or DER"
    raise InputError([Problem(file=name, what=what, remedy=remedy)])
