"""Keys: single key presses from a terminal, without waiting for Enter, on Unix, macOS and Windows.

``keyboard()`` gives the terminal back as it was on every path out, also after suspending (Ctrl-Z). Ctrl-C
stays what it is everywhere: a signal. Where standard input is no terminal (a pipe in a test, a script), its
signs count as keys as they come, and its end as ``END``.

A key is the sign itself (``y``), or one of the names below.
"""

from __future__ import annotations

import codecs
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import IO, Any, Protocol

ENTER, ESCAPE, BACKSPACE, TAB = "enter", "escape", "backspace", "tab"
UP, DOWN, LEFT, RIGHT = "up", "down", "left", "right"
CLEAR_LINE = "clear line"  # Ctrl-U
#: Standard input has ended: nobody will press a key any more.
END = "end of input"
#: A key of no use to us (function keys and the like).
OTHER = "other"

_CONTROLS = {
    "\r": ENTER,
    "\n": ENTER,
    "\x7f": BACKSPACE,
    "\b": BACKSPACE,
    "\t": TAB,
    "\x15": CLEAR_LINE,
    "\x04": END,
}
_ARROWS = {"A": UP, "B": DOWN, "C": RIGHT, "D": LEFT}
_WINDOWS_ARROWS = {"H": UP, "P": DOWN, "M": RIGHT, "K": LEFT}
#: An escape sequence comes at once; an Escape key alone is followed by nothing for so long.
_SEQUENCE_S = 0.05
_STEP_S = 0.02


class Keyboard(Protocol):
    """Where keys come from."""

    def poll(self) -> str | None:
        """The next key if one was pressed, None otherwise; returns at once."""
        ...

    def wait(self, timeout_s: float | None = None) -> str | None:
        """The next key; None if none came in that time (None: wait for ever)."""
        ...


class KeyReader:
    """Signs to keys, escape sequences put together.

    give: the signs that came since the last call; "" if none, None at the end.
    now_s: monotonic seconds, to tell a lone Escape from the beginning of a sequence.
    """

    def __init__(self, give: Callable[[], str | None], now_s: Callable[[], float] = time.monotonic) -> None:
        self._give = give
        self._now_s = now_s
        self._signs: deque[str] = deque()
        self._since_s = 0.0
        self._ended = False

    def poll(self) -> str | None:
        """See ``Keyboard``."""
        self._fill()
        if not self._signs:
            return END if self._ended else None
        if self._signs[0] != "\x1b":
            return _key(self._signs.popleft())
        return self._escape()

    def wait(self, timeout_s: float | None = None) -> str | None:
        """See ``Keyboard``."""
        due_s = None if timeout_s is None else self._now_s() + timeout_s
        while (key := self.poll()) is None:
            if due_s is not None and self._now_s() >= due_s:
                return None
            time.sleep(_STEP_S)
        return key

    def _fill(self) -> None:
        if self._ended:
            return
        more = self._give()
        if more is None:
            self._ended = True
        elif more:
            self._since_s = self._now_s()
            self._signs.extend(more)

    def _escape(self) -> str | None:
        """The key of an escape sequence (``ESC [ A``), a lone Escape, or None while more may come."""
        signs = "".join(self._signs)
        settled = self._ended or self._now_s() - self._since_s >= _SEQUENCE_S
        if len(signs) == 1 or (len(signs) == 2 and signs[1] in "[O"):
            return self._take(1, ESCAPE) if settled else None
        if signs[1] not in "[O":
            return self._take(1, ESCAPE)
        for end in range(2, len(signs)):
            if "@" <= signs[end] <= "~":  # final byte of a control sequence, ECMA-48 (from memory)
                return self._take(end + 1, _ARROWS.get(signs[end], OTHER))
        return self._take(len(signs), OTHER) if settled else None

    def _take(self, many: int, key: str) -> str:
        for _ in range(many):
            self._signs.popleft()
        return key


def _key(sign: str) -> str:
    """The name of a control sign, the sign itself otherwise."""
    if sign in _CONTROLS:
        return _CONTROLS[sign]
    return sign if sign.isprintable() else OTHER


class Line:
    """A line of text being typed key by key (initials, a remark); ``text`` is what stands there now."""

    def __init__(self, most: int = 200, text: str = "") -> None:
        self.text = text
        self._most = most

    def press(self, key: str) -> bool:
        """Take a key; True when Enter ended the line. Escape and the end of input are for the caller."""
        if key == ENTER:
            return True
        if key == BACKSPACE:
            self.text = self.text[:-1]
        elif key == CLEAR_LINE:
            self.text = ""
        elif len(key) == 1 and len(self.text) < self._most:
            self.text += key
        return False


@contextmanager
def keyboard(stream: IO[str] | None = None) -> Iterator[Keyboard]:
    """The keyboard of the terminal on ``stream`` (stdin if None), or its signs as keys where it is none."""
    source = stream if stream is not None else sys.stdin
    if source is None or not source.isatty():
        yield KeyReader(_Piped(source).give)
    elif os.name == "nt":
        yield KeyReader(_windows_signs)
    else:
        with _cbreak(source.fileno()):
            yield KeyReader(_Terminal(source.fileno()).give)


class _Terminal:
    """Signs that wait on a Unix terminal."""

    def __init__(self, number: int) -> None:
        self._number = number
        self._decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")

    def give(self) -> str | None:
        import select

        if not select.select([self._number], [], [], 0)[0]:
            return ""
        try:
            data = os.read(self._number, 1024)
        except OSError:  # the terminal is gone (its window was closed)
            return None
        return self._decoder.decode(data) if data else None


class _Piped:
    """Signs of a stream that is no terminal; a thread reads it, because a pipe cannot be asked everywhere."""

    def __init__(self, source: IO[str] | None) -> None:
        self._signs: deque[str | None] = deque()
        if source is None:
            self._signs.append(None)
        else:
            threading.Thread(target=self._read, args=(source,), daemon=True).start()

    def _read(self, source: IO[str]) -> None:
        with suppress(OSError, ValueError):  # closed while we read: ended
            while sign := source.read(1):
                self._signs.append(sign)
        self._signs.append(None)

    def give(self) -> str | None:
        return self._signs.popleft() if self._signs else ""


def _windows_signs() -> str | None:
    """The sign of the next key in a Windows console, as a Unix terminal would send it."""
    import msvcrt

    console: Any = msvcrt  # its functions are declared for Windows only
    if not console.kbhit():
        return ""
    sign: str = console.getwch()
    if sign == "\x03":
        raise KeyboardInterrupt
    if sign not in ("\x00", "\xe0"):
        return sign
    arrow = _WINDOWS_ARROWS.get(console.getwch(), "")
    final = {name: letter for letter, name in _ARROWS.items()}.get(arrow, "~")
    return f"\x1b[{final}"


@contextmanager
def _cbreak(number: int) -> Iterator[None]:
    """The Unix terminal without echo and line editing; signals stay. Given back whole, set again after fg."""
    import signal
    import termios
    import tty

    before = termios.tcgetattr(number)

    def begin(*_: object) -> None:
        with suppress(termios.error):
            tty.setcbreak(number, termios.TCSANOW)

    begin()
    ours = threading.current_thread() is threading.main_thread()
    handler = signal.signal(signal.SIGCONT, begin) if ours else None
    try:
        yield
    finally:
        if ours:
            signal.signal(signal.SIGCONT, handler)
        with suppress(termios.error):
            termios.tcsetattr(number, termios.TCSADRAIN, before)
