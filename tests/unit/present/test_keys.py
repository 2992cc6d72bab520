"""Keys: signs become keys, also when an escape sequence comes in pieces; the terminal is given back whole."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator

import pytest

from probe.present import keys
from probe.present.keys import KeyReader, Line, keyboard


class Signs:
    """Hands out one piece a poll; time stands still but for what the test adds."""

    def __init__(self, *pieces: str | None) -> None:
        self.pieces = list(pieces)
        self.now_s = 0.0

    def give(self) -> str | None:
        return self.pieces.pop(0) if self.pieces else ""

    def reader(self) -> KeyReader:
        return KeyReader(self.give, lambda: self.now_s)


def all_keys(reader: KeyReader) -> Iterator[str]:
    while (key := reader.poll()) is not None:
        yield key
        if key == keys.END:
            return


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("y", ["y"]),
        ("\r\n", [keys.ENTER, keys.ENTER]),
        ("é", ["é"]),
        ("\x7f\b\t\x15", [keys.BACKSPACE, keys.BACKSPACE, keys.TAB, keys.CLEAR_LINE]),
        ("\x1b[A\x1b[B\x1bOC\x1b[D", [keys.UP, keys.DOWN, keys.RIGHT, keys.LEFT]),
        ("\x1b[15~q", [keys.OTHER, "q"]),
        ("\x01", [keys.OTHER]),
        ("\x1by", [keys.ESCAPE, "y"]),
    ],
)
def test_signs_become_keys(typed: str, expected: list[str]) -> None:
    assert list(all_keys(Signs(typed).reader())) == expected


def test_a_sequence_in_pieces_is_one_key() -> None:
    signs = Signs("\x1b", "[", "A")
    reader = signs.reader()
    assert [reader.poll() for _ in range(3)] == [None, None, keys.UP]


def test_a_lone_escape_is_known_after_a_moment() -> None:
    signs = Signs("\x1b")
    reader = signs.reader()
    assert reader.poll() is None
    signs.now_s = 1.0
    assert reader.poll() == keys.ESCAPE


def test_the_end_stays_the_end() -> None:
    reader = Signs("a", None).reader()
    assert [reader.poll() for _ in range(3)] == ["a", keys.END, keys.END]


def test_a_pipe_gives_its_signs_as_keys() -> None:
    with keyboard(io.StringIO("ab\n")) as typed:
        assert [typed.wait(5) for _ in range(4)] == ["a", "b", keys.ENTER, keys.END]


def test_waiting_without_a_key_ends() -> None:
    assert KeyReader(lambda: "").wait(0.01) is None


def test_a_line_is_edited() -> None:
    line = Line(most=3)
    assert not any(line.press(key) for key in ("a", "b", keys.BACKSPACE, "c", keys.UP, "d", "e"))
    assert line.text == "acd"
    line.press(keys.CLEAR_LINE)
    assert line.text == ""
    assert line.press(keys.ENTER)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only")
@pytest.mark.parametrize("fails", [False, True])
def test_a_terminal_gives_single_keys_and_is_given_back_whole(fails: bool) -> None:
    import pty
    import termios

    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    with os.fdopen(slave, "r") as stream:
        try:
            with keyboard(stream) as typed:
                assert not termios.tcgetattr(slave)[3] & (termios.ICANON | termios.ECHO)
                assert termios.tcgetattr(slave)[3] & termios.ISIG
                os.write(master, "ü\x1b[A".encode())
                assert [typed.wait(5), typed.wait(5), typed.poll()] == ["ü", keys.UP, None]
                if fails:
                    raise ValueError
        except ValueError:
            pass
        assert termios.tcgetattr(slave) == before
    os.close(master)
