"""Hold: one program at a time writes a record."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO

from probe.model.errors import InputError, Problem


def hold(path: Path, file: IO[bytes]) -> None:
    """Keep other programs from going on with the same record while this one does (not on Windows).

    It ends with the file, also when the program is killed. Raises InputError if another one holds it already.
    """
    if os.name != "posix":
        return
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        what = "another program is writing this record now"
        remedy = "end it there first (a paused one too), then go on here"
        raise InputError([Problem(file=str(path), what=what, remedy=remedy)]) from None
    except OSError:  # a network folder without locks: better to go on than to stop people at the gear
        return
