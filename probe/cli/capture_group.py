"""The words of ``capture``: take and read. They only parse; see ``main``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, ProfileDirs, Work

capture_app = typer.Typer(**PLAIN)


@capture_app.command("read", short_help="Analyse a capture file, or a folder of them.")
def read(  # noqa: PLR0913, PLR0917 (one an option)
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A capture (pcap, pcapng, also .gz), or a folder of them.")
    ],
    map_file: Annotated[
        Path | None,
        typer.Option("--map", metavar="MAP", help="Name devices by this map; its masters may write."),
    ] = None,
    port: Annotated[
        list[int] | None,
        typer.Option(
            "--port", metavar="PORT", min=1, max=65535, help="Modbus is spoken here, too (beside 502)."
        ),
    ] = None,
    speed: Annotated[
        str,
        typer.Option("--speed", metavar="SPEED", help="Speed of the link, as 100M or 1G: shows utilisation."),
    ] = "",
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="PATH", help="Draw reply time and load over time, as a new SVG file."),
    ] = None,
    workers: Annotated[
        int,
        typer.Option(
            "--workers", metavar="N", min=0, help="Files read at a time; 0: as many as there are processors."
        ),
    ] = 0,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Analyse captured traffic: who asks whom, how fast they answer, who writes, what the network loses.

    Puts TCP streams in order and matches every Modbus request to its answer. Files of any size take the same
    memory; a folder is read with all processors.

    \b
    Exit codes: 0 nothing failed, 1 findings that fail, 2 no capture or wrong arguments,
    3 a file that ends in the middle or is damaged, and nothing failed.

    \b
    Example:
      buswitness capture read captures/msb-1.pcapng
      buswitness capture read captures/msb-1.pcapng --map msb-1.yaml --speed 100M --plot msb-1.svg
      buswitness capture read captures/ --json
    """

    def work() -> int:
        from probe.cli import capture_read_command, capture_speed

        how = capture_read_command.Reading(
            map_file=map_file,
            profile_dirs=tuple(profiles or ()),
            ports=tuple(port or ()),
            link_bps=capture_speed.bits_a_second(speed),
            plot=plot,
            workers=workers,
            as_json=as_json,
        )
        return capture_read_command.read(file, how)

    return work
