"""The words of ``capture``: take and read. They only parse; see ``main``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, NoSign, Operator, ProfileDirs, Work

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


@capture_app.command("take", short_help="Record the traffic of an interface.")
def take(  # noqa: PLR0913, PLR0917 (one an option)
    interface: Annotated[
        str,
        typer.Argument(
            metavar="INTERFACE", help="As the system names it; without it: the only one that is up."
        ),
    ] = "",
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="PATH", help="The new .pcapng file. Without it: a new one in captures/."
        ),
    ] = None,
    length: Annotated[
        str,
        typer.Option("--for", metavar="TIME", help="Record so long: 90s, 10m, 8h. Without it: until Ctrl-C."),
    ] = "0s",
    total: Annotated[
        str, typer.Option("--size", metavar="SIZE", help="Stop at so many bytes in all: 500k, 100M, 2G.")
    ] = "",
    each: Annotated[
        str, typer.Option("--each", metavar="SIZE", help="Begin a new file at so many bytes.")
    ] = "",
    keep: Annotated[
        int,
        typer.Option("--keep", metavar="N", min=0, help="With --each: only the last N files stay (a ring)."),
    ] = 0,
    only: Annotated[
        str,
        typer.Option("--filter", metavar="WORDS", help="Keep only these frames, as 'modbus or arp'."),
    ] = "",
    live: Annotated[
        bool, typer.Option("--live", help="Show the figures of capture read while it records.")
    ] = False,
    map_file: Annotated[
        Path | None,
        typer.Option("--map", metavar="MAP", help="Site and lineup for the record; names devices in --live."),
    ] = None,
    port: Annotated[
        list[int] | None,
        typer.Option(
            "--port", metavar="PORT", min=1, max=65535, help="For --live: Modbus is spoken here, too."
        ),
    ] = None,
    speed: Annotated[
        str, typer.Option("--speed", metavar="SPEED", help="Speed of the link, as 100M or 1G.")
    ] = "",
    operator: Operator = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Record the traffic of an interface into pcapng files; their hashes are kept in a record beside them.

    Only listens: nothing is sent. Hears what reaches this computer: on a switch that is its own traffic and
    broadcasts, unless a port is mirrored to it. Needs the right to hear frames; says how to get it.

    The words of a filter: host ADDRESS, net ADDRESS/BITS, port NUMBER, ether ADDRESS, vlan [NUMBER], arp, ip,
    ip6, tcp, udp, icmp, modbus, lldp, stp, profinet, broadcast, multicast; and, or, not, ( ).

    \b
    Exit codes: 0 ended as wished, 2 wrong arguments or no right, 3 interface gone or disk full.

    \b
    Example:
      buswitness capture take eth0 --for 10m --live
      buswitness capture take eth0 --each 50M --keep 20 --filter "modbus or arp"
    """

    def work() -> int:
        from probe.cli import capture_speed, capture_take_command, duration

        wish = capture_take_command.Taking(
            interface=interface,
            output=output,
            seconds=duration.seconds(length, "--for"),
            total=capture_speed.bytes_of(total, "--size"),
            each=capture_speed.bytes_of(each, "--each"),
            keep=keep,
            filter=only,
            map_file=map_file,
            profile_dirs=tuple(profiles or ()),
            ports=tuple(port or ()),
            link_bps=capture_speed.bits_a_second(speed),
            operator=operator,
            sign=not no_sign,
            live=live,
            as_json=as_json,
        )
        return capture_take_command.take(wish)

    return work
