"""The words of ``desk curve``; the work is in ``desk_curve_command``."""

from __future__ import annotations

from typing import Annotated

import typer

from probe.cli.options import Json, ProfileDirs, Work, typed


def curve(  # noqa: PLR0913, PLR0917 (one an option)
    shape: Annotated[
        str,
        typer.Option(
            "--shape",
            metavar="CURVE",
            help="i2t, flat, or a curve of IEC 60255-151 or IEEE C37.112 (iec_inverse, ieee_very_inverse).",
        ),
    ],
    pickup: Annotated[str, typer.Option("--pickup", metavar="CURRENT", help="Pickup, as 960 A or 1.2 kA.")],
    delay: Annotated[
        str,
        typer.Option(
            "--delay", metavar="DELAY", help="0.3 s, 8 s at 6 x pickup, or the multiplier: 0.15 TMS, 5 TD."
        ),
    ],
    current: Annotated[
        list[str], typer.Option("--current", metavar="CURRENT", help="Fault current; may be given again.")
    ],
    profile: Annotated[
        str, typer.Option("--profile", metavar="NAME", help="Type of device whose tolerances make a band.")
    ] = "",
    function: Annotated[
        str,
        typer.Option(
            "--function", metavar="NAME", help="long_time, short_time, instantaneous or ground of the type."
        ),
    ] = "long_time",
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Trip time of one protection function at a current, with every step of the formula.

    \b
    Example:
      buswitness desk curve --shape i2t --pickup "960 A" --delay "8 s at 6 x pickup" --current "2 kA"
      buswitness desk curve --shape iec_very_inverse --pickup "400 A" --delay "0.2 TMS" --current "2 kA"
    """

    given = dict(locals())

    def work() -> int:
        from probe.cli import desk_curve_command

        wanted = desk_curve_command.Wanted(
            **typed(given, lists=("current", "profiles"), current="currents", profiles="profile_dirs")
        )
        return desk_curve_command.curve(wanted, as_json=as_json)

    return work
