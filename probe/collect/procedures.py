"""Opens procedures: those that come with the tool, by name, and files of the user's own."""

from __future__ import annotations

from pathlib import Path

import probe
from probe.collect.inputs import read_bytes
from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.nearest import did_you_mean
from probe.model.procedure import Procedure
from probe.model.procedure_load import load_procedure, source_of


def bundled_procedures() -> Path:
    """The folder of the procedures that come with the tool, in a checkout or in an installed wheel."""
    package = Path(probe.__file__).parent
    installed = package / "_procedures"
    return installed if installed.is_dir() else package.parent / "procedures"


def bundled_names() -> tuple[str, ...]:
    """Names of the procedures that come with the tool."""
    return tuple(sorted(path.stem for path in bundled_procedures().glob("*.yaml")))


def open_procedure(name: str) -> tuple[Procedure, SourceText]:
    """The procedure of that name, or in the file of that name, and its text. Raises InputError."""
    if name in bundled_names():
        path, shown = bundled_procedures() / f"{name}.yaml", f"procedures/{name}.yaml"
    elif name.endswith((".yaml", ".yml")) or "/" in name or "\\" in name:
        path = Path(name)
        shown = path.as_posix()
    else:
        known = bundled_names()
        remedy = did_you_mean(name, known) or "buswitness witness --list shows them; or name a YAML file"
        what = "there is no such procedure"
        raise InputError(
            [Problem(file="PROCEDURE", what=what, found=name, allowed=", ".join(known), remedy=remedy)]
        )
    data = read_bytes(path)
    return load_procedure(shown, data), source_of(shown, data)
