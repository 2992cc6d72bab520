"""Secrets in the environment of a whole run: afterwards they stand in nothing that it wrote or showed.

Looked at: everything on stdout and stderr, every file that the run left (record, key, report pages, the
workbook's parts), and the command lines of all its processes while it ran (psutil).
"""

from __future__ import annotations

import base64
import os
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

ROOT = Path(__file__).parents[3]
WORD = "night-heron-{}-Tarn8"
NAMES = (
    "BUSWITNESS_KEY_PASSPHRASE", "BUSWITNESS_MAIL_PASSWORD", "BUSWITNESS_WEBHOOK_TOKEN", "PGPASSWORD",
    "BUSWITNESS_SNMP_COMMUNITY", "BUSWITNESS_SNMP_AUTH", "BUSWITNESS_SNMP_PRIVACY",
    "BUSWITNESS_SNMP_PLANT_COMMUNITY", "BUSWITNESS_S3_KEY_ID", "BUSWITNESS_S3_SECRET_KEY",
    "BUSWITNESS_S3_SESSION_TOKEN",
)  # fmt: skip
SECRETS = {name: WORD.format(number) for number, name in enumerate(NAMES)}


def run(folder: Path, *words: str, shown: list[str], expect: tuple[int, ...] = (0,)) -> bytes:
    """Run the program to its end; notes the command lines of all its processes meanwhile."""
    environment = {
        "PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(folder), "LANG": "C.UTF-8",
        "BUSWITNESS_KEY_FILE": str(folder / "key.pem"), **SECRETS,
    }  # fmt: skip
    command = [sys.executable, "-m", "probe", *words]
    process = subprocess.Popen(
        command, cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )  # fmt: skip
    looked = psutil.Process(process.pid)
    told = b""
    while True:
        try:
            told = process.communicate(timeout=0.2)[0]
            break
        except subprocess.TimeoutExpired:
            shown += lines_of(looked)
    assert process.returncode in expect, told.decode(errors="replace")
    return told


def lines_of(process: psutil.Process) -> list[str]:
    lines = []
    try:
        for one in (process, *process.children(recursive=True)):
            lines.append(" ".join(one.cmdline()))
    except psutil.Error:
        pass
    return lines


def contents(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Every file below, and the parts of those that are packed."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            yield path.name, path.read_bytes()
            if zipfile.is_zipfile(path):
                with zipfile.ZipFile(path) as packed:
                    yield from ((f"{path.name}:{name}", packed.read(name)) for name in packed.namelist())


def forms(secret: str) -> tuple[bytes, ...]:
    """The ways in which a secret may stand somewhere."""
    plain = secret.encode()
    return plain, plain.hex().encode(), base64.b64encode(plain).rstrip(b"=")[:-1], plain[::-1]


@pytest.mark.parametrize("json", [False, True])
def test_a_signed_run_and_its_report_hold_no_secret(tmp_path: Path, json: bool) -> None:
    shown: list[str] = []
    more = ("--json",) if json else ()
    told = run(tmp_path, "key", "new", *more, shown=shown)
    told += run(tmp_path, "demo", "--record", "run.audit.jsonl", *more, shown=shown, expect=(0, 1, 3))
    told += run(tmp_path, "record", "verify", "run.audit.jsonl", *more, shown=shown)
    for kind in ("html", "xlsx"):
        told += run(tmp_path, "report", "run.audit.jsonl", "--format", kind, *more, shown=shown)
    looked = [("the screen", told), ("the list of processes", "\n".join(shown).encode()), *contents(tmp_path)]
    assert {"run.audit.jsonl", "key.pem"} <= {name for name, _ in looked}
    assert any("-m probe" in line for line in shown)
    for place, data in looked:
        for name, secret in SECRETS.items():
            assert not any(form in data for form in forms(secret)), f"{name} stands in {place}"
    if os.name != "nt":
        assert (tmp_path / "key.pem").stat().st_mode & 0o077 == 0
    assert b"ENCRYPTED" in (tmp_path / "key.pem").read_bytes()
