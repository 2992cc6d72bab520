"""The clock command as people start it, against a practice lineup in another process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe.practice.served import FILE, served_apart

ROOT = Path(__file__).parents[3]
SCENARIO = """\
format: buswitness-scenario/1
title: Three clocks and their master
seed: clocks
devices: [52-M1, MTR-M1, 52-M2, MC-1]
faults:
  - {kind: clock-slow, at: 52-M2, seconds: 94}
"""


@pytest.fixture(scope="module")
def lineup(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("lineup")
    scenario = folder / "clocks.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    with served_apart(f"{FILE}{scenario}", folder) as map_path:
        yield map_path


def clock(lineup: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG")}
    return subprocess.run(
        [sys.executable, "-m", "probe", "clock", str(lineup), *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=folder,
        env=kept | {"PYTHONPATH": str(ROOT), "HOME": str(folder), "PYTHONUTF8": "1"},
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def test_one_object_on_stdout_and_people_s_text_beside_it(lineup: Path, tmp_path: Path) -> None:
    done = clock(lineup, tmp_path, "--json", "--record", "c.audit.jsonl")
    document = json.loads(done.stdout)
    assert done.returncode == document["exit_code"] == 1
    assert document["format"] == "buswitness-clock/1"
    assert document["complete"]
    rows = {row["tag"]: row for row in document["clocks"]}
    assert set(rows) == {"52-M1", "MTR-M1", "52-M2"}, "the reference is not measured against itself"
    assert rows["52-M1"]["verdict"] == "pass"
    assert rows["52-M2"]["verdict"] == "fail"
    assert rows["52-M2"]["low_s"] - 0.3 < -94 < rows["52-M2"]["high_s"] + 0.3
    assert "Measuring 3 clocks." in done.stderr
    assert (tmp_path / "c.audit.jsonl").exists()


def test_the_record_is_one_like_any_other(lineup: Path, tmp_path: Path) -> None:
    clock(lineup, tmp_path, "--only", "52-M1", "--record", "c.audit.jsonl")
    for command in (["record", "verify"], ["record", "show"]):
        done = subprocess.run(
            [sys.executable, "-m", "probe", *command, "c.audit.jsonl"],
            capture_output=True,
            cwd=tmp_path,
            env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)},
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()


def test_plain_lines_where_there_is_no_terminal(lineup: Path, tmp_path: Path) -> None:
    done = clock(lineup, tmp_path, "--record", "c.audit.jsonl")
    assert done.returncode == 1
    assert "\x1b" not in done.stdout
    assert any("52-M1" in line and "±" in line and "readings" in line for line in done.stdout.splitlines())
    assert "-94" in done.stdout
    assert "3 clocks: 1 fail, 2 pass." in done.stdout
    assert "--fine" in done.stdout, "what a longer measurement would give"


def test_a_choice_without_any_clock_is_told(lineup: Path, tmp_path: Path) -> None:
    done = clock(lineup, tmp_path, "--only", "MC-1")
    assert done.returncode == 2
    assert "none of these devices has a clock" in done.stderr
    assert not list(tmp_path.glob("*.audit.jsonl"))


def test_left_out_clocks_are_named(lineup: Path, tmp_path: Path) -> None:
    done = clock(lineup, tmp_path, "--skip", "52-M2", "--record", "c.audit.jsonl")
    assert done.returncode == 0
    assert "Left out as you asked: 52-M2" in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only")
def test_the_live_picture_on_a_terminal(lineup: Path, tmp_path: Path) -> None:
    """Bars stand beside the tolerance while it goes; screen and cursor are given back at the end."""
    import pty
    import termios

    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    program = subprocess.Popen(
        [sys.executable, "-m", "probe", "clock", str(lineup), "--fine", "--record", "c.audit.jsonl"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        cwd=tmp_path,
        env={
            "PATH": os.environ["PATH"],
            "PYTHONPATH": str(ROOT),
            "HOME": str(tmp_path),
            "TERM": "xterm-256color",
            "LANG": "C.UTF-8",
            "PYTHONUTF8": "1",
        },
    )
    os.close(slave)
    seen = b""
    try:
        while part := os.read(master, 65_536):
            seen += part
    except OSError:  # Linux says so when the other side is closed
        pass
    os.close(master)
    assert program.wait(30) == 1
    live, _, after = seen.partition(b"\x1b[?1049l")
    assert b"\x1b[?1049h" in live
    picture = live.decode("utf-8", "replace")
    assert "│▒" in picture
    assert "█" in picture
    assert "tolerance 2 s" in picture
    assert "3 clocks: 1 fail, 2 pass." in after.decode("utf-8", "replace")
    assert b"\x1b[?25h" in seen
