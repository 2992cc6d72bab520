"""Makes schedule.csv and schedule.xlsx beside this file: one device schedule as an engineer would keep it.

    python examples/make_schedule.py [FOLDER]

Needs xlsxwriter (development only). The same input gives the same bytes.
"""

from __future__ import annotations

import csv
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path

import xlsxwriter

TITLE = (
    ("Site:", "Tarn Hollow Water Works"),
    ("Lineup:", "MSB-1"),
    ("System:", "480Y/277 V, 3-phase 4-wire, 60 Hz"),
)
HEADINGS = (
    "Tag",
    "Type",
    "Profile",
    "Section",
    "Compartment",
    "Description",
    "IP address",
    "Subnet mask",
    "Gateway",
    "Unit ID",
    "MAC address",
    "Fed from",
    "Frame (A)",
    "Sensor (A)",
    "CT ratio",
    "Serial No.",
    "Expected position",
    "Expected state",
)
MASK = "255.255.255.0"
LOADS = (
    "Raw water pump 1",
    "Raw water pump 2",
    "High lift pump 1",
    "High lift pump 2",
    "Backwash blowers",
    "Filter hall",
    "Chemical building",
    "Sludge press",
    "Workshop",
    "Offices",
    "Yard lighting",
    "Spare",
)


def trip_unit(number: int, **row: str) -> dict[str, str]:
    """A breaker at its own IP address. number: last part of the addresses."""
    return {
        "Type": "Trip unit",
        "Profile": "trip-unit-second",
        "IP address": f"10.20.1.{number}",
        "Subnet mask": MASK,
        "MAC address": f"02:00:5e:10:00:{number:02x}",
        "Serial No.": f"0510210{number:03d}",
        "Expected position": "Connected",
        **row,
    }


def rows() -> Iterator[dict[str, str]]:
    """The devices of the lineup, one dictionary a row; cells that are not there are empty."""
    mains = {"Section": "1", "Frame (A)": "4000", "Sensor (A)": "4000", "CT ratio": "4000/5"}
    yield trip_unit(11, Tag="M1", Compartment="1A", Description="Main, transformer 1", **mains)
    yield meter(41, "PM1", "1", "Meter of main 1", "meter-float", "4000/5")
    yield network(51, "SW1", "1", "Switch", "managed-switch")
    yield network(61, "MC1", "1", "Master controller", "master-controller")
    yield {"Tag": "GW1", "Type": "Gateway", "Profile": "serial-gateway", "Section": "3", **host(31)}
    yield {"Tag": "GW2", "Type": "Gateway", "Profile": "serial-gateway", "Section": "5", **host(32)}
    for i, load in enumerate(LOADS):
        yield feeder(i, load)
    tie = {"Section": "4", "Frame (A)": "4000", "Sensor (A)": "3200", "Expected state": "Open"}
    yield trip_unit(13, Tag="T1", Compartment="4A", Description="Tie", **{"Fed from": "M1"}, **tie)
    mains["Section"] = "6"
    yield trip_unit(12, Tag="M2", Compartment="6A", Description="Main, transformer 2", **mains)
    yield meter(42, "PM2", "6", "Meter of main 2", "meter-integer", "4000/5")
    yield network(52, "SW2", "6", "Switch", "managed-switch")
    yield network(71, "UPS1", "6", "UPS", "small-ups")


def host(number: int) -> dict[str, str]:
    """The cells of an own IP address."""
    return {"IP address": f"10.20.1.{number}", "Subnet mask": MASK}


def network(number: int, tag: str, section: str, kind: str, profile: str) -> dict[str, str]:
    """A device that is no breaker, at its own IP address."""
    return {"Tag": tag, "Type": kind, "Profile": profile, "Section": section, **host(number)}


def meter(number: int, tag: str, section: str, what: str, profile: str, ratio: str) -> dict[str, str]:
    """A meter at its own IP address, unit 1."""
    row = network(number, tag, section, "Power meter", profile)
    return {**row, "Description": what, "CT ratio": ratio, "Unit ID": "1"}


def feeder(i: int, load: str) -> dict[str, str]:
    """Feeder i (from 0): six at their own IP address, then three behind each gateway."""
    section = 2 + i // 3 if i < 6 else 3 if i < 9 else 5
    common = {
        "Tag": f"F{i + 1}",
        "Section": str(section),
        "Compartment": f"{section}{'ABCDEF'[i % 6]}",
        "Description": load,
        "Fed from": "M1" if i < 9 else "M2",
        "Frame (A)": "1600" if i < 6 else "800",
        "Sensor (A)": "1200" if i < 6 else "600",
    }
    if i < 6:
        return trip_unit(21 + i, **common)
    behind = {"Gateway": "GW1" if i < 9 else "GW2", "Unit ID": str(i % 3 + 1)}
    return {"Type": "Trip unit", "Profile": "trip-unit-first", **common, **behind}


def table() -> list[list[str]]:
    """The devices as rows of cells."""
    return [[row.get(heading, "") for heading in HEADINGS] for row in rows()]


def write_csv(path: Path) -> None:
    """As a spreadsheet program on this side of the Atlantic saves it: comma, UTF-8 with BOM."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([*TITLE, [], HEADINGS, *table()])


def write_xlsx(path: Path) -> None:
    """A workbook with a merged title, lines above the table, and a second sheet that is no schedule."""
    book = xlsxwriter.Workbook(str(path))
    book.set_properties({"created": dt.datetime(2025, 1, 1, tzinfo=None)})  # noqa: DTZ001 - fixed
    sheet = book.add_worksheet("Devices")
    bold = book.add_format({"bold": True})
    sheet.merge_range(0, 0, 0, 8, "Low-voltage switchgear, device schedule", bold)
    for i, (label, text) in enumerate(TITLE, 1):
        sheet.write_string(i, 0, label, bold)
        sheet.write_string(i, 1, text)
    for i, row in enumerate([list(HEADINGS), *table()], len(TITLE) + 2):
        _write_row(sheet, i, row)
    book.add_worksheet("Revisions").write_string(0, 0, "First issue")
    book.close()


def _write_row(sheet: xlsxwriter.worksheet.Worksheet, i: int, row: list[str]) -> None:
    """Amperes and units as numbers, as people type them; all else as text."""
    for column, text in enumerate(row):
        if HEADINGS[column] in ("Unit ID", "Frame (A)", "Sensor (A)") and text.isdigit():
            sheet.write_number(i, column, int(text))
        elif text:
            sheet.write_string(i, column, text)


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    write_csv(folder / "schedule.csv")
    write_xlsx(folder / "schedule.xlsx")
