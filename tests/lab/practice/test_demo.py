"""The demo as a user starts it: a process of its own, its files, its exit codes, its end."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

import probe

ROOT = Path(probe.__file__).parents[1]
SMALL = """format: buswitness-scenario/1
title: A small day
devices: [52-F1, 52-F2, MC-1]
faults:
  - {kind: clock-slow, at: 52-F1}
"""


def environment() -> dict[str, str]:
    before = os.environ.get("PYTHONPATH", "")
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (str(ROOT), before))), "COLUMNS": "100"}


def demo(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "probe", "demo", *arguments],
        cwd=folder, env=environment(), capture_output=True, text=True, encoding="utf-8", timeout=120,
        check=False,
    )  # fmt: skip


def made(folder: Path) -> Path:
    """The one folder that a demo made."""
    (only,) = folder.glob("buswitness-demo-*")
    return only


def test_a_healthy_lineup_has_nothing_wrong(tmp_path: Path) -> None:
    ended = demo(tmp_path, "--healthy", "--json")
    said: dict[str, Any] = json.loads(ended.stdout)
    wrong = [
        (f["check"], f["subject"], f["title"]) for f in said["findings"] if f["verdict"] in ("fail", "review")
    ]
    assert wrong == []
    assert ended.returncode == 0
    assert said["complete"] is True
    assert len(said["devices"]) >= 26
    assert "Nothing real is" in ended.stderr
    assert {path.name for path in made(tmp_path).iterdir()} == {
        "map.yaml",
        "study.yaml",
        "MSB-1.audit.jsonl",
        "MSB-1.report.pdf",
    }


def test_the_bad_day_is_found_and_the_record_verifies(tmp_path: Path) -> None:
    ended = demo(tmp_path, "--json")
    said: dict[str, Any] = json.loads(ended.stdout)
    assert ended.returncode == 1
    failing = {f["subject"] for f in said["findings"] if f["verdict"] == "fail"}
    assert failing - {"lineup"} == {
        *(f"52-{name}" for name in ("F1", "F2", "F3", "F5", "F7", "F8", "F10", "F12", "M2", "T")),
        *("GW-2", "MTR-F7", "UPS-1"),
    }
    record = made(tmp_path) / "MSB-1.audit.jsonl"
    verified = subprocess.run(
        [sys.executable, "-m", "probe", "record", "verify", str(record)],
        cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert verified.returncode == 0, verified.stdout + verified.stderr


def test_a_scenario_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "day.yaml").write_text(SMALL, encoding="utf-8")
    ended = demo(tmp_path, "--scenario", "day.yaml", "--record", "mine.audit.jsonl")
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "A small day" in ended.stdout
    assert "Clock is off" in ended.stdout
    assert "buswitness record show mine.audit.jsonl" in ended.stdout
    assert (tmp_path / "mine.audit.jsonl").exists()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SMALL.replace("clock-slow", "clok-slow"), "day.yaml:5:12: error: clok-slow is no kind of fault"),
        (SMALL.replace("clock-slow", "unit-dead"), "day.yaml:5:5: error: unit-dead means nothing at 52-F1"),
    ],
)
def test_a_wrong_scenario_starts_nothing(tmp_path: Path, text: str, expected: str) -> None:
    (tmp_path / "day.yaml").write_text(text, encoding="utf-8")
    ended = demo(tmp_path, "--scenario", "day.yaml")
    assert ended.returncode == 2
    assert expected in ended.stderr
    assert list(tmp_path.iterdir()) == [tmp_path / "day.yaml"]


def test_two_scenarios_at_once_are_refused(tmp_path: Path) -> None:
    ended = demo(tmp_path, "--healthy", "--scenario", "day.yaml")
    assert ended.returncode == 2
    assert "contradict" in ended.stderr


@contextmanager
def running(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A demo in a process group of its own, as a terminal makes one; ended whatever happens."""
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "probe", "demo", *arguments],
        cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        encoding="utf-8", start_new_session=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        # The whole group: a lineup that outlives its demo would keep the pipe open and hang the test.
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def read_until(process: subprocess.Popen[str], words: str) -> str:
    """Output up to the line that holds the words."""
    text = ""
    assert process.stdout is not None
    for line in process.stdout:
        text += line
        if words in line:
            return text
    raise AssertionError(f"{words!r} never came; the output was:\n{text}")


def ports_of(map_path: Path) -> list[int]:
    return [int(line.split("port: ")[1].split(",")[0]) for line in map_path.read_text("utf-8").splitlines()
            if "port: " in line]  # fmt: skip


def all_refused(ports: list[int]) -> bool:
    """True when nobody listens any more; a process that is ending gets a moment."""
    for _ in range(100):
        open_ports = []
        for port in ports:
            with socket.socket() as client:
                if client.connect_ex(("127.0.0.1", port)) == 0:
                    open_ports.append(port)
        if not open_ports:
            return True
        time.sleep(0.05)
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent to a process group another way there")
def test_ctrl_c_ends_audit_and_lineup_in_good_order(tmp_path: Path) -> None:
    (tmp_path / "day.yaml").write_text(SMALL, encoding="utf-8")
    with running(tmp_path, "--scenario", "day.yaml", "--dwell", "60s") as process:
        read_until(process, "Auditing")
        os.killpg(process.pid, signal.SIGINT)
        rest, _ = process.communicate(timeout=30)
        assert process.returncode == 3, rest
        assert "Traceback" not in rest
    folder = made(tmp_path)
    assert '"complete":false' in (folder / "MSB-1.audit.jsonl").read_text("utf-8").splitlines()[-1]
    assert all_refused(ports_of(folder / "map.yaml"))


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is another thing there")
def test_the_lineup_ends_when_the_demo_is_killed(tmp_path: Path) -> None:
    (tmp_path / "day.yaml").write_text(SMALL, encoding="utf-8")
    with running(tmp_path, "--scenario", "day.yaml", "--dwell", "60s") as process:
        read_until(process, "Auditing")
        process.kill()
        process.wait(10)
        assert all_refused(ports_of(made(tmp_path) / "map.yaml"))


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent to a process group another way there")
def test_serve_tells_the_audit_command_and_ends_with_ctrl_c(tmp_path: Path) -> None:
    with running(tmp_path, "--serve", "--healthy") as process:
        text = read_until(process, "Ctrl-C here ends the lineup")
        command = next(line.strip() for line in text.splitlines() if "buswitness audit" in line)
        words = [*command.split()[1:], "--only", "52-F1", "--only", "MC-1", "--json"]
        audit = subprocess.run(
            [sys.executable, "-m", "probe", *words],
            cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert audit.returncode == 0, audit.stdout + audit.stderr
        os.killpg(process.pid, signal.SIGINT)
        process.communicate(timeout=30)
        assert process.returncode == 0
