"""The real program on a real pseudo-terminal: driven key by key, resized, interrupted, killed, gone on with.

The screen is read by an independent terminal emulator (pyte).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from probe.practice.served import served_with_operator
from probe.record.content import load
from probe.record.verify import verify

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only"
)
PATIENCE_S = 60.0
SHEET = """\
format: buswitness-procedure/1
name: trial
title: Trial
purpose: For a test.
for_each: trip-unit
steps:
  - id: open
    title: "{tag}: open"
    act: open
    do: "Open {tag}."
    expect: [{id: opens, see: breaker, becomes: open, within: 10 min}]
    allow: [{of: meter}, {of: master}]
  - id: close
    title: "{tag}: close"
    act: close
    do: "Close {tag}."
    expect: [{id: closes, see: breaker, becomes: closed, within: 10 min}]
    allow: [{of: meter}, {of: master}]
"""


class Terminal:
    """The program on a pseudo-terminal, and what its screen shows."""

    def __init__(self, folder: Path, arguments: list[str], columns: int = 80, lines: int = 24) -> None:
        import pty
        import termios

        import pyte

        self.master, self.slave = pty.openpty()
        termios.tcsetwinsize(self.slave, (lines, columns))
        self.before = termios.tcgetattr(self.slave)
        self.screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self.screen)
        root = str(Path(__file__).parents[3])
        surroundings = {"PATH": os.environ["PATH"], "PYTHONPATH": root, "HOME": str(folder)}
        self.program = subprocess.Popen(
            [sys.executable, "-m", "probe", "witness", *arguments],
            stdin=self.slave, stdout=self.slave, stderr=self.slave, cwd=folder,
            env=surroundings | {"TERM": "xterm-256color", "PYTHONUTF8": "1", "LANG": "C.UTF-8"},
            start_new_session=True, preexec_fn=_own_terminal,  # noqa: PLW1509 (no thread of the test forks)
        )  # fmt: skip

    @property
    def text(self) -> str:
        return "\n".join(self.screen.display)

    def until(self, *words: str) -> str:
        """Read until the screen shows all the words. Fails the test if it never does."""
        self.wait(lambda: all(word in self.text for word in words), words)
        return self.text

    def wait(self, seen: Callable[[], bool], what: object = "") -> None:
        import select

        deadline = time.monotonic() + PATIENCE_S
        while not seen():
            assert time.monotonic() < deadline, f"never seen: {what}\n{self.text}"
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self._stream.feed(os.read(self.master, 65536))
                except OSError:
                    return

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def resize(self, columns: int, lines: int) -> None:
        import termios

        termios.tcsetwinsize(self.slave, (lines, columns))
        self.screen.resize(lines, columns)
        os.killpg(self.program.pid, signal.SIGWINCH)

    def ends(self) -> int:
        self.wait(lambda: self.program.poll() is not None, "the end")
        return self.program.wait(PATIENCE_S)

    def settings(self) -> list[Any]:
        import termios

        return termios.tcgetattr(self.slave)

    def close(self) -> None:
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait(PATIENCE_S)
        os.close(self.master)
        os.close(self.slave)


def _own_terminal() -> None:
    """Make the pseudo-terminal the controlling one, so that its Ctrl-C reaches the program."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def lineup(tmp_path: Path) -> Iterator[tuple[Path, Callable[[str, str, str], None]]]:
    """A small practice lineup in a process of its own, with its operator; the procedure beside its map."""
    scenario = tmp_path / "scenario.yaml"
    scenario.write_text(
        "format: buswitness-scenario/1\ntitle: Two\ndevices: [52-F1, 52-F2, MC-1]\nfaults: []\n"
    )
    (tmp_path / "trial.yaml").write_text(SHEET)
    with served_with_operator(f"file:{scenario}", tmp_path) as (path, tell):
        yield path, tell


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    """Starts the program on a terminal; closed after the test."""
    opened: list[Terminal] = []

    def start(*arguments: object, columns: int = 80, lines: int = 24) -> Terminal:
        opened.append(Terminal(tmp_path, [str(one) for one in arguments], columns, lines))
        return opened[-1]

    yield start
    for one in opened:
        one.close()


RUN = ("trial.yaml", "--only", "52-F1", "--initials", "AB", "--record", "run.audit.jsonl", "--no-sign")


def to_step(screen: Terminal, title: str) -> None:
    """Acknowledge cautions, each after a moment, until the step is to be read and every device was."""
    pressed = [0.0]

    def is_there() -> bool:
        if title in screen.text and "GO, everybody" in screen.text:
            return True
        if "acknowledged" in screen.text and time.monotonic() - pressed[0] > 0.3:
            pressed[0] = time.monotonic()
            screen.press("a")
        return False

    screen.wait(is_there, title)
    screen.until(title, "now ")


def act(screen: Terminal, tell: Callable[[str, str, str], None], what: str, word: str) -> None:
    """Say go, have the operator act, and wait until it is seen and told."""
    screen.until("GO, everybody")
    screen.press(" ")
    screen.until("done")
    tell(what, "52-F1", "right")
    screen.until(f"became {word}")
    screen.press(" ")
    screen.until("repeat this step")


def test_a_whole_run_on_a_terminal_that_is_resized(lineup: Any, terminal: Any, tmp_path: Path) -> None:
    path, tell = lineup
    screen = terminal(path, *RUN)
    to_step(screen, "52-F1: open")
    assert "█" in screen.text, "big type"
    screen.resize(40, 12)
    screen.until("52-F1  READ", "GO, everybody")
    screen.resize(120, 40)
    screen.until("█", "becomes open")
    act(screen, tell, "open", "open")
    screen.until("as expected" if "as expected" in screen.text else "became open")
    screen.press(" ")
    to_step(screen, "52-F1: close")
    act(screen, tell, "close", "closed")
    screen.press(" ")
    screen.until("Every step has been come to")
    screen.press("e")
    assert screen.ends() == 0, screen.text
    assert screen.settings() == screen.before
    content = load(tmp_path / "run.audit.jsonl")
    assert content.seal is not None
    assert content.seal.complete
    made = run_plain(tmp_path, "report", "run.audit.jsonl", "--format", "html", "--output", "run.html")
    assert made.returncode == 0, made.stderr
    page = (tmp_path / "run.html").read_text("utf-8")
    assert "Functional tests" in page
    assert "52-F1: close" in page
    assert "became closed" in page


def test_without_a_terminal_it_ends_when_its_input_ends(lineup: Any, tmp_path: Path) -> None:
    done = run_plain(tmp_path, "witness", str(lineup[0]), *RUN, "--json")
    assert done.returncode == 3
    assert not json.loads(done.stdout)["complete"]
    assert "--close" in done.stderr
    assert verify(tmp_path / "run.audit.jsonl").unchanged


def test_what_there_is_is_told_without_asking_a_device(lineup: Any, tmp_path: Path) -> None:
    told = run_plain(tmp_path, "witness", str(lineup[0]), "--json")
    many = {one["name"]: one["steps"] for one in json.loads(told.stdout)["procedures"]}
    assert many["open-close-local"] == 4
    assert many["control-power"] == 0
    wrong = run_plain(tmp_path, "witness", str(lineup[0]), "control-power")
    assert wrong.returncode == 2
    assert "no step" in wrong.stderr


def test_ctrl_c_abandons_the_step_and_leaves_the_record_open(
    lineup: Any, terminal: Any, tmp_path: Path
) -> None:
    path, _ = lineup
    screen = terminal(path, *RUN)
    to_step(screen, "52-F1: open")
    screen.press(" ")
    screen.until("done")
    screen.press("\x03")
    assert screen.ends() == 3
    assert screen.settings() == screen.before
    found = verify(tmp_path / "run.audit.jsonl")
    assert found.unchanged
    closed = run_plain(tmp_path, "witness", "run.audit.jsonl", "--close", "--json")
    document = json.loads(closed.stdout)
    states = {one["step"]: one["state"] for one in document["steps"]}
    assert states == {"open": "stopped", "close": "not begun"}
    assert closed.returncode == 3
    assert not document["complete"]


def test_killed_in_the_middle_and_gone_on_with(lineup: Any, terminal: Any, tmp_path: Path) -> None:
    path, tell = lineup
    screen = terminal(path, *RUN)
    to_step(screen, "52-F1: open")
    act(screen, tell, "open", "open")
    screen.press(" ")
    to_step(screen, "52-F1: close")
    screen.press(" ")
    screen.until("done")
    screen.program.kill()
    screen.ends()
    record = tmp_path / "run.audit.jsonl"
    whole = record.read_bytes()
    record.write_bytes(whole + b'{"body":{"cut')  # what a crash may leave of a line
    again = terminal("run.audit.jsonl", "--initials", "CD", "--no-sign")
    to_step(again, "52-F1: close")
    assert "step 2 of 2" in again.text
    act(again, tell, "close", "closed")
    again.press(" ")
    again.until("Every step has been come to")
    again.press("e")
    assert again.ends() == 0, again.text
    assert record.read_bytes().startswith(whole[: whole.rindex(b"\n") + 1]), "nothing was rewritten"
    judged = run_plain(tmp_path, "record", "judge", "run.audit.jsonl", "--json")
    assert judged.returncode == 0, judged.stderr
    document = json.loads(run_plain(tmp_path, "witness", "run.audit.jsonl", "--json").stdout)
    assert [(one["verdict"], one["initials"]) for one in document["steps"]] == [
        ("pass", "AB"),
        ("pass", "CD"),
    ]
    refused = run_plain(tmp_path, "witness", "run.audit.jsonl", "--close")
    assert refused.returncode == 0, "a closed one is shown"


def run_plain(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The program without a terminal, to its end."""
    root = str(Path(__file__).parents[3])
    return subprocess.run(
        [sys.executable, "-m", "probe", *arguments],
        cwd=folder, capture_output=True, text=True, timeout=PATIENCE_S, stdin=subprocess.DEVNULL, check=False,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": root, "HOME": str(folder), "PYTHONUTF8": "1"},
    )  # fmt: skip
