"""Put a finished file in the place of an older one, also while somebody reads the older one."""

from __future__ import annotations

import time
from pathlib import Path

TRIES, PAUSE_S = 6, 0.1


def put(partial: Path, path: Path) -> None:
    """``partial`` is ``path`` from now on; readers find the old file or the new one, never a part.

    Windows refuses while another program holds the old file open (a monitor, a virus scanner): asked again
    for half a second. Raises PermissionError if it lasts; the older file then stands as it was.
    """
    for left in reversed(range(TRIES)):
        try:
            partial.replace(path)
            return
        except PermissionError:
            if not left:
                raise
            time.sleep(PAUSE_S)
