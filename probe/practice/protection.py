"""The practice lineup's protection: the study that its engineers made, and the settings that follow from it.

One table gives both the study file and what the healthy devices show, so that they agree by construction; a
fault changes what a device shows, never the study. The numbers coordinate: each breaker clears before the one
that feeds it may trip, up to the fault current of the bus.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from probe.practice.part import Part
from probe.practice.roster import FREQUENCY_HZ, LINEUP, SITE, Entry

#: Available fault current at the main buses, kiloamperes (invented, of a usual size for such transformers).
FAULT_CURRENT_KA = 42
STUDY_NAME = "study.yaml"


class Protection(NamedTuple):
    """One breaker's settings, amperes and seconds. inst_a: 0 for off; fast_a: of maintenance mode."""

    sensor_a: int
    long_a: int
    long_s: float
    short_a: int
    short_s: float
    inst_a: int
    ground_a: int
    ground_s: float
    fast_a: int

    @property
    def flags(self) -> int:
        """Functions in force as the second generation shows them: short-time, instantaneous, ground."""
        return 0x0001 | (0x0002 if self.inst_a else 0) | 0x0004


_MAIN = Protection(2500, 2250, 12.0, 9000, 0.3, 0, 1000, 0.4, 6250)
_TIE = Protection(2500, 1800, 10.0, 7200, 0.2, 0, 600, 0.25, 6250)


def protection_of(entry: Entry) -> Protection | None:
    """The breaker's settings; None for what is no breaker."""
    if not entry.breaker:
        return None
    if not entry.fed_from:
        return _TIE if entry.tag == "52-T" else _MAIN
    sensor_a = entry.sensor_a
    if entry.profile == "trip-unit-second":
        long_a = sensor_a * 9 // 10
        fast_a = sensor_a * 5 // 2
        return Protection(sensor_a, long_a, 6.0, 5 * long_a, 0.1, 8 * sensor_a, sensor_a // 4, 0.1, fast_a)
    long_a = sensor_a * 8 // 10
    return Protection(sensor_a, long_a, 6.0, 6 * long_a, 0.1, 8 * sensor_a, sensor_a * 3 // 10, 0.1, 0)


def shown_setting(entry: Entry, name: str) -> float | None:
    """What a healthy device shows at a point of a setting: amperes, seconds or flags; None elsewhere."""
    settings = protection_of(entry)
    if settings is None:
        return None
    if name == "maintenance_inst":
        return settings.fast_a
    values = {
        "ltpu": settings.long_a, "ltd": settings.long_s, "stpu": settings.short_a, "std": settings.short_s,
        "inst": settings.inst_a or 8 * settings.sensor_a, "gfpu": settings.ground_a,
        "gfd": settings.ground_s, "flags": settings.flags,
    }  # fmt: skip
    return values.get(name.rpartition("_")[2]) if name.startswith("group_") else None


#: Head of the study's file.
_HEAD = f"""\
# Settings that the coordination study of the practice lineup asks for. Everything in it is invented: no
# setting here is good for any real breaker. Changes of protective settings belong to licensed engineers.
format: buswitness-study/1
site: {SITE}
lineup: {LINEUP}
title: Protective device coordination study
reference: TH-CS-014
author: Protection engineering
revision: C
date: 2026-02-11
tolerances: {{pickup_percent: 5, delay_percent: 5}}
devices:
"""


def study_text(parts: Sequence[Part]) -> str:
    """The study of these devices as drawn."""
    told = ((part.entry, protection_of(part.entry)) for part in parts)
    return _HEAD + "".join(_entry(entry, settings) for entry, settings in told if settings is not None)


def _entry(entry: Entry, settings: Protection) -> str:
    is_second = entry.profile == "trip-unit-second"
    long_base = settings.long_a / settings.sensor_a
    inst = "{enabled: off}"
    if settings.inst_a:
        inst = f"{{pickup: {_plain(settings.inst_a / settings.sensor_a)} x plug}}"
    long_time = f"pickup: {_plain(long_base)} x plug, delay: {_plain(settings.long_s)} s at 6 x pickup"
    short_base, cycles = settings.short_a / settings.long_a, settings.short_s * FREQUENCY_HZ
    short_time = f"pickup: {_plain(short_base)} x pickup, delay: {_plain(cycles)} cycles"
    ground = f"pickup: {settings.ground_a} A, delay: {_plain(settings.ground_s)} s"
    lines = [
        f"  - tag: {entry.tag}",
        f"    sensor: {settings.sensor_a} A",
        f"    plug: {settings.sensor_a} A",
        "    normal:",
        f"      long_time: {{{long_time}, curve: i2t}}",
        f"      short_time: {{{short_time}, curve: flat}}",
        f"      instantaneous: {inst}",
        f"      ground: {{{ground}, curve: flat}}",
    ]
    if is_second:
        lines += ["    alternate:", "      like: normal"]
        lines += ["    maintenance:", f"      instantaneous: {{pickup: {settings.fast_a} A}}"]
    return "\n".join(lines) + "\n"


def _plain(number: float) -> str:
    return f"{number:.6g}"
