"""How the user started us, so that a command we print can be typed as it stands.

From a fresh clone people type ``python3 start.py ...`` and ``buswitness`` is not on their PATH; installed,
they type ``buswitness ...``. ``start.py`` says so through the environment.
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence

ENVIRONMENT_NAME = "BUSWITNESS_STARTED_AS"


def command(*arguments: str | os.PathLike[str]) -> str:
    """The line to type for these arguments, quoted for the shell of this platform."""
    start = os.environ.get(ENVIRONMENT_NAME, "buswitness")
    return f"{start} {_quoted([os.fspath(a) for a in arguments])}".rstrip()


def _quoted(arguments: Sequence[str]) -> str:
    if sys.platform == "win32":
        return " ".join(f'"{a}"' if " " in a else a for a in arguments)
    return shlex.join(arguments)
