"""The stand-alone verifier of docs/ and ours agree, on good and on forged records.

It is written from docs/record.md alone with the standard library: an independent reading of the format.
"""

from __future__ import annotations

import runpy
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.record.verify import verify

REPO = Path(__file__).parents[2]
SCRIPT = REPO / "docs" / "verify_record.py"
SAMPLE = REPO / "tests" / "records" / "format-1.audit.jsonl"
DATA = SAMPLE.read_bytes()
LINES = DATA.split(b"\n")[:-1]


def _join(lines: list[bytes]) -> bytes:
    return b"".join(line + b"\n" for line in lines)


FORGED: dict[str, bytes] = {
    "empty": b"",
    "not a record": b"hello\n",
    "changed": DATA.replace(b"43670000", b"43680000", 1),
    "removed": _join(LINES[:5] + LINES[6:]),
    "put in": _join([*LINES[:5], LINES[3], *LINES[5:]]),
    "swapped": _join([*LINES[:5], LINES[6], LINES[5], *LINES[7:]]),
    "first gone": _join(LINES[1:]),
    "seal gone": _join(LINES[:-1]),
    "cut": DATA[:-1],
    "tail": DATA + b"{}\n",
    "tail of nothing": DATA + b"\n",
    "carriage returns": DATA.replace(b"\n", b"\r\n"),
    "byte-order mark": b"\xef\xbb\xbf" + DATA,
    "utf-16": DATA.decode().encode("utf-16"),
    "newer": DATA.replace(b"record/1", b"record/2"),
    "blank in a line": DATA.replace(b'"kind":"note"', b'"kind": "note"'),
    "float": DATA.replace(b'"at_ns":0,', b'"at_ns":0.0,'),
    "nan": DATA.replace(b'"at_ns":0,', b'"at_ns":NaN,'),
    "seal says complete": DATA.replace(b'"complete":false', b'"complete":true'),
    "other reason": DATA.replace(b"by the operator", b"by nobody"),
    "large number": DATA.replace(b'"at_ns":0,', b'"at_ns":9007199254740992,'),
    "a signature": DATA.replace(b'"signature":null', b'"signature":"ab"'),
    "nesting": b"[" * 100_000 + b"\n",
    "bytes of no text": DATA.replace(b"laptop-3", b"laptop-\xff"),
}


@pytest.fixture(scope="module")
def check() -> Callable[[Path], Any]:
    return runpy.run_path(str(SCRIPT))["check"]  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("agree")


def _theirs(check: Callable[[Path], Any], path: Path) -> tuple[int, str] | None:
    try:
        return check(path)  # type: ignore[no-any-return]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def test_a_good_record_verifies_with_both_and_has_the_same_code(check: Callable[[Path], Any]) -> None:
    ours = verify(SAMPLE)
    assert _theirs(check, SAMPLE) == (ours.count, ours.head)
    assert ours.holds


@pytest.mark.parametrize("name", FORGED)
def test_a_forged_record_verifies_with_neither(
    check: Callable[[Path], Any], tmp_path: Path, name: str
) -> None:
    path = tmp_path / "forged.audit.jsonl"
    path.write_bytes(FORGED[name])
    assert FORGED[name] != DATA
    assert not verify(path).holds
    assert _theirs(check, path) is None


@given(place=st.integers(0, len(DATA) - 1), byte=st.integers(0, 255))
@settings(max_examples=300, deadline=None)
def test_both_agree_on_any_changed_byte(
    check: Callable[[Path], Any], folder: Path, place: int, byte: int
) -> None:
    data = bytearray(DATA)
    data[place] = byte
    path = folder / "changed.audit.jsonl"
    path.write_bytes(data)
    assert verify(path).holds == (_theirs(check, path) is not None) == (bytes(data) == DATA)


def test_as_a_program_it_says_so_and_exits_as_documented(tmp_path: Path) -> None:
    good = subprocess.run([sys.executable, "-I", str(SCRIPT), str(SAMPLE)], capture_output=True, check=False)
    assert good.returncode == 0
    assert verify(SAMPLE).short.encode() in good.stdout
    bad = tmp_path / "bad.audit.jsonl"
    bad.write_bytes(FORGED["changed"])
    told = subprocess.run([sys.executable, "-I", str(SCRIPT), str(bad)], capture_output=True, check=False)
    assert told.returncode == 4
    assert b"does not verify" in told.stdout
    assert b"Traceback" not in told.stderr
