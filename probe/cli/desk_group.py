"""The words of ``desk``: calculations that ask no device. Each has its own module of words."""

from __future__ import annotations

import typer

from probe.cli.desk_all_entry import every
from probe.cli.desk_cable_entry import conduit, copper, fibre
from probe.cli.desk_curve_entry import curve
from probe.cli.desk_time_entry import battery, bus
from probe.cli.options import PLAIN

desk_app = typer.Typer(**PLAIN)
desk_app.command("all", short_help="Every calculation that a map's cabling allows.")(every)
desk_app.command("fibre", short_help="Optical budget: too little light, too much, too long.")(fibre)
desk_app.command("copper", short_help="Voltage at each load of a DC feeder; length of a channel.")(copper)
desk_app.command("battery", short_help="How long a UPS or DC bank lasts, or what it needs.")(battery)
desk_app.command("bus", short_help="Round of a serial segment, dead devices, reach.")(bus)
desk_app.command("conduit", short_help="Which cables may run together.")(conduit)
desk_app.command("curve", short_help="Trip time of a protection function at a current.")(curve)
