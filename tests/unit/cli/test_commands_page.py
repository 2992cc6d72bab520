"""docs/commands.md is what the command line says of itself.

After a change, make it anew: ``BUSWITNESS_GOLDEN=write pytest tests/unit/cli/test_commands_page.py``
"""

from __future__ import annotations

import inspect
import os
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args, get_type_hints

from probe.cli.main import app

PAGE = Path(__file__).parents[3] / "docs" / "commands.md"

HEAD = """\
# Commands

This page is made from the program's own help (`buswitness COMMAND --help` says the same). From a fresh
clone, type `python3 start.py` (Windows: `py start.py`) in place of `buswitness`; `python -m probe` does the
same inside the virtual environment.

All commands keep these rules:

- `--json` prints one JSON object on stdout; people's text then goes to stderr. Wrong input comes as an
  object too: `{"format": "buswitness-problems/1", "problems": [...]}`.
- Without a terminal (a pipe, a log, `TERM=dumb`) the live picture becomes plain lines; with `NO_COLOR` set
  there is no colour. Where the encoding cannot carry our signs, ASCII ones take their place.
- Ctrl-C once finishes the open requests and seals the record as incomplete; a second one cuts the run off.
  Either way the record can be read and the terminal is left whole.
- Wrong input is told with file, line, column, field, what was found, what is allowed and what mends it; all
  of it at once.

| exit code | means |
| --- | --- |
| 0 | complete, and nothing failed |
| 1 | done, with findings that fail |
| 2 | the input is wrong: map, profile, schedule, arguments, record path; no device was asked |
| 3 | incomplete: interrupted, a verdict that the map requires is missing, or another run asks this lineup |
| 4 | a record does not verify or cannot be read |
| 70 | a bug of ours; the message says where its details were saved |

Of 1 and 3, an interrupted run is always 3; a complete one with a finding that fails is 1, whatever else could
not be tested.

"""


def commands() -> Iterator[tuple[str, Callable[..., Any]]]:
    """Every command with its full name, in the order of the help."""
    for info in app.registered_commands:
        assert info.callback is not None
        yield info.name or info.callback.__name__, info.callback
    for group in app.registered_groups:
        yield from below(group)


def below(group: Any, before: str = "") -> Iterator[tuple[str, Callable[..., Any]]]:
    """The commands of a group, then those of the groups in it (Any: the library does not export the type)."""
    name = f"{before}{group.name}"
    for info in group.typer_instance.registered_commands:
        assert info.callback is not None
        yield f"{name} {info.name}", info.callback
    for inner in group.typer_instance.registered_groups:
        yield from below(inner, f"{name} ")


def section(name: str, callback: Callable[..., Any]) -> str:
    """One command: usage, what it does, options, example."""
    hints = get_type_hints(callback, include_extras=True)
    given = {key: get_args(hints[key])[1] for key in inspect.signature(callback).parameters}
    arguments = [one for one in given.values() if type(one).__name__ == "ArgumentInfo"]
    options = [one for one in given.values() if type(one).__name__ == "OptionInfo"]
    words, _, example = inspect.cleandoc(callback.__doc__ or "").partition("\b\nExample:\n")
    usage = " ".join([f"buswitness {name}", *(str(one.metavar) for one in arguments), "[OPTIONS]"])
    lines = [f"## {name}", "", f"`{usage}`", "", *paragraphs(words)]
    lines += ["```", textwrap.dedent(example).strip(), "```", ""]
    lines += ["| argument or option | does |", "| --- | --- |"]
    lines += [f"| `{one.metavar}` | {one.help} |" for one in arguments]
    for one in options:
        names = ", ".join([one.default, *one.param_decls]) + (f" {one.metavar}" if one.metavar else "")
        lines.append(f"| `{names}` | {one.help} |")
    return "\n".join(lines) + "\n\n"


def paragraphs(words: str) -> list[str]:
    """The paragraphs of a docstring as lines of Markdown."""
    lines = []
    for block in words.replace("\b\n", "").strip().split("\n\n"):
        lines += [*textwrap.wrap(" ".join(block.split()), 118), ""]
    return lines


def page() -> str:
    """The whole page."""
    return (HEAD + "".join(section(*one) for one in commands())).rstrip() + "\n"


def test_the_page_is_current() -> None:
    if os.environ.get("BUSWITNESS_GOLDEN") == "write":
        PAGE.write_text(page(), encoding="utf-8", newline="\n")
    assert PAGE.read_text(encoding="utf-8") == page()


def test_every_command_has_words_an_example_and_help_for_each_option() -> None:
    for name, callback in commands():
        text = section(name, callback)
        assert "None" not in text, name
        assert f"\nbuswitness {name}" in text, name
