"""Two people at one lineup, by two real processes: the second is told who is at it, and asks nothing."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from probe.collect.inputs import open_lineup
from probe.collect.lineup_lock import at_the_gear
from probe.record.verify import verify

Meters = Callable[..., SimpleNamespace]
Program = Callable[..., subprocess.CompletedProcess[bytes]]
PATIENCE_S = 60

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - {tag: 52-F1, kind: trip-unit, profile: trip-unit-second, section: A, address: {host: 127.0.0.1}}
"""


def command(desk: SimpleNamespace, *more: object) -> list[str]:
    words = ["-m", "probe", "audit", desk.map, "--profiles", desk.profiles, *more]
    return [sys.executable, *map(str, words)]


@pytest.fixture
def at_work(
    meters: Meters, surroundings: dict[str, str]
) -> Iterator[tuple[SimpleNamespace, subprocess.Popen[bytes]]]:
    """An audit that has begun to ask, and would go on for ten minutes."""
    desk = meters(1)
    process = subprocess.Popen(
        command(desk, "--dwell", "10m", "--record", "one.audit.jsonl"), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=desk.folder, env=surroundings,
    )  # fmt: skip
    end = time.monotonic() + PATIENCE_S
    while desk.servers[0].beats < 1:
        assert time.monotonic() < end, "it did not begin"
        time.sleep(0.01)
    yield desk, process
    process.kill()
    process.communicate(timeout=PATIENCE_S)


def test_the_second_audit_is_refused_and_told_who_is_there(
    at_work: tuple[SimpleNamespace, subprocess.Popen[bytes]], program: Program
) -> None:
    desk, first = at_work
    second = program("audit", desk.map, "--profiles", desk.profiles, "--record", "two.audit.jsonl")
    told = second.stderr.decode()
    assert second.returncode == 3, told
    assert f"process {first.pid}: audit, since 20" in told
    assert "nothing was asked by this one" in told
    assert not (desk.folder / "two.audit.jsonl").exists()
    assert first.poll() is None
    first.terminate()
    first.communicate(timeout=PATIENCE_S)
    assert verify(desk.folder / "one.audit.jsonl").whole
    again = program("audit", desk.map, "--profiles", desk.profiles, "--record", "two.audit.jsonl")
    assert again.returncode == 0, again.stderr.decode()
    assert b"died" not in again.stderr


def test_one_that_was_killed_holds_nothing(
    at_work: tuple[SimpleNamespace, subprocess.Popen[bytes]], program: Program
) -> None:
    desk, first = at_work
    first.kill()
    first.wait(timeout=PATIENCE_S)
    second = program("audit", desk.map, "--profiles", desk.profiles, "--record", "two.audit.jsonl")
    assert second.returncode == 0
    assert f"process {first.pid} (audit, since 20" in second.stderr.decode()
    assert verify(desk.folder / "two.audit.jsonl").whole


@pytest.mark.parametrize(
    "words",
    [
        ("audit",),
        ("audit", "--quick"),
        ("clock",),
        ("clock", "--set", "52-F1", "--yes", "--operator", "A. Tester"),
        ("settings",),
        ("survey", "--silent", "--listen", "1s"),
        ("witness", "open-close-local"),
    ],
    ids=" ".join,
)
def test_whatever_asks_the_lineup_waits_for_the_other(
    words: tuple[str, ...], tmp_path: Path, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one is the process of this test. What is typed is told as JSON as well."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "map.yaml").write_text(MAP, encoding="utf-8")
    lineup, _ = open_lineup(tmp_path / "map.yaml")
    with at_the_gear(lineup.map, "a look by hand") as hold:
        assert not hold.trouble
        done = program(words[0], "map.yaml", *words[1:], "--json")
    assert done.returncode == 3, done.stderr.decode()
    (problem,) = json.loads(done.stdout)["problems"]
    assert "a look by hand" in problem["found"]
    assert list(tmp_path.glob("*.jsonl")) == []


def test_where_no_lock_can_be_had_it_is_said_and_the_work_goes_on(
    meters: Meters, program: Program, tmp_path: Path
) -> None:
    desk = meters(1)
    (tmp_path / "no-folder").write_text("a file", encoding="utf-8")
    done = program("audit", desk.map, "--profiles", desk.profiles, XDG_STATE_HOME=str(tmp_path / "no-folder"))
    assert done.returncode in (0, 3)
    assert "No lock: " in done.stderr.decode()
    assert len(list(tmp_path.glob("*.audit.jsonl"))) == 1


def test_lineups_of_one_name_on_other_ports_of_this_computer_are_others(
    at_work: tuple[SimpleNamespace, subprocess.Popen[bytes]], tmp_path: Path, program: Program
) -> None:
    desk, first = at_work
    text = desk.map.read_text(encoding="utf-8")
    port = desk.servers[0].server_address[1]
    (tmp_path / "other.yaml").write_text(text.replace(str(port), "9"), encoding="utf-8")
    done = program("audit", "other.yaml", "--profiles", desk.profiles, "--record", "two.audit.jsonl")
    assert first.poll() is None
    assert done.returncode == 1, done.stderr.decode()
    assert (tmp_path / "two.audit.jsonl").exists()
