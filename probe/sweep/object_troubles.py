"""Object troubles: what an S3-style store or the way to it said, as a problem in plain words.

The library tells all in one text: the answer's XML where the store gave one (its ``Code`` is what counts), or
how the connection failed. Nothing of that text is repeated: it may name the key that was used.
Source: S3 API Reference, "Error responses", list of error codes.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from probe.model.errors import InputError, Problem
from probe.model.record_place import KEY_ID, SECRET, RecordPlace


class StoreTrouble(InputError):  # noqa: N818 - says what happened
    """The store cannot be used. passes: True if it may work later with nothing changed here."""

    def __init__(self, problem: Problem, *, passes: bool) -> None:
        super().__init__((problem,))
        self.passes = passes

    @property
    def line(self) -> str:
        """The trouble on one line, for a log."""
        problem = self.problems[0]
        return f"{problem.what} ({problem.found})" if problem.found else problem.what


class _Words(NamedTuple):
    what: str
    remedy: str
    passes: bool = False


_KEYS = f"look at {KEY_ID} and {SECRET} (or what else signs here), and what that key may do in the bucket"
_CODES = {
    "NoSuchBucket": _Words(
        "the store has no such bucket", "correct bucket: in the fleet file, or make the bucket"
    ),
    "InvalidAccessKeyId": _Words("the store does not know this key", _KEYS),
    "SignatureDoesNotMatch": _Words("the store refuses the signature: the secret is another one", _KEYS),
    "AccessDenied": _Words("the store does not allow this", _KEYS),
    "AllAccessDisabled": _Words("the store does not allow this", _KEYS),
    "AccountProblem": _Words("the store does not allow this", _KEYS),
    "ExpiredToken": _Words("the session of this key is over", "take a new token"),
    "InvalidToken": _Words("the store refuses the session's token", _KEYS),
    "RequestTimeTooSkewed": _Words(
        "this computer's clock and the store's differ by too much (a quarter of an hour is usual)",
        "set this computer's clock; records made meanwhile are kept and say what its clock said",
    ),
    "PermanentRedirect": _Words(
        "the bucket is in another region", "write its region: and endpoint: into the file"
    ),
    "AuthorizationHeaderMalformed": _Words(
        "the bucket is in another region", "write its region: into the file"
    ),
    "InvalidBucketName": _Words("the store does not take this name of a bucket", "correct bucket:"),
    "QuotaExceeded": _Words("the store is full", "make room there, or let its quota be raised", passes=True),
    "EntityTooLarge": _Words(
        "the record is larger than the store takes", "let the store take larger objects"
    ),
}
_STATUS = {
    301: _CODES["PermanentRedirect"],
    401: _CODES["AccessDenied"],
    403: _CODES["AccessDenied"],
    507: _CODES["QuotaExceeded"],
}
_LATER = "nothing: records wait in the folder, and are delivered when the store is back"
_WAYS = (  # what the library's text holds, the first that fits
    (re.compile(r"redirect without LOCATION"), _CODES["PermanentRedirect"]),
    (
        re.compile(r"dns error|failed to lookup|Name or service"),
        _Words("the store's host is not known", "correct endpoint:, or look at the names' server", True),
    ),
    (
        re.compile(r"InvalidCertificate|UnknownIssuer|CertificateUnknown|NotValidForName|BadSignature"),
        _Words(
            "the store's certificate is not trusted", "name its authority's PEM file as certificates:", False
        ),
    ),
    (
        re.compile(r"InvalidContentType|CorruptMessage|InvalidMessage|HandshakeFailure|AlertReceived"),
        _Words("there is no TLS at that address", "correct endpoint: (its port, or http://)", False),
    ),
    (re.compile(r"ConnectionRefused"), _Words("nothing answers at the store's address", _LATER, True)),
    (re.compile(r"NetworkUnreachable|HostUnreachable"), _Words("no way leads to the store", _LATER, True)),
    (re.compile(r"TimedOut|kind: Timeout"), _Words("the store does not answer in time", _LATER, True)),
)
_CUT = _Words("the connection to the store broke", _LATER, True)
_BUSY = _Words("the store cannot serve now", _LATER, True)


def code_in(text: str) -> str:
    """The store's own word for what was wrong, empty where it gave none (HEAD has no body)."""
    found = re.search(r"<Code>([A-Za-z0-9]{1,60})</Code>", text)
    return found.group(1) if found else ""


def status_in(text: str) -> int:
    """HTTP status of the answer, 0 without an answer."""
    found = re.search(r"status code: (\d{3})", text)
    return int(found.group(1)) if found else 0


def trouble_from(text: str, place: RecordPlace, secret_words: tuple[str, ...] = ()) -> StoreTrouble:
    """The trouble that the library's text tells of. secret_words: never repeated, whatever stands there."""
    code, status = code_in(text), status_in(text)
    words = _words(text, code, status)
    said = " ".join(part for part in (f"HTTP {status}" if status else "", code) if part)
    if any(word and word in said for word in secret_words):
        said = f"HTTP {status}"
    problem = Problem(
        file=f"{place.endpoint}/{place.bucket}",
        what=words.what,
        field="store",
        found=said,
        allowed="a store that takes and gives records",
        remedy=words.remedy,
    )
    return StoreTrouble(problem, passes=words.passes)


def _words(text: str, code: str, status: int) -> _Words:
    if code in _CODES:
        return _CODES[code]
    if status in _STATUS:
        return _STATUS[status]
    if status >= 500 or status in (408, 429) or code in ("SlowDown", "RequestTimeout"):
        return _BUSY
    if status:
        return _Words("the store refuses this", "look whether it is an S3-style store", False)
    return next((words for form, words in _WAYS if form.search(text)), _CUT)
