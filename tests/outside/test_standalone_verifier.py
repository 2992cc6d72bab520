"""The stand-alone verifier of docs/ and ours agree, on good and on forged records.

It is written from docs/record.md alone: an independent reading of the format. Source of the canonical form
used here: the ``rfc8785`` library.
"""

from __future__ import annotations

import hashlib
import json
import re
import runpy
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.record.verify import verify

REPO = Path(__file__).parents[2]
SCRIPT = REPO / "docs" / "verify_record.py"
SAMPLE = REPO / "tests" / "records" / "format-1.audit.jsonl"
SIGNED = SAMPLE.with_name("format-1-signed.audit.jsonl")
MERGED = SAMPLE.with_name("format-1-merged.audit.jsonl")
GOOD = sorted(SAMPLE.parent.glob("*.audit.jsonl"))
PUBLIC = b"d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"  # RFC 8032, 7.1, TEST 1
KEY_MEMBER = b'"key":{"algorithm":"ed25519","public":"%b"}' % PUBLIC
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
    return runpy.run_path(str(SCRIPT))["check_file"]  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("agree")


def _theirs(check: Callable[[Path], Any], path: Path) -> tuple[int, str, str] | None:
    try:
        return check(path)  # type: ignore[no-any-return]
    except (ValueError, KeyError, TypeError, IndexError, RecursionError):
        return None


@pytest.mark.parametrize("sample", GOOD, ids=lambda path: path.name)
def test_a_good_record_verifies_with_both_and_has_the_same_code(
    check: Callable[[Path], Any], sample: Path
) -> None:
    ours = verify(sample)
    assert _theirs(check, sample) == (ours.count, ours.head, ours.public)
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


@given(sample=st.sampled_from(GOOD), place=st.integers(0, 10**6), byte=st.integers(0, 255))
@settings(max_examples=500, deadline=None)
def test_both_agree_on_any_changed_byte(
    check: Callable[[Path], Any], folder: Path, sample: Path, place: int, byte: int
) -> None:
    good = sample.read_bytes()
    data = bytearray(good)
    data[place % len(data)] = byte
    path = folder / "changed.audit.jsonl"
    path.write_bytes(data)
    assert verify(path).holds == (_theirs(check, path) is not None) == (bytes(data) == good)


def _chained(lines: list[bytes], changed: dict[int, tuple[bytes, bytes]]) -> bytes:
    """The record made anew as somebody without the key can: changed lines, and a chain that holds again."""
    previous, made = "0" * 64, []
    for number, raw in enumerate(lines, 1):
        old, new = changed.get(number, (b"", b""))
        line = json.loads(raw.replace(old, new) if old else raw)
        line["prev"] = previous
        if line["kind"] == "seal":
            line["body"]["head"] = previous
            opened = {**line["body"], "check": None, "signature": None, "timestamp": None}
            line["body"]["check"] = hashlib.sha256(rfc8785.dumps({**line, "body": opened})).hexdigest()
        made.append(rfc8785.dumps(line))
        previous = hashlib.sha256(made[-1]).hexdigest()
    return _join(made)


SIGNED_LINES = SIGNED.read_bytes().split(b"\n")[:-1]
MERGED_LINES = MERGED.read_bytes().split(b"\n")[:-1]
INSIDE = next(number for number, line in enumerate(MERGED_LINES, 1) if b"43670000" in line)
UNSIGNED_MERGED = [
    re.sub(rb'^(.*"signature":)"[0-9a-f]{128}"', rb"\1null", line) if b'"kind":"seal"' in line else line
    for line in (MERGED_LINES[0].replace(KEY_MEMBER, b'"key":null'), *MERGED_LINES[1:])
]
CODE = verify(SIGNED).head.encode()
NAMED = (b'"code":"' + CODE, b'"code":"' + CODE[::-1])
MADE_ANEW: dict[str, bytes] = {
    "a value": _chained(SIGNED_LINES, {11: (b"43670000", b"43680000")}),
    "a verdict": _chained(SIGNED_LINES, {21: (b'"fail"', b'"pass"')}),
    "the key": _chained(SIGNED_LINES, {1: (b"d75a98", b"d75a99")}),
    "another kind of key": _chained(SIGNED_LINES, {1: (b'"ed25519"', b'"none"')}),
    "no key": _chained(SIGNED_LINES, {1: (KEY_MEMBER, b'"key":null')}),
    "inside a merged one": _chained(MERGED_LINES, {INSIDE: (b"43670000", b"43680000")}),
    "inside one that nobody signed": _chained(UNSIGNED_MERGED, {INSIDE: (b"43670000", b"43680000")}),
    "a verdict inside": _chained(UNSIGNED_MERGED, {INSIDE + 10: (b"fail", b"pass")}),
    "another record inside than is named": _chained(UNSIGNED_MERGED, {1: NAMED}),
    "one inside is gone": _chained([line for line in MERGED_LINES if b'"source":2' not in line], {}),
}


@pytest.mark.parametrize("name", MADE_ANEW)
def test_a_chain_made_anew_without_the_key_verifies_with_neither(
    check: Callable[[Path], Any], tmp_path: Path, name: str
) -> None:
    path = tmp_path / "anew.audit.jsonl"
    path.write_bytes(MADE_ANEW[name])
    assert MADE_ANEW[name] not in (SIGNED.read_bytes(), MERGED.read_bytes(), _chained(UNSIGNED_MERGED, {}))
    assert not verify(path).holds
    assert _theirs(check, path) is None


def test_what_is_made_anew_without_a_change_holds(check: Callable[[Path], Any], tmp_path: Path) -> None:
    """So that the test above fails for the change, not for the making."""
    assert _chained(SIGNED_LINES, {}) == SIGNED.read_bytes()
    path = tmp_path / "unsigned.audit.jsonl"
    path.write_bytes(_chained(UNSIGNED_MERGED, {}))
    assert verify(path).holds
    assert verify(path).public == ""
    assert _theirs(check, path) is not None


def test_an_unsigned_record_made_anew_holds_which_is_what_the_code_on_paper_is_for(
    check: Callable[[Path], Any], tmp_path: Path
) -> None:
    path = tmp_path / "anew.audit.jsonl"
    path.write_bytes(_chained(LINES, {11: (b"43670000", b"43680000")}))
    found = verify(path)
    assert found.holds
    assert found.head != verify(SAMPLE).head
    assert _theirs(check, path) == (found.count, found.head, "")


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


@pytest.mark.parametrize("line", [[], None, 7, {}])
def test_an_inner_line_that_is_no_text_is_refused_in_words(tmp_path: Path, line: object) -> None:
    """Found by fuzzing: a forger's chain, right as such, whose embedded line is a list."""
    from tests.fuzz.targets.records import rechained

    lines = [json.loads(raw) for raw in MERGED.read_bytes().splitlines()]
    next(one for one in lines if one["kind"] == "embedded")["body"]["line"] = line
    file = tmp_path / "forged.audit.jsonl"
    file.write_bytes(rechained(b"\n".join(json.dumps(one).encode() for one in lines)))
    ran = subprocess.run([sys.executable, SCRIPT, file], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stderr) == (4, "")
    assert "does not verify" in ran.stdout
    assert not verify(file).holds
