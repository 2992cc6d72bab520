"""Makes the SunSpec profiles from the model definitions that the pysunspec2 package carries.

    python tests/outside/make_sunspec.py            writes profiles/sunspec-*.yaml
    python tests/outside/make_sunspec.py --check    tells whether the files are what the definitions say

Run with the development environment; the YAML files are committed, so nobody else needs this.
"""

from __future__ import annotations

import json
import re
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

PROFILES = Path(__file__).parents[2] / "profiles"
BASE = 40_000  # PDU address of the marker; model 1 follows, then the meter model
COMMON_LENGTH = 66
METERS = (201, 202, 203, 204, 211, 212, 213, 214)

HEADER = """\
# {title}
#
# Made by tests/outside/make_sunspec.py from the SunSpec Alliance's published model definitions, as carried
# by the package pysunspec2 {version} (Apache License 2.0; the standard is the SunSpec Alliance's work). The
# names of points are those of our other profiles; `note` gives the standard's own name. Ranges are ours, by
# common practice; the standard gives none.
{more}"""

MORE_METER = """\
# The map is: marker at PDU address 40000, model 1 (length 66), this model at 40070. A device whose model 1
# has length 65, or that holds other models before this one, needs a profile of its own.
# Energy 0 is taken as 0 (a fresh meter), although the standard calls it "not accumulated".
"""

# type of the standard: our type, and its code for "not implemented" (as the standard's tables)
TYPES = {
    "uint16": ("u16", "0xFFFF"),
    "int16": ("i16", "0x8000"),
    "acc32": ("u32", ""),
    "bitfield32": ("bits32", "0xFFFFFFFF, 0x80000000"),
    "float32": ("f32", "nan"),
    "sunssf": ("sunssf", ""),
    "string": ("text", "empty"),
}

UNITS = {"Pct": "%", "PF": "none", None: "none"}

# start of the standard's name: our name, quantity. The longest that fits counts.
FAMILIES = {
    "A": ("current", "current"),
    "PhV": ("voltage_phase", "voltage_phase"),
    "PPV": ("voltage_line", "voltage_line"),
    "Hz": ("frequency", "frequency"),
    "W": ("power", "power_active"),
    "VA": ("apparent_power", "power_apparent"),
    "VAR": ("reactive_power", "power_reactive"),
    "PF": ("power_factor", "power_factor"),
    "TotWhExp": ("energy_export", "energy_active_export"),
    "TotWhImp": ("energy_import", "energy_active_import"),
    "TotVAhExp": ("energy_apparent_export", "energy_apparent_export"),
    "TotVAhImp": ("energy_apparent_import", "energy_apparent_import"),
    "TotVArhImpQ1": ("energy_reactive_q1", "energy_reactive_q1"),
    "TotVArhImpQ2": ("energy_reactive_q2", "energy_reactive_q2"),
    "TotVArhExpQ3": ("energy_reactive_q3", "energy_reactive_q3"),
    "TotVArhExpQ4": ("energy_reactive_q4", "energy_reactive_q4"),
}
FACTORS = {
    "A_SF": ("current", "currents"),
    "V_SF": ("voltage", "voltages"),
    "Hz_SF": ("frequency", "frequency"),
    "W_SF": ("power", "active power"),
    "VA_SF": ("apparent_power", "apparent power"),
    "VAR_SF": ("reactive_power", "reactive power"),
    "PF_SF": ("power_factor", "power factor"),
    "TotWh_SF": ("energy", "active energy"),
    "TotVAh_SF": ("energy_apparent", "apparent energy"),
    "TotVArh_SF": ("energy_reactive", "reactive energy"),
}
TITLES = {
    "current": "Current", "voltage_phase": "Voltage to neutral", "voltage_line": "Voltage line to line",
    "frequency": "Frequency", "power": "Active power", "apparent_power": "Apparent power",
    "reactive_power": "Reactive power", "power_factor": "Power factor",
    "energy_export": "Active energy exported", "energy_import": "Active energy imported",
    "energy_apparent_export": "Apparent energy exported",
    "energy_apparent_import": "Apparent energy imported",
    "energy_reactive_q1": "Reactive energy quadrant 1", "energy_reactive_q2": "Reactive energy quadrant 2",
    "energy_reactive_q3": "Reactive energy quadrant 3", "energy_reactive_q4": "Reactive energy quadrant 4",
}  # fmt: skip
# Plausible ends by common practice, no source; SunSpec gives none. Power factor in percent for 20x.
RANGES = {
    "current": "[0, 12000]", "voltage_phase": "[0, 440]", "voltage_line": "[0, 760]",
    "frequency": "[0, 70]", "power": "[-16000000, 16000000]", "apparent_power": "[-16000000, 16000000]",
    "reactive_power": "[-16000000, 16000000]",
}  # fmt: skip
# Digits shown after the point, by common practice; what a device's scale factor carries is known only then.
DECIMALS = {"current": 1, "voltage_phase": 1, "voltage_line": 1, "frequency": 2}
MODEL_TITLES = {
    1: "SunSpec common block (model 1)",
    201: "SunSpec single-phase meter, whole numbers (model 201)",
    202: "SunSpec split-phase meter, whole numbers (model 202)",
    203: "SunSpec wye three-phase meter, whole numbers (model 203)",
    204: "SunSpec delta three-phase meter, whole numbers (model 204)",
    211: "SunSpec single-phase meter, floating point (model 211)",
    212: "SunSpec split-phase meter, floating point (model 212)",
    213: "SunSpec wye three-phase meter, floating point (model 213)",
    214: "SunSpec delta three-phase meter, floating point (model 214)",
}
COMMON = {
    "ID": ("common_id", "Model number of the common block", "identity"),
    "L": ("common_length", "Length of the common block", "identity"),
    "Mn": ("maker", "Maker", "text"),
    "Md": ("model_name", "Model", "text"),
    "Opt": ("options", "Options", "text"),
    "Vr": ("firmware", "Version", "text"),
    "SN": ("serial_number", "Serial number", "text"),
    "DA": ("device_address", "Modbus unit", "address"),
}


def definition(model: int) -> list[dict[str, Any]]:
    """The points of a model as the standard's definition lists them."""
    text = (files("sunspec2") / "models" / "json" / f"model_{model}.json").read_text(encoding="utf-8")
    points: list[dict[str, Any]] = json.loads(text)["group"]["points"]
    return points


def with_offsets(points: list[dict[str, Any]]) -> list[tuple[int, dict[str, Any]]]:
    """Each point with its offset from the model's first register."""
    placed, offset = [], 0
    for point in points:
        placed.append((offset, point))
        offset += point["size"]
    return placed


def split_name(name: str) -> tuple[str, str]:
    """Family and phase of a point's name: ``PhVphAB`` is a line voltage ab, ``TotWhExpPhA`` export a."""
    line = re.fullmatch(r"(?:PhVph|PPVph)(AB|BC|CA)", name)
    if line:
        return "PPV", line.group(1).lower()
    single = re.fullmatch(r"(.+?)[pP]h([ABC])", name)
    if single:
        return single.group(1), single.group(2).lower()
    return name, ""


def our_name(name: str) -> tuple[str, str, str, str]:
    """Our name, title, quantity and phase of a meter's point."""
    family, phase = split_name(name)
    base, quantity = FAMILIES[family]
    if not phase and base != "frequency":
        phase = "average" if quantity.startswith("voltage") or base == "power_factor" else "total"
    short = "voltage" if phase != "average" and quantity.startswith("voltage") else base
    ours = base if not phase or (phase == "total" and base.startswith("energy")) else f"{short}_{phase}"
    return ours, _title(base, quantity, phase), quantity, phase


def _title(base: str, quantity: str, phase: str) -> str:
    """A title such as ``Voltage A to B``, ``Voltage A to neutral``, ``Current phase A``."""
    if quantity == "voltage_line" and len(phase) == 2:
        return f"Voltage {phase[0].upper()} to {phase[1].upper()}"
    if quantity == "voltage_phase" and len(phase) == 1:
        return f"Voltage {phase.upper()} to neutral"
    label = phase if phase in ("average", "total") else f"phase {phase.upper()}" if phase else ""
    return f"{TITLES[base]} {label}".strip()


def factor_name(name: str) -> str:
    """Our name of a scale-factor point: ``A_SF`` is ``scale_current``."""
    return f"scale_{FACTORS[name][0]}"


def entry(name: str, fields: dict[str, str]) -> str:
    """One point as a line of YAML."""
    return f"  {name}: {{{', '.join(f'{key}: {value}' for key, value in fields.items() if value)}}}"


def meter_point(offset: int, point: dict[str, Any], base: int) -> str:
    """The line of one point of a meter model."""
    name, kind = point["name"], point["type"]
    ours, missing = TYPES[kind]
    fields = {"title": "", "address": str(base + offset), "type": ours}
    if name in ("ID", "L"):
        title = "Model number of the meter block" if name == "ID" else "Length of the meter block"
        fields |= {"title": title, "unit": "none", "quantity": "identity", "not_available": f"[{missing}]"}
        return entry("meter_id" if name == "ID" else "meter_length", fields | {"note": name})
    if kind == "sunssf":
        title = f"Power of ten of {FACTORS[name][1]}"
        return entry(factor_name(name), fields | {"title": title, "note": name})
    if kind == "bitfield32":
        bits = ", ".join(f"{s['value']}: {bit_name(s['name'])}" for s in point["symbols"])
        return entry(
            "events",
            fields
            | {"title": "Events", "not_available": f"[{missing}]", "bits": f"{{{bits}}}", "note": name},
        )
    return entry(*measured(name, point, fields, missing))


def measured(
    name: str, point: dict[str, Any], fields: dict[str, str], missing: str
) -> tuple[str, dict[str, str]]:
    """Our name and fields of a measured point."""
    ours, title, quantity, phase = our_name(name)
    units = point.get("units")
    unit = UNITS.get(units, units)
    base = FAMILIES[split_name(name)[0]][0]
    span = RANGES.get(base, "")
    if base == "power_factor":
        span = "[-100, 100]" if units == "Pct" else "[-1, 1]"
    if base.startswith("energy") and point["type"] == "float32":
        span = "[0, 1000000000000000]"
    fields |= {
        "title": title,
        "scale_factor": factor_name(point["sf"]) if "sf" in point else "",
        "unit": f'"{unit}"' if unit == "%" else unit,
        "quantity": quantity,
        "phase": phase,
        "range": span,
        "decimals": str(_decimals(base, units)),
        "not_available": f"[{missing}]" if missing else "",
        "note": name,
    }
    return ours, fields


def _decimals(base: str, units: str | None) -> int:
    if base == "power_factor":
        return 1 if units == "Pct" else 3
    return DECIMALS.get(base, 0)


def bit_name(name: str) -> str:
    """The standard's name of an event bit in words."""
    return name.removeprefix("M_EVENT_").replace("_", " ").lower()


def common_profile() -> str:
    """The text of sunspec-common."""
    lines = [
        head("sunspec-common", 1, "other", more=""),
        "identity:\n  points: {maker: maker, model: model_name, serial: serial_number, firmware: firmware}\n",
        "proof:\n  - {point: marker, equals: SunS}\n  - {point: common_id, equals: 1}\n",
        "points:",
        entry(
            "marker",
            {
                "title": "Marker of the standard",
                "address": str(BASE),
                "type": "text",
                "count": "2",
                "note": "SunS",
            },
        ),
    ]
    for offset, point in with_offsets(definition(1)):
        if point["type"] != "pad":
            lines.append(common_point(BASE + 2 + offset, point))
    return "\n".join(lines) + "\n"


def common_point(address: int, point: dict[str, Any]) -> str:
    """The line of one point of model 1."""
    name, title, quantity = COMMON[point["name"]]
    ours, missing = TYPES[point["type"]]
    fields = {"title": title, "address": str(address), "type": ours}
    if ours == "text":
        fields |= {"count": str(point["size"])}
    else:
        fields |= {"unit": "none", "quantity": quantity}
    return entry(name, fields | {"not_available": f"[{missing}]", "note": point["name"]})


def head(name: str, model: int, kind: str, more: str, extends: str = "") -> str:
    """Comment and first fields of a profile."""
    from importlib.metadata import version

    title = MODEL_TITLES[model]
    top = HEADER.format(title=title, version=version("pysunspec2"), more=more)
    below = f"extends: {extends}\n" if extends else ""
    return (
        f"{top}format: buswitness-profile/1\nname: {name}\ntitle: {title}\nkind: {kind}\n{below}"
        "addressing: zero_based\narea: holding\norder: ABCD\n"
    )


FRESHNESS = """\
# The standard's models have no clock and no heartbeat: under load at least one of these moves.
freshness: {points: [energy_import, frequency, power_total, voltage_phase_average], after_s: 5}
"""


def meter_profile(model: int) -> str:
    """The text of a meter's profile."""
    base = BASE + 2 + 2 + COMMON_LENGTH
    placed = with_offsets(definition(model))
    last, end = placed[-1]
    length = last + end["size"] - 2
    names = [point["name"] for _, point in placed]
    lines_of = [
        our_name(n)[0] for n in names if n.startswith(("PhVph", "PPVph")) and split_name(n)[0] == "PPV"
    ]
    lines = [
        head(f"sunspec-{model}", model, "meter", MORE_METER, "sunspec-common"),
        f"proof:\n  - {{point: meter_id, equals: {model}}}\n  - {{point: meter_length, equals: {length}}}\n",
        FRESHNESS,
        f"energized: {{points: [{', '.join(['voltage_phase_average', *lines_of])}], above: 50}}\n",
        "alarms:",
        *(alarm(symbol) for symbol in placed[-1][1]["symbols"] if "Reserved" not in symbol["name"]),
        "",
        "points:",
        *(meter_point(offset, point, base) for offset, point in placed),
    ]
    return "\n".join(lines) + "\n"


def alarm(symbol: dict[str, Any]) -> str:
    """The line of an event bit; bits left to the maker are notices."""
    name = bit_name(symbol["name"])
    own = name.startswith("oem")
    title = f"Maker's own event {name[3:]}" if own else name.capitalize().replace(" pf", " power factor")
    return (
        f"  - {{name: {name.replace(' ', '_')}, title: {title}, point: events, bit: {symbol['value']},"
        f" severity: {'notice' if own else 'alarm'}}}"
    )


def texts() -> dict[Path, str]:
    """All files and what they should hold."""
    made = {PROFILES / "sunspec-common.yaml": common_profile()}
    return made | {PROFILES / f"sunspec-{model}.yaml": meter_profile(model) for model in METERS}


def main(arguments: list[str]) -> int:
    """Write the files, or with --check tell which differ (exit 1)."""
    stale = [p for p, text in texts().items() if not p.exists() or p.read_text(encoding="utf-8") != text]
    if "--check" not in arguments:
        for path in stale:
            path.write_text(texts()[path], encoding="utf-8", newline="\n")
    for path in stale:
        sys.stdout.write(f"{'differs' if '--check' in arguments else 'written'}: {path.name}\n")
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
