"""What the commands share: how their help looks, and options that several of them have."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

Work = Callable[[], int]

HELP_CONTEXT = {"help_option_names": ["--help", "-h"], "max_content_width": 96}
# Plain help: the library's coloured one costs 170 ms and draws boxes that a narrow terminal breaks.
PLAIN: dict[str, Any] = {
    "rich_markup_mode": None,
    "add_completion": False,
    "no_args_is_help": True,
    "context_settings": HELP_CONTEXT,
}


Json = Annotated[
    bool, typer.Option("--json", help="Print one JSON object on stdout; people's text goes to stderr.")
]
ProfileDirs = Annotated[
    list[Path] | None,
    typer.Option("--profiles", metavar="DIR", help="Further folder of profiles; may be given again."),
]
Only = Annotated[
    list[str] | None,
    typer.Option(
        "--only",
        metavar="WHAT",
        help="Only these: a tag (52-F3, 52-F*), kind:meter, section:2, or a bare kind or section name; may "
        "be given again.",
    ),
]
Skip = Annotated[
    list[str] | None,
    typer.Option("--skip", metavar="WHAT", help="Leave these out; same forms as --only."),
]
NewRecord = Annotated[
    Path | None,
    typer.Option(
        "--record",
        metavar="PATH",
        help="Where to save the record; never overwrites. Without it: a new file in this folder.",
    ),
]
Operator = Annotated[str, typer.Option("--operator", metavar="NAME", help="Who runs this, for the record.")]
NoSign = Annotated[bool, typer.Option("--no-sign", help="Do not sign the record, though there is a key.")]


def typed(options: Mapping[str, Any], *, lists: Collection[str] = (), **instead: str) -> dict[str, Any]:
    """What was typed, by the fields of the object that a command takes: a list of options stands once.

    options: ``locals()`` at the head of the command's function; what says how to show the answer is left out.
    lists: options that may be given again, nothing where they were not. instead: option to field where their
    names differ.
    """
    return {
        instead.get(name, name): tuple(value or ()) if name in lists else value
        for name, value in options.items()
        if name != "as_json"
    }
