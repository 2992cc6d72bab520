"""A process that reads one capture: ``python -m probe.wire.capture.worker FILE PORT...``.

Writes pickled pairs to stdout: ("progress", bytes), then ("figures", CaptureFigures) or ("problems", them). A
process of its own keeps the memory of reading apart, and several files use several processors.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path
from typing import Any

from probe.model.errors import InputError
from probe.wire.capture.reading import read_capture


def main(arguments: list[str]) -> int:
    """Read the file that the arguments name and tell its figures; 0."""
    out = sys.stdout.buffer

    def tell(what: str, told: Any) -> None:
        pickle.dump((what, told), out)
        out.flush()

    path, ports = Path(arguments[0]), [int(port) for port in arguments[1:]]
    try:
        tell("figures", read_capture(path, ports, lambda done: tell("progress", done)))
    except InputError as error:
        tell("problems", error.problems)
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except (KeyboardInterrupt, BrokenPipeError):
        sys.exit(1)
