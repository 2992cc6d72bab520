"""A small lineup with a feeder and a fibre, a short checklist, and the real program on a pseudo-terminal."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

PATIENCE_S = 60.0
ROOT = Path(__file__).parents[3]

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
cabling:
  equipment:
    - {name: PS-1, kind: dc-supply, section: A, cubicle: 1B}
    - {name: CV-1, kind: media-converter, section: A, cubicle: 1B}
    - {name: RCE-1, kind: enclosure}
  fibres:
    - {name: FO-1, ends: [CV-1, RCE-1], fibre: om1, wavelength_nm: 1300, length_m: 62,
       application: 100base-fx}
  feeders:
    - {name: DC-1, supply: PS-1, loads: [{name: CV-1, distance_m: 10, draw_w: 20}]}
devices:
  - tag: 52-M1
    kind: trip-unit
    profile: trip-unit-second
    section: A
    cubicle: 1A
    address: {host: 127.0.0.1}
"""

LIST = """\
format: buswitness-checklist/1
name: field
site: Tarn Hollow Water Works
lineup: MSB-1
cautions:
  before: Switchgear kills by shock and arc flash.
  live: Live terminals.
lines:
  - {id: labels@1A, about: cubicle 1A, place: "A, cubicle 1A", ask: "The label of cubicle 1A is right."}
  - {id: volts@CV-1, about: DC-1, ask: Voltage at CV-1, measure: {quantity: voltage, at: CV-1},
     cautions: [live]}
  - {id: glass@FO-1, about: FO-1, ask: FO-1 is glass fibre., photograph: yes}
"""


class Terminal:
    """The program on a pseudo-terminal, its screen read by an independent emulator (pyte)."""

    def __init__(self, folder: Path, arguments: list[str], columns: int, lines: int) -> None:
        import pty
        import termios

        import pyte

        self._master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (lines, columns))
        self.before = termios.tcgetattr(slave)
        self._slave = slave
        self.screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self.screen)
        self.program = subprocess.Popen(
            [sys.executable, "-m", "probe", *arguments],
            stdin=slave, stdout=slave, stderr=slave, cwd=folder, start_new_session=True,
            env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(folder), "LANG": "C.UTF-8",
                 "TERM": "xterm-256color", "PYTHONUTF8": "1"},
            preexec_fn=_own_terminal,  # noqa: PLW1509 (no thread of the test forks)
        )  # fmt: skip

    @property
    def text(self) -> str:
        """What stands on the screen, lines joined by a blank."""
        return " ".join(" ".join(line.split()) for line in self.screen.display)

    def shows(self, *parts: str) -> str:
        """Wait until the screen holds all the parts. Fails the test if it never does."""
        return self.until(lambda text: all(part in text for part in parts), parts)

    def until(self, seen: Callable[[str], bool], what: object = "") -> str:
        """Read until the predicate holds for the screen."""
        deadline = time.monotonic() + PATIENCE_S
        while not seen(self.text):
            assert time.monotonic() < deadline, f"{what} not on:\n" + "\n".join(self.screen.display)
            self._read()
        return self.text

    def _read(self) -> None:
        if select.select([self._master], [], [], 0.1)[0]:
            try:
                self._stream.feed(os.read(self._master, 65536))
            except OSError:
                return

    def type(self, keys: str) -> None:
        """Press keys."""
        os.write(self._master, keys.encode())

    def resize(self, columns: int, lines: int) -> None:
        """Give the window another size."""
        import termios

        self.screen.resize(lines, columns)
        termios.tcsetwinsize(self._slave, (lines, columns))

    def ends(self) -> int:
        """The exit code."""
        self.until(lambda _: self.program.poll() is not None)
        for _ in range(20):
            self._read()
        return self.program.wait(PATIENCE_S)

    def is_whole(self) -> bool:
        """True if the terminal's own settings are what they were."""
        import termios

        return termios.tcgetattr(self._slave) == self.before

    def close(self) -> None:
        """End the program, whatever became of the test."""
        if self.program.poll() is None:
            self.program.send_signal(signal.SIGKILL)
            self.program.wait(PATIENCE_S)
        os.close(self._master)
        os.close(self._slave)


def _own_terminal() -> None:
    """Make the standard input the controlling terminal, so that Ctrl-C is a signal."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A folder with the map, its checklist and a photograph."""
    (tmp_path / "map.yaml").write_text(MAP, encoding="utf-8")
    (tmp_path / "field.yaml").write_text(LIST, encoding="utf-8")
    (tmp_path / "IMG_1.jpg").write_bytes(b"\xff\xd8\xff\xe0 not really a picture")
    return tmp_path


@pytest.fixture
def terminal(site: Path) -> Iterator[Callable[..., Terminal]]:
    """Starts the program with arguments on a terminal of a size."""
    started: list[Terminal] = []

    def start(*arguments: str, columns: int = 80, lines: int = 24) -> Terminal:
        started.append(Terminal(site, list(arguments), columns, lines))
        return started[-1]

    yield start
    for one in started:
        one.close()
