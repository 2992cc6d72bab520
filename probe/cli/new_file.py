"""New files beside records: made whole or not at all, never written over."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO

from probe.model.errors import InputError, Problem


def make_new(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """A new file with what ``write`` puts in; nothing is left of one that could not be finished.

    Raises InputError if there is a file already or it cannot be made; errors of ``write`` pass.
    """
    try:
        file = path.open("xb")
    except FileExistsError as error:
        raise InputError([_problem(path, "there is a file of this name already")]) from error
    except (OSError, ValueError) as error:
        raise InputError([_problem(path, f"the file cannot be made: {error}")]) from error
    try:
        with file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
    except BaseException as error:
        with contextlib.suppress(OSError):
            path.unlink()
        if isinstance(error, OSError):
            raise InputError([_problem(path, f"the file cannot be written: {error}")]) from error
        raise


def free_name(path: Path, mark: str) -> Path:
    """``x.audit.jsonl`` to ``x.<mark>-1.audit.jsonl``, or the next number that is free."""
    ending = ".audit.jsonl"
    name = path.name.removesuffix(".gz").removesuffix(".zst")
    stem = name.removesuffix(ending) if name.endswith(ending) else Path(name).stem
    number = 1
    while (candidate := path.with_name(f"{stem}.{mark}-{number}{ending}")).exists():
        number += 1
    return candidate


def _problem(path: Path, what: str) -> Problem:
    return Problem(file=str(path), what=what, remedy="give another name")
