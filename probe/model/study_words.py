"""Words that engineers put above the columns of a settings table, and into its cells."""

from __future__ import annotations

import re
from collections.abc import Mapping

from probe.model.schedule_words import plain_words

#: Field to headings, capitals, brackets and signs aside.
HEADINGS: Mapping[str, tuple[str, ...]] = {
    "tag": (
        "tag", "device", "device tag", "breaker", "breaker tag", "equipment", "designation", "device id",
    ),
    "group": ("group", "setting group", "settings group", "setting set", "mode", "set"),
    "sensor": ("sensor", "sensor rating", "sensor size", "ct rating"),
    "plug": ("plug", "rating plug", "plug rating"),
    "ltpu": ("ltpu", "lt pu", "lt pickup", "long time pickup", "long time pick up", "ir", "long time"),
    "ltd": ("ltd", "lt delay", "long time delay", "tr"),
    "lt_curve": ("lt curve", "long time curve", "lt shape", "curve"),
    "stpu": ("stpu", "st pu", "st pickup", "short time pickup", "short time pick up", "isd", "short time"),
    "std": ("std", "st delay", "short time delay", "tsd"),
    "st_curve": ("st curve", "st i2t", "short time i2t", "short time curve", "st shape", "std i2t"),
    "inst": ("inst", "instantaneous", "inst pickup", "instantaneous pickup", "ii"),
    "gfpu": (
        "gfpu", "gf pu", "gf pickup", "ground fault pickup", "ground pickup", "ground fault pick up", "ig",
    ),
    "gfd": ("gfd", "gf delay", "ground fault delay", "ground delay", "tg"),
    "gf_curve": ("gf curve", "gf i2t", "ground fault i2t", "ground i2t", "ground fault curve", "gfd i2t"),
    "maintenance_inst": (
        "maintenance pickup", "maintenance inst", "maintenance instantaneous", "maintenance mode pickup",
        "erms pickup", "maintenance switch pickup", "arc flash reduction pickup",
    ),
}  # fmt: skip

#: Facts of the study above the table.
FACTS: Mapping[str, tuple[str, ...]] = {
    "site": ("site", "plant", "location", "facility"),
    "lineup": ("lineup", "line up", "switchgear", "switchboard", "board", "equipment lineup"),
    "reference": (
        "reference",
        "study reference",
        "document",
        "document no",
        "document number",
        "project no",
        "ref",
    ),
    "revision": ("revision", "rev", "issue"),
    "date": ("date", "study date", "issued", "date of issue"),
    "author": ("author", "prepared by", "engineer", "by"),
    "title": ("title", "study", "subject"),
}

GROUPS: Mapping[str, str] = {
    **dict.fromkeys(("normal", "norm", "n", "a", "group a", "1", "group 1", "main"), "normal"),
    **dict.fromkeys(("alternate", "alt", "b", "group b", "2", "group 2", "second"), "alternate"),
    **dict.fromkeys(
        ("maintenance", "maint", "m", "maintenance mode", "erms", "arc flash reduction"), "maintenance"
    ),
}
CURVES: Mapping[str, str] = {
    **dict.fromkeys(("i2t", "i2t on", "i2t in", "on", "in", "yes"), "i2t"),
    **dict.fromkeys(
        ("flat", "fixed", "definite", "definite time", "i2t off", "i2t out", "off", "out", "no"), "flat"
    ),
}
OFF = frozenset({"off", "out", "disabled", "none", "not used", "inhibited"})

#: What a bracket behind a heading says of the column's unit: our word, or "?" where it can mean two things.
UNITS: Mapping[str, str] = {
    **dict.fromkeys(("a", "amps", "amp", "amperes"), "A"),
    "ka": "kA",
    **dict.fromkeys(("x sensor", "xsensor", "sensor", "multiple of sensor"), "x sensor"),
    **dict.fromkeys(("x plug", "xplug", "plug", "x rating plug", "multiple of plug"), "x plug"),
    **dict.fromkeys(
        ("x ir", "xir", "x pickup", "x ltpu", "xltpu", "x long time pickup", "multiple of ltpu"), "x pickup"
    ),
    **dict.fromkeys(("x in", "xin", "in", "x", "multiple", "pu", "p u"), "?"),
    **dict.fromkeys(("s", "sec", "secs", "seconds"), "s"),
    "ms": "ms",
    **dict.fromkeys(("cycles", "cyc", "cycle"), "cycles"),
}

_HEADING_OF = {word: field for field, words in HEADINGS.items() for word in reversed(words)}
_FACT_OF = {word: fact for fact, words in FACTS.items() for word in words}


def heading_of(text: str) -> str | None:
    """The field that a heading means; None for a foreign one."""
    return _HEADING_OF.get(plain_words(text.replace("²", "2").replace("^2", "2")))


def fact_of(text: str) -> str | None:
    """The fact that a label above the table names."""
    return _FACT_OF.get(plain_words(text))


def unit_of(heading: str) -> tuple[str, str]:
    """Unit in the brackets of a heading ("" none, "?" doubtful), and the current at which a delay counts."""
    inside = re.search(r"[(\[]([^)\]]*)[)\]]", heading)
    if inside is None:
        return "", ""
    text = inside.group(1).lower().replace("×", "x").strip()
    unit, at = re.fullmatch(r"(.*?)(?:\s*(?:@|at)\s*(.*))?", text).groups()  # type: ignore[union-attr] # matches all
    return UNITS.get(plain_words(unit), ""), _at(at or "")


def _at(text: str) -> str:
    """``6 x ir`` to ``6 x pickup``; "" for none, "?" for a multiple that does not say of what."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*x?\s*(.*)", text.strip())
    if match is None:
        return "?" if text.strip() else ""
    base = UNITS.get(f"x {plain_words(match.group(2))}".strip(), "?")
    return f"{match.group(1)} {base}" if base.startswith("x ") else "?"


def group_of(text: str) -> str | None:
    """The group of settings that a cell names."""
    return GROUPS.get(plain_words(text))


def curve_of(text: str) -> str | None:
    """The shape that a cell names: ours, or as engineers write it."""
    from probe.model.protection import SHAPES

    words = plain_words(text.replace("²", "2").replace("^2", "2"))
    return words.replace(" ", "_") if words.replace(" ", "_") in SHAPES else CURVES.get(words)
