"""Makes docs/coverage.md from docs/coverage.yaml, after proving that everything it names exists.

    python docs/make_coverage.py

Refused: an item or part that nothing serves, a check, step, line, calculation, command or test that is not
there, and an item that no check, step, line or calculation serves (a command or a test alone is not enough).
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import yaml

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
sys.path.insert(0, str(ROOT))

from probe.judge.registry import BY_ID  # noqa: E402 (the checkout must be on the path first)

ITEMS = 30
#: What may serve an item; the others only help.
SERVING = ("check", "witness", "checklist", "desk")

HEAD = """# What a complete acceptance covers

Made by `python docs/make_coverage.py` from `docs/coverage.yaml`, which proves that all it names exists; not
edited by hand.

A tool that only polls sees a part of what an acceptance must show. These are the families of tests that the
standards and the practice of acceptance ask for (ANSI/NETA ATS, IEC 62381, IEC 62382, IEC 62337, IEC 61918,
ISO/IEC 14763-3, NFPA 70B, NFPA 70E, IEEE 1584, IEC 62443; from memory, as a list of subjects only), and what
serves each part here: a **check** of the program, a **step** of a functional test in which people act and the
program watches, a **line** of the field checklist, or a **desk** calculation. Commands and tests stand beside
them where they help. What people are asked is answered by people: the program records it and knows no more.
"""


def items() -> list[dict[str, Any]]:
    """The items as they are written down."""
    content: list[dict[str, Any]] = yaml.safe_load((DOCS / "coverage.yaml").read_text(encoding="utf-8"))
    return content


def wrong(listed: list[dict[str, Any]]) -> Iterator[str]:
    """What is open or names something that is not there; nothing if all is served."""
    if len(listed) != ITEMS:
        yield f"{len(listed)} items, not {ITEMS}"
    for number, item in enumerate(listed, 1):
        named = [one for part in item["parts"] for one in part["by"]]
        if not any(one.split()[0] in SERVING for one in named):
            yield f"{number} {item['item']}: open"
        yield from (
            f"{number} {item['item']}: nothing serves: {p['what']}" for p in item["parts"] if not p["by"]
        )
        yield from (f"{number} {item['item']}: {one} is not there" for one in named if not exists(one))


def exists(serving: str) -> bool:
    """True if what is named is there."""
    kind, _, name = serving.partition(" ")
    found = _FINDERS.get(kind)
    return found is not None and found(name)


@cache
def _steps() -> frozenset[str]:
    """``procedure/step`` of every procedure that comes with the program."""
    found = set()
    for path in (ROOT / "procedures").glob("*.yaml"):
        procedure = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
        found |= {f"{procedure['name']}/{step['id']}" for step in procedure["steps"]}
    return frozenset(found)


@cache
def _lines() -> frozenset[str]:
    """``kind/line`` of the field checklist that comes with the program."""
    text = (ROOT / "probe" / "checklists" / "field.yaml").read_text(encoding="utf-8")
    return frozenset(f"{one['each']}/{one['id']}" for one in yaml.load(text, Loader=yaml.BaseLoader)["items"])


@cache
def _commands() -> frozenset[str]:
    """Every command of the program, in its words: ``record verify``."""
    import typer

    from probe.cli.main import app

    found = set()

    def walk(command: Any, words: tuple[str, ...]) -> None:
        for name, below in getattr(command, "commands", {}).items():
            found.add(" ".join((*words, name)))
            walk(below, (*words, name))

    walk(typer.main.get_command(app), ())
    return frozenset(found)


@cache
def _matrix() -> ModuleType:
    """docs/make_fault_matrix.py: it knows how to find a test by its name."""
    spec = importlib.util.spec_from_file_location("make_fault_matrix", DOCS / "make_fault_matrix.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_FINDERS: dict[str, Callable[[str], bool]] = {
    "check": lambda name: name in BY_ID,
    "witness": lambda name: name in _steps(),
    "checklist": lambda name: name in _lines(),
    "desk": lambda name: f"desk {name}" in _commands(),
    "command": lambda name: name in _commands(),
    "test": lambda name: not _matrix().missing(name),
}


def _shown(serving: str) -> str:
    kind, _, name = serving.partition(" ")
    if kind == "check":
        return f"check [`{name}`](checks/{name}.md)"
    if kind == "test":
        return f"test {_matrix().words(name)}"
    words = {"witness": "step", "checklist": "line"}.get(kind, kind)
    return f"{words} `{name}`"


def page() -> str:
    """The page. Raises ValueError with all that is open or not there."""
    listed = items()
    found = list(wrong(listed))
    if found:
        raise ValueError("\n".join(found))
    lines = [HEAD, "| | what | served by |", "| --- | --- | --- |"]
    for number, item in enumerate(listed, 1):
        lines.append(f"| **{number}** | **{item['item']}** | |")
        lines += [f"| | {part['what']} | {'<br>'.join(map(_shown, part['by']))} |" for part in item["parts"]]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    (DOCS / "coverage.md").write_text(page(), encoding="utf-8")
    sys.stdout.write("docs/coverage.md\n")
