"""Nothing that the command line takes is a secret: everybody on a computer can read its list of processes."""

from __future__ import annotations

import re
from typing import Any

import typer.main

from probe.cli.main import app

_SECRET = re.compile(r"password|passphrase|passwd|secret|token|community|credential|\bauth-?key\b|privacy")


def _options(command: Any, path: str) -> list[tuple[str, str]]:
    found = [(path, name) for one in command.params for name in (*one.opts, *one.secondary_opts)]
    for name, inner in getattr(command, "commands", {}).items():
        found += _options(inner, f"{path} {name}")
    return found


def test_no_option_or_argument_takes_a_secret() -> None:
    given = _options(typer.main.get_command(app), "buswitness")
    assert len(given) > 100
    assert not [one for one in given if _SECRET.search(one[1].lower())]
    assert _SECRET.search("--key-passphrase")
    assert _SECRET.search("--snmp-community")
