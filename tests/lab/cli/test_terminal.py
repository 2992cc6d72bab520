"""The real program on a real pseudo-terminal, its screen read by an independent terminal emulator (pyte)."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only"
)

PATIENCE_S = 60.0
ENTER, LEAVE = b"\x1b[?1049h", b"\x1b[?1049l"
HIDE, SHOW = b"\x1b[?25l", b"\x1b[?25h"

Meters = Callable[..., SimpleNamespace]


class Terminal:
    """The program on a pseudo-terminal of that size; ``text`` is all that it has written so far."""

    def __init__(self, folder: Path, arguments: list[str], size: tuple[int, int], **environment: str) -> None:
        import pty
        import termios

        self._master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (size[1], size[0]))
        modes = termios.tcgetattr(slave)
        modes[3] |= termios.NOFLSH  # a Ctrl-C throws away nothing that was written and is not read yet
        termios.tcsetattr(slave, termios.TCSANOW, modes)
        self.size = size
        self.before = termios.tcgetattr(slave)
        self._slave = slave
        self.text = b""
        root = str(Path(__file__).parents[3])
        surroundings = {
            "PATH": os.environ["PATH"],
            "PYTHONPATH": root,
            "HOME": str(folder),
            "LANG": "C.UTF-8",
        }
        self.program = subprocess.Popen(
            [sys.executable, "-m", "probe", *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=folder,
            env=surroundings | {"TERM": "xterm-256color", "PYTHONUTF8": "1"} | environment,
            start_new_session=True,
            preexec_fn=_own_terminal,  # noqa: PLW1509 (no thread of the test forks)
        )

    def until(self, seen: Callable[[bytes], bool]) -> bytes:
        """Read until the predicate holds. Fails the test if it never does."""
        import select

        deadline = time.monotonic() + PATIENCE_S
        while not seen(self.text):
            assert time.monotonic() < deadline, self.text[-2000:].decode(errors="replace")
            if select.select([self._master], [], [], 0.2)[0]:
                try:
                    self.text += os.read(self._master, 65536)
                except OSError:  # the other side has closed
                    break
        return self.text

    def ends(self) -> int:
        """The exit code, after reading all that was written."""
        self.until(lambda _: self.program.poll() is not None)
        self._drain()
        self.text = self.text.replace(b"^C", b"")  # the line discipline's echo may fall into any sequence
        return self.program.wait(PATIENCE_S)

    def _drain(self) -> None:
        """Read what is left in the terminal after the program has ended."""
        import select

        while select.select([self._master], [], [], 0.1)[0]:
            self.text += os.read(self._master, 65536)

    def press(self, key: bytes) -> None:
        """Type a key; Ctrl-C becomes SIGINT by the terminal's own line discipline."""
        os.write(self._master, key)

    def settings(self) -> list[object]:
        """The terminal's settings now."""
        import termios

        return termios.tcgetattr(self._slave)

    def close(self) -> None:
        """End the program if it still runs, and let go of the terminal."""
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait(PATIENCE_S)
        os.close(self._master)
        os.close(self._slave)


def _own_terminal() -> None:
    """Make the pseudo-terminal the controlling one, so that its Ctrl-C reaches the program."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def on_terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    """Starts the program on a terminal; closed after the test."""
    opened: list[Terminal] = []

    def start(*arguments: object, size: tuple[int, int] = (80, 24), **environment: str) -> Terminal:
        opened.append(Terminal(tmp_path, [str(one) for one in arguments], size, **environment))
        return opened[-1]

    yield start
    for terminal in opened:
        terminal.close()


def screen_of(text: bytes, size: tuple[int, int]) -> list[str]:
    """What an 80x24 terminal shows after these bytes."""
    import pyte

    screen = pyte.Screen(*size)
    pyte.ByteStream(screen).feed(text)
    return [line.rstrip() for line in screen.display]


def test_the_picture_fits_and_nothing_scrolls_off(
    meters: Meters, on_terminal: Callable[..., Terminal]
) -> None:
    desk = meters(26, delay_s=0.02)
    terminal = on_terminal("audit", desk.map, "--profiles", desk.profiles, "--record", "t.audit.jsonl")
    assert terminal.ends() == 0
    text = terminal.text
    picture = text[text.index(ENTER) + len(ENTER) : text.index(LEAVE)]
    rows = screen_of(picture, (80, 24))
    assert rows[0].startswith("DESK  Tarn Hollow Water Works")
    assert rows[23] == "Reading only. Ctrl-C stops and keeps what was recorded."
    assert all(any(f"PM-{number} " in row for row in rows) for number in range(1, 27))
    assert b"\n" not in picture, "a line end on the alternate screen may scroll it"


def test_the_summary_stays_in_the_scrollback(meters: Meters, on_terminal: Callable[..., Terminal]) -> None:
    desk = meters(2)
    terminal = on_terminal("audit", desk.map, "--profiles", desk.profiles, "--record", "t.audit.jsonl")
    assert terminal.ends() == 0
    after = terminal.text.rpartition(LEAVE)[2].decode()
    assert "nothing fails" in after
    assert "t.audit.jsonl" in after
    assert ENTER.decode() not in after


@pytest.mark.parametrize("loop", ["fastest", "asyncio"])
def test_ctrl_c_seals_the_record_and_gives_the_terminal_back(
    meters: Meters, on_terminal: Callable[..., Terminal], program: Callable[..., object], loop: str
) -> None:
    desk = meters(3, delay_s=0.02)
    arguments = (
        "audit",
        desk.map,
        "--profiles",
        desk.profiles,
        "--dwell",
        "10m",
        "--record",
        "t.audit.jsonl",
    )
    terminal = on_terminal(*arguments, BUSWITNESS_LOOP=loop)
    terminal.until(lambda text: text.count(b" ms") > 6)
    terminal.press(b"\x03")
    assert terminal.ends() == 3
    text = terminal.text
    assert text.rindex(SHOW) > text.rfind(HIDE)
    assert text.count(ENTER) == text.count(LEAVE) == 1
    assert terminal.settings() == terminal.before
    assert b"incomplete" in text[text.index(LEAVE) :].lower()
    last = (desk.folder / "t.audit.jsonl").read_bytes().splitlines()[-1]
    assert b'"kind":"seal"' in last
    assert b'"complete":false' in last
    assert program("record", "verify", "t.audit.jsonl").returncode == 0  # type: ignore[attr-defined]


def test_the_second_ctrl_c_cuts_off_and_still_seals(
    meters: Meters, on_terminal: Callable[..., Terminal]
) -> None:
    desk = meters(2, delay_s=1.5)
    terminal = on_terminal(
        "audit", desk.map, "--profiles", desk.profiles, "--dwell", "10m", "--record", "t.audit.jsonl"
    )
    terminal.until(lambda text: ENTER in text)
    terminal.press(b"\x03")
    terminal.until(lambda text: b"Stopping" in text or LEAVE in text)
    if LEAVE not in terminal.text:  # it may have ended in good order before a second press
        terminal.press(b"\x03")
    assert terminal.ends() == 3
    assert terminal.text.rindex(SHOW) > terminal.text.rfind(HIDE)  # Ctrl-C may have flushed HIDE away
    assert b'"kind":"seal"' in (desk.folder / "t.audit.jsonl").read_bytes().splitlines()[-1]


def test_sigterm_ends_like_ctrl_c(meters: Meters, on_terminal: Callable[..., Terminal]) -> None:
    desk = meters(2)
    terminal = on_terminal(
        "audit", desk.map, "--profiles", desk.profiles, "--dwell", "10m", "--record", "t.audit.jsonl"
    )
    terminal.until(lambda text: b" ms" in text)
    terminal.program.send_signal(signal.SIGTERM)
    assert terminal.ends() == 3
    assert terminal.text.count(LEAVE) == 1


@pytest.mark.parametrize("size", [(20, 5), (40, 10), (200, 60)])
def test_odd_sizes(meters: Meters, on_terminal: Callable[..., Terminal], size: tuple[int, int]) -> None:
    desk = meters(5)
    terminal = on_terminal(
        "audit", desk.map, "--profiles", desk.profiles, "--record", "t.audit.jsonl", size=size
    )
    assert terminal.ends() == 0
    text = terminal.text
    rows = screen_of(text[text.index(ENTER) + len(ENTER) : text.index(LEAVE)], size)
    assert rows[0].startswith("DESK")


def test_a_simple_terminal_gets_lines(meters: Meters, on_terminal: Callable[..., Terminal]) -> None:
    desk = meters(2)
    terminal = on_terminal(
        "audit", desk.map, "--profiles", desk.profiles, "--record", "t.audit.jsonl", TERM="dumb"
    )
    assert terminal.ends() == 0
    assert b"\x1b" not in terminal.text
    assert b"pass       PM-1" in terminal.text


def test_no_color_leaves_no_colour(meters: Meters, on_terminal: Callable[..., Terminal]) -> None:
    """https://no-color.org: no ANSI colour when NO_COLOR is set and not empty; bold is no colour."""
    import re

    desk = meters(2)
    terminal = on_terminal(
        "audit", desk.map, "--profiles", desk.profiles, "--record", "t.audit.jsonl", NO_COLOR="1"
    )
    assert terminal.ends() == 0
    codes = {code for run in re.findall(rb"\x1b\[([\d;]*)m", terminal.text) for code in run.split(b";")}
    assert codes <= {b"", b"0", b"1", b"2"}
