"""How the program treats files: who puts a file in the place of another one, and how."""

from __future__ import annotations

import ast
from pathlib import Path

PROBE = Path(__file__).parents[2] / "probe"
#: Modules that move a file, and why that cannot hurt.
MOVERS = {
    "sweep/whole_file.py": "the one place that replaces a file; asks again while the older one is held",
    "sweep/records.py": "a record that came in, to a name of its own that nobody has",
    "sweep/rebuild.py": "the damaged history aside, before a new one is made",
}
CALLS = {"replace", "rename", "renames", "move"}


def moves(path: Path) -> bool:
    """True if the module renames or replaces files (``os``, ``shutil`` or a path)."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CALLS:
            of_module = isinstance(node.func.value, ast.Name) and node.func.value.id in ("os", "shutil")
            if of_module or (node.func.attr in ("rename", "replace") and _is_one_argument(node)):
                return True
    return False


def _is_one_argument(call: ast.Call) -> bool:
    """``path.rename(new)`` and ``path.replace(new)`` take one argument; texts and dates take two or names."""
    return len(call.args) == 1 and not call.keywords


def test_only_one_place_puts_a_file_in_the_place_of_another() -> None:
    """S3: records and reports are never replaced; where a file is, it is done where that is borne."""
    found = {path.relative_to(PROBE).as_posix() for path in PROBE.rglob("*.py") if moves(path)}
    assert found == set(MOVERS)
