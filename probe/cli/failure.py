"""What goes wrong, as exit code and plain words; the one place that knows both.

    0   done and nothing failed
    1   done, with findings that fail
    2   input is wrong (map, profile, arguments)
    3   incomplete: interrupted, something that the map requires could not be tested, or another run works on
        the lineup
    4   a record does not verify or cannot be read
    70  a bug of ours (EX_SOFTWARE of sysexits.h)

Nothing here is heavy: an error message must not wait for a terminal library.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable, Sequence
from dataclasses import asdict
from enum import IntEnum
from pathlib import Path

import probe
from probe.model.errors import BusyError, InputError, Problem, RecordError
from probe.present.console import emit_json, say

PROBLEMS_FORMAT = "buswitness-problems/1"


class Exit(IntEnum):
    """The exit codes of design section 4."""

    DONE = 0
    FINDINGS_FAIL = 1
    INPUT_WRONG = 2
    INCOMPLETE = 3
    RECORD_WRONG = 4
    BUG = 70


def guard(action: Callable[[], int | None], *, as_json: bool) -> int:
    """The exit code of the action; every error is told in plain words, never as a traceback."""
    try:
        code = _told(action, as_json=as_json)
        sys.stdout.flush()
    except OSError as error:
        if not _is_closed_pipe(error):
            return _bug(error)
        silence_stdout()
        return Exit.INCOMPLETE
    return code


def _told(action: Callable[[], int | None], *, as_json: bool) -> int:
    """The exit code of the action, its errors told; a closed pipe passes (``guard`` ends it quietly)."""
    try:
        return action() or Exit.DONE
    except InputError as error:
        return tell_problems(error.problems, Exit.INPUT_WRONG, as_json=as_json)
    except BusyError as error:
        return tell_problems((error.problem,), Exit.INCOMPLETE, as_json=as_json)
    except RecordError as error:
        return tell_problems((error.problem,), Exit.RECORD_WRONG, as_json=as_json)
    except KeyboardInterrupt:
        say("Stopped before anything was done.", error=True)
        return Exit.INCOMPLETE
    except BrokenPipeError:
        raise
    except Exception as error:  # the outermost wall: whatever comes here is our bug
        if _is_closed_pipe(error):
            raise
        return _bug(error)


def tell_problems(problems: Sequence[Problem], code: Exit, *, as_json: bool) -> int:
    """Print the problems, to stderr as text or to stdout as one object; the exit code."""
    if as_json:
        emit_json({"format": PROBLEMS_FORMAT, "problems": [asdict(problem) for problem in problems]})
        return code
    for problem in problems:
        say(str(problem), error=True)
    return code


def warn_problems(problems: Sequence[Problem]) -> None:
    """Print warnings to stderr: lint that a person should read and that stops nothing."""
    for problem in problems:
        say(str(problem), error=True)


def _bug(error: BaseException) -> Exit:
    """Tell people of a bug of ours and where its details were saved; the exit code."""
    say("buswitness: this is a fault of ours, not of your map and not of your gear.", error=True)
    say(f"    what     {type(error).__name__}: {_first_line(error)}", error=True)
    say(f"    version  {_version_line()}", error=True)
    say(f"    details  {_save_details(error)}", error=True)
    say("Nothing was written to any device. A record begun before this can still be read.", error=True)
    say("Please report it to the maintainers, with that file; read it first: it may hold", error=True)
    say("addresses and names from your map.", error=True)
    return Exit.BUG


def _first_line(error: BaseException) -> str:
    lines = str(error).splitlines()
    return lines[0][:200] if lines else "(no text)"


def _version_line() -> str:
    import platform

    return f"{probe.__version__}, Python {platform.python_version()}, {platform.platform(terse=True)}"


def _save_details(error: BaseException) -> str:
    """Path of the file that holds the traceback, or why there is none. Never raises."""
    text = _version_line() + "\n" + " ".join(sys.argv) + "\n\n" + "".join(traceback.format_exception(error))
    for folder in _log_folders():
        try:
            return str(_write_new(folder, text))
        except OSError:
            continue
    return "could not be saved: neither the log folder nor the folder for temporary files can be written"


def _log_folders() -> tuple[Path, ...]:
    """Where details may be kept, best first."""
    import tempfile

    import platformdirs

    return (Path(platformdirs.user_log_dir("buswitness", appauthor=False)), Path(tempfile.gettempdir()))


def _write_new(folder: Path, text: str) -> Path:
    """Path of a new file in the folder with the text; readable by its owner only where the system can."""
    import tempfile

    folder.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix="buswitness-fault-", suffix=".txt", dir=folder)
    with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
        file.write(text)
    return Path(name)


def _is_closed_pipe(error: BaseException) -> bool:
    """True when stdout's reader has gone (``| head``); Windows says EINVAL for it."""
    import errno

    if isinstance(error, BrokenPipeError):
        return True
    return sys.platform == "win32" and isinstance(error, OSError) and error.errno == errno.EINVAL


def silence_stdout() -> None:
    """Point stdout nowhere, so that the interpreter does not complain about the pipe while it ends."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):  # no real file behind stdout
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
