"""The words of ``desk``: calculations that ask no device. Each has its own module of words."""

from __future__ import annotations

import typer

from probe.cli.desk_curve_entry import curve
from probe.cli.options import PLAIN

desk_app = typer.Typer(**PLAIN)
desk_app.command("curve", short_help="Trip time of a protection function at a current.")(curve)
