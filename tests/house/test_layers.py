"""The directions of imports, and what the names of modules may be. Rules: docs/decisions/0001."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "probe"
MODULES = sorted(PACKAGE.rglob("*.py"))
CODECS = [
    *(PACKAGE / "model").glob("*.py"),
    *(PACKAGE / "judge").glob("*.py"),
    *(PACKAGE / "wire" / name for name in ("allowed.py", "mbap.py", "rtu.py")),
]


def imported(path: Path) -> set[str]:
    """Top names of all modules that a file imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
    return names


def test_imports_run_downward_only() -> None:
    """The contracts of pyproject.toml, kept by import-linter."""
    code = "from importlinter.cli import lint_imports_command as main; main()"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("path", CODECS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_codecs_and_judgement_know_no_socket_and_no_loop(path: Path) -> None:
    assert not imported(path) & {"asyncio", "socket", "selectors", "time", "random", "subprocess"}


@pytest.mark.parametrize(
    ("library", "homes"),
    [
        ("rich", {"present"}),
        ("pymodbus", {"wire", "practice"}),
        ("scapy", {"wire"}),
        ("icmplib", {"wire"}),
        ("python_calamine", {"collect"}),
        ("typer", {"cli"}),
        ("uvloop", {"collect"}),
        ("yaml", {"model"}),
    ],
)
def test_each_library_enters_at_its_own_layer(library: str, homes: set[str]) -> None:
    users = {p.relative_to(PACKAGE).parts[0] for p in MODULES if library in imported(p)}
    assert users <= homes, f"{library} is imported in {sorted(users - homes)}"


#: "profile" is the house's own word; the standard library's module of that name is a developer's tool
#: that nothing here imports.
NAMES_KEPT = {"__init__", "__main__", "profile"}


def test_no_module_is_named_for_nothing() -> None:
    names = {path.stem for path in MODULES}
    assert not names & {"utils", "helpers", "common", "misc"}
    assert not (names - NAMES_KEPT) & set(sys.stdlib_module_names)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_all_that_is_public_says_what_it_is(path: Path) -> None:
    """A docstring on every module, class and function whose name has no underscore (protocol stubs aside)."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "module"
    silent = []
    for node in tree.body:
        inner = node.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_") else []
        for item in (node, *inner):
            if not isinstance(item, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                continue
            overrides = isinstance(item, ast.FunctionDef) and item in inner
            if not item.name.startswith("_") and not ast.get_docstring(item) and not overrides:
                silent.append(item.name)
    assert not silent
