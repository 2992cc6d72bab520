"""Targets: records: any bytes, lines of a forger who makes the chain anew, and packed copies."""

from __future__ import annotations

import atexit
import gzip
import importlib.util
import json
import os
import random
import shutil
import tempfile
import zlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from probe.model.errors import InputError, RecordError
from probe.record.content import RecordContent, lineup_of, load, load_inside
from probe.record.line import NO_LINE, digest, line
from probe.record.rejudge import judge_again
from probe.record.seal import seal_line
from probe.record.verify import Verification, verify
from tests.fuzz.mutate import any_bytes, json_lines
from tests.fuzz.target import Target, need, refused

SCRATCH = "BUSWITNESS_FUZZ_SCRATCH"
RECORDS = Path(__file__).parents[2] / "records"
#: Lines of records whose maps load, so that judging again goes all the way: a meter, a supply with what
#: people said, a switch and a supply by SNMP with all else that a survey hears, a link that was pulled.
SEEDS = Path(__file__).parents[1] / "seeds"
SAMPLES = tuple(f"format-1{kind}.audit.jsonl" for kind in ("", "-accepted", "-signed", "-merged"))


@lru_cache(maxsize=1)
def folder() -> Path:
    """A folder for the files of one process, in memory where there is such a place.

    The runner gives its own and removes it, as the engine ends a process without a word.
    """
    if given := os.environ.get(SCRATCH):
        return Path(given)
    shm = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="bw-fuzz-", dir=shm if os.access(shm, os.W_OK) else None))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def file_of(data: bytes, name: str) -> Path:
    """A file with these bytes; the next one of its name takes its place."""
    path = folder() / name
    path.write_bytes(data)
    return path


def examined(path: Path) -> tuple[Verification | None, RecordContent | None]:
    """What verify and load say; they must agree."""
    found = refused(lambda: verify(path), str(path))
    need(found is not None, "a file that is there was refused as if it were not")
    assert found is not None
    need(found.text, "a verdict without a text")
    content: RecordContent | None = None
    try:
        content = load(path)
    except RecordError as error:
        need(not found.holds, f"verify says it holds, load refuses it: {error.problem.what}")
    if content is not None and found.holds:
        need(content.seal is not None, "a record that holds has no seal")
    return found, content


def _bytes(data: bytes) -> None:
    examined(file_of(data, "b.audit.jsonl"))


def _packed(data: bytes) -> None:
    how, body = (data[0] if data else 0), data[1:]
    if how & 1:
        body = gzip.compress(body, 1, mtime=0)[: len(body) + 40 - (how >> 4)]
    elif how & 2:
        body = b"\x1f\x8b\x08\0\0\0\0\0\0\xff" + body
    elif how & 4:
        body = b"\x28\xb5\x2f\xfd" + body
    elif how & 8:
        body = _zstd(body)
    examined(file_of(body, "p.audit.jsonl.gz"))


def _zstd(data: bytes) -> bytes:
    try:
        import zstandard
    except ImportError:
        return zlib.compress(data)
    return zstandard.ZstdCompressor(level=1).compress(data)


def _forged(data: bytes) -> None:
    path = file_of(rechained(data), "f.audit.jsonl")
    _, content = examined(path)
    if content is None:
        return
    for number in range(1, min(len(content.runs), 3) + 1 if content.is_merged else 1):
        refused(lambda number=number: load_inside(path, number), str(path))  # type: ignore[misc]
    try:
        lineup = lineup_of(content.header)
    except InputError:
        return
    if not content.is_merged:
        conclusion = judge_again(content, lineup)
        need(conclusion is not None, "no conclusion")


def rechained(data: bytes) -> bytes:
    """Lines of {"body", "kind"} with numbers, links and seal made anew, as a forger would."""
    made: list[bytes] = []
    previous = NO_LINE
    for number, raw in enumerate(data.split(b"\n"), 1):
        try:
            value = json.loads(raw)
            body, kind = value["body"], value["kind"]
            if kind == "seal" and isinstance(body, dict):
                one = seal_line(
                    number, previous, complete=bool(body.get("complete")), reason=str(body.get("reason", ""))
                )
            else:
                one = line(number, previous, kind, body)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            one = raw
        made.append(one)
        previous = digest(one)
    return b"".join(one + b"\n" for one in made)


@lru_cache(maxsize=1)
def _verifier() -> Any:
    """The program of one page that verifies records without this one."""
    path = Path(__file__).parents[3] / "docs" / "verify_record.py"
    spec = importlib.util.spec_from_file_location("verify_record", path)
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


#: What the program turns into its exit code 4.
_NOT_VERIFIED = (
    ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError, OSError,
)  # fmt: skip


def _both(data: bytes) -> None:
    """The first byte says whether the chain is made anew."""
    path = file_of(rechained(data[1:]) if data[:1] == b"\1" else data[1:], "v.audit.jsonl")
    found = verify(path)
    try:
        _, code, _ = _verifier().check_file(str(path))
    except _NOT_VERIFIED as error:
        need(not found.holds, f"it says: {error}; we say: {found.text}")
        return
    if found.holds:
        need(code == load(path).code, "another code")


def _both_seeds() -> Iterator[bytes]:
    for one in _byte_seeds():
        yield b"\0" + one
    for one in forged_seeds():
        yield b"\1" + one


def _forge_both(data: bytes, rng: random.Random) -> bytes:
    return data[:1] + _forge(data[1:], rng)


def _stripped(data: bytes) -> list[bytes]:
    """The lines of a record as ``rechained`` takes them."""
    made = []
    for raw in data.splitlines():
        value = json.loads(raw)
        made.append(
            json.dumps({"body": value["body"], "kind": value["kind"]}, separators=(",", ":")).encode()
        )
    return made


def _samples() -> Iterator[bytes]:
    for name in SAMPLES:
        yield (RECORDS / name).read_bytes()


def forged_seeds() -> Iterator[bytes]:
    """Records of each kind, and short ones, as ``rechained`` takes them."""
    for sample in _samples():
        lines = _stripped(sample)
        yield b"\n".join(lines)
        for size in (6, 12):
            yield b"\n".join([*lines[:size], lines[-1]])
    for path in sorted(SEEDS.glob("*.jsonl")):
        yield path.read_bytes().rstrip(b"\n")


def _byte_seeds() -> Iterator[bytes]:
    for sample in _samples():
        lines = sample.splitlines(keepends=True)
        yield sample
        yield b"".join(lines[:4])
        yield sample.replace(b"\n", b"\r\n")
    yield b""
    yield b"\xef\xbb\xbf" + next(_samples())


def _packed_seeds() -> Iterator[bytes]:
    sample = next(_samples())
    yield b"\x01" + sample
    yield b"\x08" + sample
    yield b"\x02" + zlib.compressobj(6, wbits=-15).compress(sample[:3000])
    yield b"\x04" + _zstd(sample[:500])[4:]


def _forge(data: bytes, rng: random.Random) -> bytes:
    return json_lines(data, rng) if rng.randrange(12) else any_bytes(data, rng)


_MORE: dict[str, Any] = {"longest": 40_000}
TARGETS = (
    Target(
        name="record_bytes",
        promise="any file gets a verdict; verify and load agree whether it holds",
        run=_bytes,
        seeds=_byte_seeds,
        mutate=_forge,
        calls=120,
        **_MORE,
    ),
    Target(
        name="record_forged",
        promise="a forger's lines in a right chain: refused, or loaded and judged again without a traceback",
        run=_forged,
        seeds=forged_seeds,
        mutate=_forge,
        share=3.0,
        calls=50,
        **_MORE,
    ),
    Target(
        name="record_verifier",
        promise="what verifies here, the independent program of one page verifies too, with the same code",
        run=_both,
        seeds=_both_seeds,
        mutate=_forge_both,
        calls=80,
        **_MORE,
    ),
    Target(
        name="record_packed",
        promise="gzip and zstd copies, whole and damaged: a verdict, never more than what is inside",
        run=_packed,
        seeds=_packed_seeds,
        calls=120,
        longest=12_000,
    ),
)
