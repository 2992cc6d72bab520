"""The words of ``desk battery`` and ``desk bus``; the work is in the command modules."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, ProfileDirs, Work, typed


def battery(  # noqa: PLR0913, PLR0917 (one an option)
    loads: Annotated[
        list[str],
        typer.Option("--load", metavar="LOAD", help='In order of time: "300 W for 5 min"; the last: "96 W".'),
    ],
    voltage: Annotated[str, typer.Option("--voltage", metavar="VOLTAGE", help="Of the bank.")] = "24 V",
    capacity: Annotated[
        str, typer.Option("--capacity", metavar="AH", help="Of the bank when new, as 12 Ah.")
    ] = "",
    hour_rate: Annotated[
        str, typer.Option("--hour-rate", metavar="HOURS", help="Discharge time its capacity is given for.")
    ] = "20 h",
    exponent: Annotated[
        float, typer.Option("--rate-exponent", metavar="K", help="Less at high current (Peukert); 1 is none.")
    ] = 1.0,
    depth: Annotated[
        float, typer.Option("--depth", metavar="PART", help="Part of the charge that may be used.")
    ] = 0.8,
    efficiency: Annotated[
        float, typer.Option("--efficiency", metavar="PART", help="From battery to load.")
    ] = 0.9,
    health: Annotated[
        float, typer.Option("--health", metavar="PART", help="Capacity that age leaves; 0.8 is end of life.")
    ] = 0.8,
    temperature: Annotated[
        str, typer.Option("--temperature", metavar="DEGREES", help="Lowest of the battery.")
    ] = "25 C",
    wanted: Annotated[
        str, typer.Option("--wanted", metavar="TIME", help="How long it must last, as 30 min.")
    ] = "",
    size: Annotated[
        bool, typer.Option("--size", help="The reverse: which capacity the loads need; each with its time.")
    ] = False,
    margin: Annotated[
        float, typer.Option("--margin", metavar="FACTOR", help="Design margin of --size.")
    ] = 1.1,
    as_json: Json = False,
) -> Work:
    """How long a UPS or DC bank carries its loads, or what capacity they need.

    The prediction holds within 20 percent: a wanted time inside that is a review; exit code 1 says that it is
    missed. Only a timed discharge proves it.

    \b
    Example:
      buswitness desk battery --capacity "12 Ah" --load "96 W" --wanted "1 h"
      buswitness desk battery --size --load "300 W for 5 min" --load "96 W for 2 h" --temperature "10 C"
    """

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_power_commands

        wanted = desk_power_commands.BatteryWanted(**typed(given, lists=("loads",)))
        return desk_power_commands.battery(wanted, as_json=as_json)

    return work


def bus(  # noqa: PLR0913, PLR0917 (one an option)
    baud: Annotated[
        int, typer.Option("--baud", metavar="BAUD", help="Bit rate; left out: the map's, else 19200.")
    ] = 0,
    bits: Annotated[
        int, typer.Option("--bits", metavar="N", help="Bits of a character: 11, or 10 where a site uses 8N1.")
    ] = 11,
    devices: Annotated[int, typer.Option("--devices", metavar="N", help="Devices on the segment.")] = 1,
    blocks: Annotated[int, typer.Option("--blocks", metavar="N", help="Requests to each in a round.")] = 1,
    registers: Annotated[
        int, typer.Option("--registers", metavar="N", help="Registers of each request, 1 to 125.")
    ] = 20,
    response: Annotated[
        str, typer.Option("--response", metavar="TIME", help="A device's own time, as 50 +/- 20 ms.")
    ] = "50 ms",
    gap: Annotated[
        str, typer.Option("--gap", metavar="TIME", help="Master's pause after each transaction.")
    ] = "0 s",
    dead: Annotated[int, typer.Option("--dead", metavar="N", help="How many of them answer nothing.")] = 0,
    timeout: Annotated[
        str, typer.Option("--timeout", metavar="TIME", help="How long the master waits for an answer.")
    ] = "1 s",
    retries: Annotated[
        int, typer.Option("--retries", metavar="N", help="Further attempts after a time-out.")
    ] = 2,
    wanted: Annotated[
        str, typer.Option("--wanted", metavar="TIME", help="Longest round that the site bears.")
    ] = "",
    length: Annotated[
        str, typer.Option("--length", metavar="LENGTH", help="Length of the trunk, as 600 m.")
    ] = "",
    cable: Annotated[
        str, typer.Option("--cable", metavar="KIND", help="awg24, awg26, cat5, or type-3.")
    ] = "awg24",
    polarised: Annotated[
        bool, typer.Option("--polarised", help="The pair is polarised: four devices fewer.")
    ] = False,
    four_wire: Annotated[
        bool, typer.Option("--four-wire", help="Four-wire cabling used as two-wire: half the length.")
    ] = False,
    map_file: Annotated[
        Path | None,
        typer.Option("--map", metavar="MAP", help="Take devices, requests and baud from a device map."),
    ] = None,
    line: Annotated[
        str, typer.Option("--line", metavar="NAME", help="With --map: the gateway's tag, or the serial port.")
    ] = "",
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """How long one round of a serial segment takes, how many devices fit, and how far it may reach.

    Exit code 1: a limit is not met.

    \b
    Example:
      buswitness desk bus --devices 8 --blocks 3 --registers 20 --response "50 ms" --dead 1 --wanted "5 s"
      buswitness desk bus --map msb-1.yaml --line GW1 --length "300 m"
    """

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_bus_command

        wanted = desk_bus_command.BusWanted(**typed(given, lists=("profiles",), profiles="profile_dirs"))
        return desk_bus_command.bus(wanted, as_json=as_json)

    return work
