"""The words of ``desk fibre``, ``desk copper`` and ``desk conduit``; the work is in the command modules."""

from __future__ import annotations

from typing import Annotated

import typer

from probe.cli.options import Json, Work, typed


def fibre(  # noqa: PLR0913, PLR0917 (one an option)
    fibre: Annotated[
        str, typer.Option("--fibre", metavar="TYPE", help="om1 (62.5/125), om2 to om5 (50/125), os1a or os2.")
    ],
    wavelength: Annotated[
        str, typer.Option("--wavelength", metavar="NM", help="850 nm, 1300 nm, 1310 nm or 1550 nm.")
    ],
    length: Annotated[
        str, typer.Option("--length", metavar="LENGTH", help="Length of the link, as 350 m or 350 +/- 5 m.")
    ],
    connectors: Annotated[
        int, typer.Option("--connectors", metavar="N", help="Mated connector pairs that the light passes.")
    ] = 2,
    splices: Annotated[int, typer.Option("--splices", metavar="N", help="Splices.")] = 0,
    connector_loss: Annotated[
        str, typer.Option("--connector-loss", metavar="LOSS", help="Loss of one mated pair.")
    ] = "0.75 dB",
    splice_loss: Annotated[
        str, typer.Option("--splice-loss", metavar="LOSS", help="Loss of one splice.")
    ] = "0.3 dB",
    attenuation: Annotated[
        str, typer.Option("--attenuation", metavar="RATE", help="The cable's own, as 2.7 dB/km.")
    ] = "",
    tia: Annotated[
        bool, typer.Option("--tia", help="3.0 dB/km for om3 to om5 at 850 nm, not the 3.5 of ISO/IEC 11801.")
    ] = False,
    application: Annotated[
        str,
        typer.Option(
            "--application", metavar="NAME", help="100base-fx, 1000base-sx or 1000base-lx: loss and length."
        ),
    ] = "",
    launch: Annotated[
        list[str] | None,
        typer.Option("--launch", metavar="LEVEL", help="Transmitter's least and most, as -20 dBm; twice."),
    ] = None,
    sensitivity: Annotated[
        str, typer.Option("--sensitivity", metavar="LEVEL", help="Least light that the receiver needs.")
    ] = "",
    overload: Annotated[
        str, typer.Option("--overload", metavar="LEVEL", help="Most light that the receiver bears.")
    ] = "",
    ageing: Annotated[
        str, typer.Option("--ageing", metavar="LOSS", help="Reserve for ageing and repairs.")
    ] = "3 dB",
    as_json: Json = False,
) -> Work:
    """Optical budget of a link: its loss, whether enough light arrives and not too much, and its length.

    Exit code 1: a limit is not met. Without --application or --launch there is no limit.

    \b
    Example:
      buswitness desk fibre --fibre om1 --wavelength "1300 nm" --length "350 m" --connectors 4 --splices 2 --application 100base-fx
      buswitness desk fibre --fibre os2 --wavelength "1310 nm" --length "80 m" --launch "-8 dBm" --launch "-3 dBm" --sensitivity "-22 dBm" --overload "-3 dBm"
    """  # noqa: E501 (an example on one line can be copied)

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_commands

        wanted = desk_commands.FibreWanted(**typed(given, lists=("launch",)))
        return desk_commands.fibre(wanted, as_json=as_json)

    return work


def copper(  # noqa: PLR0913, PLR0917 (one an option)
    loads: Annotated[
        list[str] | None,
        typer.Option(
            "--load",
            metavar="LOAD",
            help='Name, distance from the supply, draw: "MC1 40 m 5 A", "SW1 25 m 60 W".',
        ),
    ] = None,
    conductor: Annotated[
        str,
        typer.Option("--conductor", metavar="SIZE", help="awg10 to awg18 (-solid), 0.5mm2 to 6mm2 (-fine)."),
    ] = "awg14",
    temperature: Annotated[
        str,
        typer.Option("--temperature", metavar="DEGREES", help="Hottest copper; for a channel: the ambient."),
    ] = "20 C",
    supply: Annotated[str, typer.Option("--supply", metavar="VOLTAGE", help="Nominal supply.")] = "24 V",
    supply_least: Annotated[
        str,
        typer.Option(
            "--supply-least", metavar="VOLTAGE", help="Its least: tolerance, or battery at end of discharge."
        ),
    ] = "",
    supply_most: Annotated[
        str, typer.Option("--supply-most", metavar="VOLTAGE", help="Its most, as with the battery on charge.")
    ] = "",
    limit_least: Annotated[
        str, typer.Option("--limit-least", metavar="VOLTAGE", help="Least that the loads bear; 20.4 V.")
    ] = "",
    limit_most: Annotated[
        str, typer.Option("--limit-most", metavar="VOLTAGE", help="Most that the loads bear; 28.8 V.")
    ] = "",
    fixed: Annotated[
        str, typer.Option("--fixed", metavar="LENGTH", help="Data channel instead: its fixed cable, as 85 m.")
    ] = "",
    cords: Annotated[
        str, typer.Option("--cords", metavar="LENGTH", help="Data channel: all its cords together.")
    ] = "10 m",
    cord_gauge: Annotated[
        int, typer.Option("--cord-gauge", metavar="AWG", help="Data channel: gauge of the cords, 24 or 26.")
    ] = 24,
    screened: Annotated[
        bool, typer.Option("--screened", help="Data channel: the cable is screened.")
    ] = False,
    as_json: Json = False,
) -> Work:
    """Voltage at each load along a shared DC feeder, or the length of a copper data channel.

    Exit code 1: a limit is not met, or no voltage satisfies the loads.

    \b
    Example:
      buswitness desk copper --conductor 2.5mm2-fine --temperature "60 C" --supply-least "23.5 V" --load "MC1 20 m 2 A" --load "SW1 40 m 60 W"
      buswitness desk copper --fixed "85 m" --cords "12 m" --temperature "35 C"
    """  # noqa: E501 (an example on one line can be copied)

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_power_commands

        wanted = desk_power_commands.CopperWanted(**typed(given, lists=("loads",)))
        return desk_power_commands.copper(wanted, as_json=as_json)

    return work


def conduit(  # noqa: PLR0913, PLR0917 (one an option)
    cables: Annotated[
        list[str],
        typer.Option(
            "--cable", metavar="KIND", help="control (14 AWG), fibre, twisted-pair or power; once for each."
        ),
    ],
    distance: Annotated[
        str, typer.Option("--distance", metavar="LENGTH", help="Data cable's distance to power, as 50 mm.")
    ] = "",
    data_class: Annotated[
        str, typer.Option("--class", metavar="CLASS", help="Class of the data cable, a to d (EN 50174-2).")
    ] = "b",
    divider: Annotated[
        str, typer.Option("--divider", metavar="KIND", help="Between them: none, open, perforated, solid.")
    ] = "none",
    circuits: Annotated[
        int,
        typer.Option("--circuits", metavar="N", help="Power circuits of 20 A; a three-phase one is three."),
    ] = 0,
    feeder: Annotated[
        str, typer.Option("--feeder", metavar="CURRENT", help="Three-phase power feeder beside, as 63 A.")
    ] = "",
    as_json: Json = False,
) -> Work:
    """Which kinds of cable may share a conduit, and how far data cables keep from power.

    Exit code 1: a rule is not met. A pair that no rule names is "not tested".

    \b
    Example:
      buswitness desk conduit --cable fibre --cable twisted-pair
      buswitness desk conduit --cable twisted-pair --distance "60 mm" --feeder "63 A"
    """

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_commands

        wanted = desk_commands.ConduitWanted(**typed(given, lists=("cables",)))
        return desk_commands.conduit(wanted, as_json=as_json)

    return work
