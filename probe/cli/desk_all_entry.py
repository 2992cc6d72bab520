"""The words of ``desk all``; the work is in ``desk_all_command``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, ProfileDirs, Work


def every(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The device map of the lineup.")],
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", metavar="NAME", help="Only this cable, battery or conduit; may be given again."
        ),
    ] = None,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Every desk calculation that a map allows: fibres, channels, serial lines, feeders, batteries, conduits
    of its cabling; and when each breaker clears its fault current, by the study that the map names.

    No device is asked. An audit of the same map holds the same verdicts. Exit code 1: a limit is not met.

    \b
    Example:
      buswitness desk all msb-1.yaml
      buswitness desk all msb-1.yaml --only FO-1 --json
    """

    def work() -> int:
        from probe.cli import desk_all_command

        return desk_all_command.every(
            map_file, only=tuple(only or ()), profile_dirs=tuple(profiles or ()), as_json=as_json
        )

    return work
