"""The corpus that is committed: a text file a target, a line of base64 an input.

One file a target, not thousands of small ones: a checkout stays small, a diff shows what came and went.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from pathlib import Path

CORPUS = Path(__file__).parent / "corpus"


def read(name: str, folder: Path = CORPUS) -> list[bytes]:
    """The inputs of a target; none if there is no file yet."""
    path = folder / f"{name}.b64"
    return [base64.b64decode(line) for line in path.read_text("ascii").splitlines()] if path.exists() else []


def write(name: str, inputs: Iterable[bytes], folder: Path = CORPUS) -> int:
    """Write the inputs of a target, each once, short ones first; how many."""
    lines = [
        base64.b64encode(one).decode("ascii") for one in sorted(set(inputs), key=lambda one: (len(one), one))
    ]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.b64").write_text("".join(f"{line}\n" for line in lines), "ascii", newline="\n")
    return len(lines)
