"""The commands below ``key``: what can be asked, and in which words; the work is in ``key_commands``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work

key_app = typer.Typer(**PLAIN)


@key_app.command("new", short_help="Make the key that seals your records.")
def key_new(as_json: Json = False) -> Work:
    """Make the key that seals your records (Ed25519), in your own configuration folder.

    Asks for a passphrase on a terminal (empty for none); elsewhere BUSWITNESS_KEY_PASSPHRASE holds it.
    BUSWITNESS_KEY_FILE names another file for the key. A key is never written over.

    \b
    Example:
      buswitness key new
    """

    def work() -> int:
        from probe.cli import key_commands

        return key_commands.new(as_json=as_json)

    return work


@key_app.command("show", short_help="Show the fingerprint of your key.")
def key_show(as_json: Json = False) -> Work:
    """Show your key's fingerprint, in groups that two people can read to each other.

    \b
    Example:
      buswitness key show
    """

    def work() -> int:
        from probe.cli import key_commands

        return key_commands.show(as_json=as_json)

    return work


@key_app.command("export", short_help="Print your public key for a project's trust file.")
def key_export(
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="Whose key it is.")] = "",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Print your public key as an entry for a project's trust file (buswitness-trust.yaml).

    The private key never leaves its file.

    \b
    Example:
      buswitness key export --name "A. Tester" --output buswitness-trust.yaml
    """

    def work() -> int:
        from probe.cli import key_commands

        return key_commands.export(output=output, name=name, as_json=as_json)

    return work
