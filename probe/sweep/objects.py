"""Objects: records in a bucket of an S3-style store. The one module that knows the library (obstore).

What is sent is proved: each part's SHA-256 is signed with the request, so that the store refuses what was
changed on the way, and what lies there afterwards is held against the file by size and ETag (MD5 of the
content, or of its parts' MD5s), or, where the store's ETag is something else, by reading it back.
Source: S3 API Reference, "Authenticating Requests: Using the Authorization Header"; S3 User
Guide, "Checking object integrity". ETag of several parts: common practice, no source.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from probe.model.errors import InputError, Problem, RecordError
from probe.model.record_place import KEY_ID, SECRET, SESSION, RecordPlace
from probe.sweep.object_troubles import StoreTrouble, code_in, trouble_from

if TYPE_CHECKING:
    from obstore.store import S3Store

PART = 5 << 20  # the least that stores take as one of several parts; two are held in memory at most
LONGEST_REQUEST = timedelta(minutes=2)  # a part over 350 kbit/s
#: The library's own ways to sign, in the environment; the metadata address of a computing cloud is not asked.
_CHAIN = (
    "AWS_WEB_IDENTITY_TOKEN_FILE",
    "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI",
    "AWS_CONTAINER_CREDENTIALS_FULL_URI",
)

_Answer = TypeVar("_Answer")


class Seen(NamedTuple):
    """An object as the store tells of it. etag: without its quotes."""

    key: str
    size: int
    etag: str
    at: datetime


class ObjectStore:
    """A bucket below a prefix. Threads may share it."""

    def __init__(
        self, place: RecordPlace, *, certificates: Path | None = None, environ: Mapping[str, str] = os.environ
    ) -> None:
        """Opens nothing yet. certificates: PEM file of further authorities.

        Raises InputError if nothing signs requests, the library is not installed, the file cannot be read.
        """
        self.place = place
        self._secrets = _secrets(place, environ)
        self._store = _opened(place, self._secrets, certificates)

    def look(self, name: str) -> Seen | None:
        """The object of that name; None if it is not there. Raises StoreTrouble."""
        import obstore

        try:
            found = self._asked(lambda: obstore.head(self._store, self.place.key(name)))
        except FileNotFoundError:
            return None
        return _seen(found)

    def names(self, *, after: str = "") -> Iterator[Seen]:
        """All objects below the prefix, by name; after: only later names. Raises StoreTrouble."""
        import obstore

        prefix = self.place.prefix or None
        offset = self.place.key(after) if after else None
        pages = obstore.list(self._store, prefix, offset=offset, chunk_size=1000)
        while page := self._asked(lambda: next(iter(pages), None)):
            yield from (_seen(one) for one in page)

    def ensure_usable(self) -> None:
        """Raises StoreTrouble if the bucket cannot be listed: what a refusal without words came from."""
        next(self.names(), None)

    def send(self, name: str, file: Path) -> bool:
        """The store has the file's content under that name when this returns, proved; False if it had it.

        Nothing that is there is ever written over. Raises StoreTrouble; RecordError if other content lies
        there, or if what lies there afterwards is not what was sent.
        """
        import obstore

        there = self.look(name)
        if there is not None:
            if not self._is_same(there, file):
                raise RecordError(_other_content(self.place, name, there))
            return False
        key = self.place.key(name)
        self._asked(lambda: obstore.put(self._store, key, file, chunk_size=PART, max_concurrency=1))
        there = self.look(name)
        if there is None or not self._is_same(there, file):
            raise RecordError(_not_what_was_sent(self.place, name))
        return True

    def fetch(self, name: str, target: Path) -> None:
        """Write the object's content to the file, part by part. Raises StoreTrouble, RecordError."""
        there = self.look(name)
        if there is None:
            self.ensure_usable()  # a missing bucket is no missing record
            raise RecordError(_missing(self.place, self.place.key(name)))
        with target.open("wb") as file:
            for part in self._parts(there):
                file.write(part)

    def _parts(self, there: Seen) -> Iterator[memoryview]:
        """The object's content, part by part. Raises RecordError if it goes away meanwhile."""
        import obstore

        def part(start: int) -> memoryview:
            length = min(PART, there.size - start)
            return memoryview(obstore.get_range(self._store, there.key, start=start, length=length))

        for start in range(0, there.size, PART):
            try:
                yield self._asked(partial(part, start))
            except FileNotFoundError:
                raise RecordError(_missing(self.place, there.key)) from None

    def _is_same(self, there: Seen, file: Path) -> bool:
        """True if the object is the file, byte by byte."""
        if there.size != file.stat().st_size:
            return False
        if there.etag in etags_of(file):
            return True
        return self._hash_there(there) == _hash_of(file)

    def _hash_there(self, there: Seen) -> bytes:
        digest = hashlib.sha256()
        for part in self._parts(there):
            digest.update(part)
        return digest.digest()

    def _asked(self, question: Callable[[], _Answer]) -> _Answer:
        """The library's answer. Raises FileNotFoundError for what is not there, StoreTrouble for all else."""
        from obstore.exceptions import BaseError

        try:
            return question()
        except FileNotFoundError as error:
            if code_in(text := str(error)) not in ("", "NoSuchKey"):
                raise self._trouble(text) from None
            raise
        except (BaseError, ValueError) as error:  # the cause stays away: it may name the key
            text = str(error)
        except OSError as error:
            raise self._trouble_here(error) from error
        if "HEAD" in text and not code_in(text) and "status code: 4" in text:
            self.ensure_usable()  # an answer to HEAD has no words; this one has
        raise self._trouble(text)

    def _trouble(self, text: str) -> StoreTrouble:
        return trouble_from(text, self.place, tuple(self._secrets.values()))

    def _trouble_here(self, error: OSError) -> InputError:
        file = str(error.filename or self.place.endpoint)
        return InputError((Problem(file=file, what=f"the record cannot be sent: {error.strerror}"),))


def etags_of(file: Path) -> frozenset[str]:
    """ETags under which stores show this content when it came in one piece, or in parts of ``PART``."""
    whole, parts = hashlib.md5(usedforsecurity=False), []
    with file.open("rb") as source:
        while block := source.read(PART):
            whole.update(block)
            parts.append(hashlib.md5(block, usedforsecurity=False).digest())
    joined = hashlib.md5(b"".join(parts), usedforsecurity=False).hexdigest()
    return frozenset({whole.hexdigest(), f"{joined}-{len(parts)}"})


def _hash_of(file: Path) -> bytes:
    with file.open("rb") as source:
        return hashlib.file_digest(source, "sha256").digest()


def _seen(told: Any) -> Seen:  # Any: the library's own mapping
    return Seen(told["path"], told["size"], (told["e_tag"] or "").strip('"'), told["last_modified"])


def _secrets(place: RecordPlace, environ: Mapping[str, str]) -> dict[str, str]:
    """Key, secret and token from the environment; empty if the library's own ways are set there."""
    for names in (
        (KEY_ID, SECRET, SESSION),
        ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN"),
    ):
        given = [name for name in names if environ.get(name)]
        if len(given) == 1 or (given and names[0] not in given):
            missing = ", ".join(name for name in names[:2] if name not in given)
            raise InputError((_unsigned(place, f"{' and '.join(given)} without {missing}"),))
        if given:
            return {name: environ[name] for name in given}
    if any(environ.get(name) for name in _CHAIN):
        return {}
    raise InputError((_unsigned(place, "none of them in the environment"),))


def _opened(place: RecordPlace, secrets: Mapping[str, str], certificates: Path | None) -> S3Store:
    try:
        from obstore.store import S3Store
    except ImportError as error:
        raise InputError((_no_library(place, error),)) from None
    client: dict[str, Any] = {  # Any: the values of the library's mapping differ
        "allow_http": place.is_plain,
        "connect_timeout": timedelta(seconds=10),
        "timeout": LONGEST_REQUEST,
        "user_agent": "buswitness",
    }
    if certificates is not None:
        client["root_certificate"] = _read(certificates)
    again: dict[str, Any] = {
        "max_retries": 2,
        "backoff": {"init_backoff": timedelta(seconds=0.2), "max_backoff": timedelta(seconds=2), "base": 2},
        "retry_timeout": timedelta(seconds=30),
    }
    more: dict[str, Any] = {}
    if secrets:
        more["credential_provider"] = _signs_with(*secrets.values())
    return S3Store(
        place.bucket,
        endpoint=place.endpoint,
        region=place.region,
        virtual_hosted_style_request=False,
        skip_signature=False,
        client_options=client,  # type: ignore[arg-type]  # the keys of these two are the library's
        retry_config=again,  # type: ignore[arg-type]
        **more,
    )


def _signs_with(key: str, secret: str, token: str | None = None) -> Callable[[], dict[str, Any]]:
    """Given to the library as a function, so that no other variable of the environment is mixed in."""
    return lambda: {"access_key_id": key, "secret_access_key": secret, "token": token, "expires_at": None}


def _read(certificates: Path) -> str:
    try:
        return certificates.read_text(encoding="ascii")
    except (OSError, ValueError) as error:
        what = "the store's certificates cannot be read"
        said = getattr(error, "strerror", None) or "no PEM file"
        raise InputError(
            (Problem(file=str(certificates), what=what, field="store.certificates", found=said),)
        ) from None


def _unsigned(place: RecordPlace, found: str) -> Problem:
    return Problem(
        file=f"{place.endpoint}/{place.bucket}",
        what="nothing here can sign requests to the store",
        field="store",
        found=found,
        allowed=f"{KEY_ID} and {SECRET}, or AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY",
        remedy="set them where sweeps run; never in the fleet file",
    )


def _no_library(place: RecordPlace, error: ImportError) -> Problem:
    return Problem(
        file=f"{place.endpoint}/{place.bucket}",
        what="records in a store need a package that is not installed here",
        field="store",
        found=f"no {error.name or 'obstore'}",
        allowed="Buswitness with its extra store, or records in a folder",
        remedy="install it: pip install 'buswitness[store]'; or take store: out of the fleet file",
    )


def _missing(place: RecordPlace, key: str) -> Problem:
    return Problem(
        file=f"{place.endpoint}/{place.bucket}/{key}",
        what="the store does not have this record",
        found="no such object",
        allowed="every record that was delivered",
        remedy="ask who keeps the store what became of it; a copy can be put back with sweep import",
    )


def _other_content(place: RecordPlace, name: str, there: Seen) -> Problem:
    return Problem(
        file=f"{place.endpoint}/{place.bucket}/{place.key(name)}",
        what="the store holds something else under this record's code",
        found=f"{there.size} bytes of {there.at:%Y-%m-%d}, other content",
        allowed="the record, unchanged",
        remedy="delete neither: the one in the folder verifies; find out who changed the other",
    )


def _not_what_was_sent(place: RecordPlace, name: str) -> Problem:
    return Problem(
        file=f"{place.endpoint}/{place.bucket}/{place.key(name)}",
        what="what the store holds is not what was sent to it",
        found="other content",
        allowed="the record, unchanged",
        remedy="the record stays in the folder; look at the store and at what lies between",
    )
