"""The words of ``survey``; the work is in ``survey_command``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, NewRecord, NoSign, Operator, ProfileDirs, Work


def survey(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[
        Path, typer.Argument(metavar="MAP", help="The device map of the lineup.", show_default=False)
    ],
    interface: Annotated[
        str,
        typer.Option(
            "--interface", metavar="NAME", help="Interface to use; without it, the one in the map's subnet."
        ),
    ] = "",
    listen: Annotated[
        str,
        typer.Option(
            "--listen",
            metavar="TIME",
            help="Listen so long before anything is sent; neighbours speak every 30 s.",
        ),
    ] = "35s",
    ranges: Annotated[
        list[str] | None,
        typer.Option(
            "--range",
            metavar="RANGE",
            help="Addresses that may be asked beside the map's: 10.20.1.0/24, 10.20.1.10-10.20.1.40, or map "
            "for the map's own subnets; may be given again.",
        ),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="WHAT", help="Ask only these devices; same forms as for audit."),
    ] = None,
    skip: Annotated[
        list[str] | None,
        typer.Option("--skip", metavar="WHAT", help="Ask these devices nothing, not even within a range."),
    ] = None,
    silent: Annotated[
        bool,
        typer.Option("--silent", help="Only listen: send nothing at all, not even to the map's devices."),
    ] = False,
    rate: Annotated[
        float, typer.Option("--rate", metavar="N", min=1, max=200, help="Addresses asked a second.")
    ] = 25.0,
    services: Annotated[
        bool,
        typer.Option(
            "--services", help="Also ask for ftp, telnet, http, and snmp with a default community name."
        ),
    ] = False,
    dwell: Annotated[
        str,
        typer.Option(
            "--dwell", metavar="TIME", help="Between the two readings of switches' counters (SNMP)."
        ),
    ] = "15s",
    failover: Annotated[
        list[str] | None,
        typer.Option(
            "--failover",
            metavar="LINK",
            help="Link-loss test instead: you are asked to pull this link of the map and put it back, while "
            "all devices are asked fast. all: every link with a limit. May be given again.",
        ),
    ] = None,
    every: Annotated[
        str,
        typer.Option("--every", metavar="TIME", help="With --failover: ask each device so often."),
    ] = "0.1s",
    topology: Annotated[
        Path | None,
        typer.Option(
            "--topology",
            metavar="FILE",
            help="Draw switches, links and neighbours, expected against found, into this new SVG file.",
        ),
    ] = None,
    propose: Annotated[
        Path | None,
        typer.Option("--propose", metavar="FILE", help="Write map lines for strangers into this new file."),
    ] = None,
    record: NewRecord = None,
    operator: Operator = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Look at the network itself: this computer first, then what is on the wire, against the map.

    It listens before it speaks (neighbours, spanning tree, address conflicts, routers, clocks, PROFINET
    stations, who talks to whom). Then it asks, gently, who has the addresses of the map and those of the
    ranges that you confirmed, and every device found who it is. It never scans ports. Hearing frames needs
    administrator's rights; without them it does what it can and says what is lost.

    \b
    Exit codes: as of audit.

    \b
    Example:
      buswitness survey msb-1.yaml
      buswitness survey msb-1.yaml --range map --propose strangers.yaml
      buswitness survey msb-1.yaml --silent --listen 2m
      buswitness survey msb-1.yaml --failover ring-1
    """

    def work() -> int:
        from probe.cli import duration, survey_command
        from probe.cli.audit_start import Wishes

        return survey_command.survey(
            map_file,
            ways=survey_command.Ways(
                interface=interface,
                listen_s=duration.seconds(listen, "--listen"),
                ranges=tuple(ranges or ()),
                only=tuple(only or ()),
                skip=tuple(skip or ()),
                silent=silent,
                rate=rate,
                services=services,
                dwell_s=duration.seconds(dwell, "--dwell"),
                failover=tuple(failover or ()),
                every_s=duration.seconds(every, "--every"),
            ),
            propose=propose,
            topology=topology,
            record=record,
            wishes=Wishes(operator=operator, sign=not no_sign, as_json=as_json),
            profile_dirs=tuple(profiles or ()),
        )

    return work
