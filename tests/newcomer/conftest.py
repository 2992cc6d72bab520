"""A shell on a terminal of 80 x 24 in what looks like a fresh clone, set up; pyte reads the screen."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
PATIENCE_S = 240.0
PROMPT = b"newcomer$ "
PARTS = (
    "start.py", "probe", "profiles", "procedures", "examples", "pyproject.toml",
    "requirements.lock", "requirements-dev.lock",
)  # fmt: skip
ESCAPES = re.compile(r"\x1b(?:\[[0-9;?]*[A-Za-z]|\][^\x07]*\x07|[()][A-Z0-9]|[=>78])")


class Told(NamedTuple):
    """What a command printed, as plain text; its exit code; the 24 lines that stand on the screen then."""

    text: str
    code: int
    screen: list[str]


class Shell:
    """A shell of a user who types what the page says."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        import pty
        import termios

        self._master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self._seen = b""
        self._process = subprocess.Popen(
            ["/bin/sh", "-i"],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=folder,
            env=environment | {"PS1": PROMPT.decode(), "ENV": ""},
            start_new_session=True,
            preexec_fn=_own_terminal,  # noqa: PLW1509 (no thread of the test forks)
        )
        os.close(slave)
        self.until(PROMPT)

    def type(self, line: str) -> Told:
        """Type a command and wait until the prompt is back."""
        self.begin(line)
        text = self.until(PROMPT)
        self.begin("echo code=$?")
        after = self.until(PROMPT)
        code = int(re.findall(rb"code=(\d+)", after)[-1])
        return Told(_plain(text), code, _screen(text))

    def begin(self, line: str) -> None:
        """Type a command."""
        self._seen = b""
        os.write(self._master, line.encode() + b"\r")

    def press(self, key: bytes) -> None:
        """Press a key."""
        os.write(self._master, key)

    def until(self, sign: bytes) -> bytes:
        """All that is written until the sign comes. Fails the test if it never does."""
        import select

        end = time.monotonic() + PATIENCE_S
        while sign not in self._seen:
            assert time.monotonic() < end, self._seen[-3000:].decode(errors="replace")
            if select.select([self._master], [], [], 0.2)[0]:
                self._seen += os.read(self._master, 65536)
        return self._seen

    def close(self) -> None:
        """End the shell and what runs in it."""
        os.close(self._master)  # hangs up
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _own_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def _plain(text: bytes) -> str:
    return ESCAPES.sub("", text.decode(errors="replace")).replace("\r", "")


def _screen(text: bytes) -> list[str]:
    import pyte

    screen = pyte.Screen(80, 24)
    pyte.ByteStream(screen).feed(text)
    return [line.rstrip() for line in screen.display]


def _start() -> Any:
    spec = importlib.util.spec_from_file_location("buswitness_start", ROOT / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """What a clone holds, with an environment that fits: ``start.py`` finds itself set up."""
    folder = tmp_path / "buswitness"
    folder.mkdir()
    for name in PARTS:
        (folder / name).symlink_to(ROOT / name)
    programs = folder / ".venv" / "bin"
    programs.mkdir(parents=True)
    for place in (programs / "python", tmp_path / "bin" / "python3"):
        place.parent.mkdir(exist_ok=True)
        place.write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n', encoding="utf-8")
        place.chmod(0o755)
    start = _start()
    start.HERE = str(folder)
    (folder / ".venv" / "buswitness-stamp").write_text(start.fingerprint(dev=False), encoding="utf-8")
    return folder


@pytest.fixture
def shell(clone: Path) -> Iterator[Callable[[], Shell]]:
    """Opens terminals in the clone; closed after the test."""
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals of this kind are POSIX only")
    opened: list[Shell] = []
    path = f"{clone.parent / 'bin'}:/usr/bin:/bin"
    environment = {"PATH": path, "HOME": str(clone.parent), "LANG": "C.UTF-8", "TERM": "xterm-256color"}

    def open_one() -> Shell:
        opened.append(Shell(clone, environment | {"PYTHONUTF8": "1"}))
        return opened[-1]

    yield open_one
    for one in opened:
        one.close()
