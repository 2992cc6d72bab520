"""The program's shell: arguments, help, exit codes, pipes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Program = Callable[..., subprocess.CompletedProcess[bytes]]

COMMANDS = [
    ["demo"],
    ["audit"],
    *[["map", word] for word in ("check", "import", "schema")],
    *[["profile", word] for word in ("list", "check", "import", "schema")],
    *[["record", word] for word in ("show", "verify", "judge", "compare", "merge", "accept", "export")],
    *[["record", "timestamp", word] for word in ("request", "attach")],
    *[["key", word] for word in ("new", "show", "export")],
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example_and_json(program: Program, command: list[str]) -> None:
    ran = program(*command, "--help")
    text = ran.stdout.decode()
    assert ran.returncode == 0
    assert f"buswitness {' '.join(command)}" in text.partition("Example:")[2]
    assert "--json" in text
    assert max(map(len, text.splitlines())) <= 80


def test_help_lists_no_command_without_work(program: Program) -> None:
    text = program("--help").stdout.decode()
    listed = [line.split()[0] for line in text.partition("Commands:")[2].split("\n") if line.startswith("  ")]
    assert {"demo", "audit", "map", "profile", "record", "key"} <= set(listed)
    for name in listed:
        assert program(name, "--help").returncode == 0


def test_help_loads_nothing_heavy() -> None:
    """Help must come at once: what an audit needs is not loaded for it."""
    code = (
        "import sys\n"
        "from probe.cli.main import main\n"
        "assert main(['--help']) == 0\n"
        "heavy = {'rich', 'pydantic', 'yaml', 'scapy', 'pymodbus', 'psutil', 'orjson', 'asyncio', 'uvloop'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    environment = {"PATH": os.environ["PATH"], "PYTHONPATH": str(Path(__file__).parents[3])}
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=False)
    assert ran.stderr.decode().strip() == "[]"


def test_version(program: Program) -> None:
    import probe

    assert program("--version").stdout.decode().split() == ["buswitness", probe.__version__]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "a command is missing"),
        (["audti"], "audit"),
        (["audit"], "MAP"),
        (["audit", "x.yaml", "--ony", "a"], "--only"),
        (["audit", "x.yaml", "y.yaml"], "y.yaml"),
        (["audit", "x.yaml", "--dwell", "ten"], "90s, 10m, 1h30m"),
        (["audit", "no-such-map.yaml"], "no-such-map.yaml"),
        (["audit", "."], "directory"),
        (["record", "show", "no-such-record"], "no-such-record"),
    ],
)
def test_wrong_arguments_exit_2_in_plain_words(program: Program, arguments: list[str], words: str) -> None:
    ran = program(*arguments)
    text = ran.stderr.decode()
    assert ran.returncode in {2, 4} if "record" in arguments else ran.returncode == 2
    assert words in text
    assert "Traceback" not in text
    assert ran.stdout == b""


def test_wrong_arguments_with_json_are_one_object(program: Program) -> None:
    ran = program("audit", "no-such-map.yaml", "--json")
    assert ran.returncode == 2
    assert json.loads(ran.stdout)["problems"][0]["severity"] == "error"
    assert ran.stderr == b""


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02binary", b"\xff\xfe\x00m", b"[1, 2", b"just text\n"])
def test_a_file_that_is_no_map(program: Program, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.yaml"
    path.write_bytes(content)
    ran = program("audit", path)
    assert ran.returncode == 2
    assert ran.stderr.startswith(b"x.yaml") or str(path).encode() in ran.stderr
    assert b"Traceback" not in ran.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written(program: Program, tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    ran = program("demo", "--record", locked / "x.audit.jsonl")
    assert ran.returncode == 2


def test_a_bug_exits_70_without_a_traceback(tmp_path: Path) -> None:
    """The wall around everything, seen from outside: a command module that breaks while it is loaded."""
    code = (
        "import sys, probe.cli\n"
        "sys.modules['probe.cli.profile_commands'] = None\n"
        "from probe.cli.main import main\n"
        "sys.exit(main(['profile', 'list']))\n"
    )
    environment = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)}
    environment |= {"PYTHONPATH": str(Path(__file__).parents[3]), "LOCALAPPDATA": str(tmp_path)}
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=False)
    assert ran.returncode == 70
    assert ran.stdout == b""
    assert b"fault of ours" in ran.stderr
    assert b"Traceback" not in ran.stderr
    (saved,) = tmp_path.rglob("buswitness-fault-*.txt")
    assert "Traceback" in saved.read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="head is POSIX")
def test_a_closed_pipe_ends_quietly(tmp_path: Path) -> None:
    root = Path(__file__).parents[3]
    line = f"'{sys.executable}' -m probe map schema | head -c 10"
    ran = subprocess.run(
        line,
        shell=True,
        capture_output=True,
        cwd=tmp_path,
        check=False,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(root)},
    )
    assert ran.stderr == b""
    assert len(ran.stdout) == 10
