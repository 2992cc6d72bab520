"""Target: an S3-style store on loopback whose answers are the input; the library in between is a real one.

The input is a script: HTTP answers, one after the other, each as it stands on the wire; then there are none.
Source: S3 API Reference (ListObjectsV2, HeadObject, GetObject, error responses).
"""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator
from functools import lru_cache
from typing import Any
from unittest.mock import patch

from probe.model.errors import InputError, RecordError
from probe.model.record_place import KEY_ID, SECRET, RecordPlace
from probe.sweep.objects import ObjectStore
from probe.sweep.records import SUFFIX, KeptRecord
from probe.sweep.stored_records import StoredRecords
from tests.fuzz.target import Target, check_problem, need
from tests.fuzz.targets.records import folder

_BREAK = b"\n=====\n"
_KEYS = {KEY_ID: "a-key-of-the-site", SECRET: "a-secret-of-the-site"}
_CODE = "ab" * 32
_MOST_ANSWERS, _MOST_BYTES = 12, 1 << 20


class _Store:
    """Answers each connection with the next part of the script, and hangs up."""

    def __init__(self) -> None:
        self.answers: list[bytes] = []
        self.asked = 0
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                one, _ = self._socket.accept()
            except OSError:
                return
            with one:
                try:
                    one.settimeout(2.0)
                    self._answer(one)
                except OSError:
                    continue

    def _answer(self, one: socket.socket) -> None:
        heard = b""
        while b"\r\n\r\n" not in heard:
            if not (part := one.recv(65_536)):
                return
            heard += part
        self.asked += 1
        if self.answers:
            one.sendall(self.answers.pop(0))

    def close(self) -> None:
        self._socket.close()


@lru_cache(maxsize=1)
def _store() -> _Store:
    return _Store()


def close() -> None:
    """Close the store that the target uses."""
    if _store.cache_info().currsize:
        _store().close()
        _store.cache_clear()


@lru_cache(maxsize=1)
def _objects() -> ObjectStore:
    place = RecordPlace(endpoint=f"http://127.0.0.1:{_store().port}", bucket="switchgear", prefix="tarn")
    impatient: Any = {"max_retries": 0, "retry_timeout": _short(), "backoff": None}
    import obstore.store

    real = obstore.store.S3Store

    def made(*given: Any, **facts: Any) -> Any:
        facts["retry_config"] = {name: one for name, one in impatient.items() if one is not None}
        facts["client_options"] |= {"timeout": _short(), "pool_max_idle_per_host": "0"}
        return real(*given, **facts)

    with patch("obstore.store.S3Store", made):
        return ObjectStore(place, environ=_KEYS)


def _short() -> Any:
    from datetime import timedelta

    return timedelta(seconds=1)


def _told(data: bytes) -> None:
    store = _store()
    objects = _objects()
    store.answers = [one[:_MOST_BYTES] for one in data.split(_BREAK)[:_MOST_ANSWERS]]
    store.asked = 0
    records = StoredRecords(folder() / "stored", lambda: objects)
    for work in (lambda: kept(records), lambda: records.by_code(_CODE[:16]), lambda: _fetched(records)):
        try:
            work()
        except (InputError, RecordError) as error:
            problems = error.problems if isinstance(error, InputError) else (error.problem,)
            for problem in problems:
                check_problem(problem, "")
            need(not any(secret in str(error) for secret in _KEYS.values()), "a secret is told")
    need(store.asked <= 40, f"{store.asked} requests")


def kept(records: StoredRecords) -> list[KeptRecord]:
    """The records that the store tells of."""
    found = list(records.kept())
    for record in found:
        need(re.fullmatch("[0-9a-f]{64}", record.code), f"a record of code {record.code!r}")
    return found


def _fetched(records: StoredRecords) -> None:
    """What the store has under the code is proved before anybody gets it: nothing here has that code."""
    with records.opened(KeptRecord(f"tarn/{_CODE}{SUFFIX}", _CODE)):
        need(False, "another record than was asked for")


def _answer(body: bytes, status: bytes = b"200 OK", *more: bytes) -> bytes:
    head = [b"HTTP/1.1 " + status, b"Content-Length: %d" % len(body), b"Connection: close", *more]
    return b"\r\n".join(head) + b"\r\n\r\n" + body


def _listing(*codes: str) -> bytes:
    items = b"".join(
        b"<Contents><Key>tarn/%b.audit.jsonl</Key><LastModified>2026-11-25T10:00:00.000Z</LastModified>"
        b'<ETag>"d41d8cd98f00b204e9800998ecf8427e"</ETag><Size>12</Size></Contents>' % code.encode()
        for code in codes
    )
    head = b"<ListBucketResult><Name>switchgear</Name><Prefix>tarn/</Prefix><KeyCount>1</KeyCount>"
    return _answer(head + b"<IsTruncated>false</IsTruncated>" + items + b"</ListBucketResult>")


def _head(size: int) -> bytes:
    """The answer to HEAD: the length of what it does not send."""
    told = b'Content-Length: %d\r\nETag: "x"\r\nLast-Modified: Wed, 25 Nov 2026 10:00:00 GMT' % size
    return b"HTTP/1.1 200 OK\r\n" + told + b"\r\nConnection: close\r\n\r\n"


def _range(body: bytes) -> bytes:
    told = (b'ETag: "x"', b"Last-Modified: Wed, 25 Nov 2026 10:00:00 GMT")
    return _answer(
        body, b"206 Partial Content", b"Content-Range: bytes 0-%d/%d" % (len(body) - 1, len(body)), *told
    )


def _seeds() -> Iterator[bytes]:
    denied = _answer(
        b"<Error><Code>AccessDenied</Code><Message>a-key-of-the-site</Message></Error>", b"403 Forbidden"
    )
    yield _BREAK.join([_listing(_CODE), _listing(_CODE), _head(12), _range(b"hello world\n"), _listing()])
    yield _BREAK.join([denied, denied, denied, denied])
    yield _BREAK.join([_listing("../x"), _listing(_CODE, "zz"), _head(1 << 40), _range(b"x")])
    yield _BREAK.join([_answer(b"<a", b"200 OK"), b"", b"HTTP/1.1 404 Not Found\r\n\r\n", b"\xff\xfe"])


TARGETS = (
    Target(
        name="record_store",
        promise="whatever a store answers: records by their codes, or a reason; no other record, no secret",
        run=_told,
        seeds=_seeds,
        words=(
            b"<Code>",
            b"</Code>",
            b"NoSuchBucket",
            b"<Size>",
            b"Content-Length: ",
            b"Content-Range: bytes ",
            b"\r\n\r\n",
            _BREAK,
        ),
        longest=6000,
        calls=8,
    ),
)
