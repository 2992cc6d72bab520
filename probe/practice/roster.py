"""The practice lineup as drawn: "MSB-1" of the "Tarn Hollow Water Works", invented for this program.

    MC-1  SW-1  SW-2  UPS-1                     control section
    52-M1 ── bus 1 ── F1 F2 F3 F4 F5 F6    52-T    F7 F8 F9 F10 F11 F12 ── bus 2 ── 52-M2
    GW-1: units of F3-F6 and a meter               GW-2: units of F9-F12 and a meter

480Y/277 V, 60 Hz, main-tie-main, tie open. Every entry says what the drawing says; the map (``map_text``)
and the servers are both made from it, so that a healthy lineup is right by construction.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.model.device_map import Kind
from probe.practice.physics import Load, Plant, Source, sources
from probe.practice.wander import wander

SITE = "Tarn Hollow Water Works"
LINEUP = "MSB-1"
VOLTAGE_V = 480.0
FREQUENCY_HZ = 60.0
ZONE = "America/Denver"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One device as drawn.

    via and unit: the gateway behind which it sits. circuit: whose currents it measures ("" if none).
    breaker, position: how it stands ("" if it is no breaker).
    """

    tag: str
    kind: Kind
    profile: str
    section: str
    cubicle: str
    description: str
    serial: str
    via: str = ""
    unit: int = 255
    circuit: str = ""
    fed_from: str = ""
    breaker: str = ""
    frame_a: int = 0
    sensor_a: int = 0


# tag, cubicle, description, profile, gateway, unit, frame A, sensor A, closed
_BREAKERS = (
    ("52-M1", "1A", "Main 1 from transformer T1", "trip-unit-second", "", 255, 2500, 2500, True),
    ("52-F1", "2A", "Raw water pump 1", "trip-unit-second", "", 255, 800, 600, True),
    ("52-F2", "2B", "Raw water pump 2", "trip-unit-second", "", 255, 800, 600, True),
    ("52-F3", "2C", "Blower 1", "trip-unit-first", "GW-1", 3, 800, 400, True),
    ("52-F4", "3A", "Filter building", "trip-unit-first", "GW-1", 4, 800, 400, True),
    ("52-F5", "3B", "Chemical building", "trip-unit-first", "GW-1", 5, 800, 250, True),
    ("52-F6", "3C", "Spare", "trip-unit-first", "GW-1", 6, 800, 250, False),
    ("52-T", "4A", "Tie between bus 1 and bus 2", "trip-unit-second", "", 255, 2500, 2500, False),
    ("52-F7", "5A", "High service pump 1", "trip-unit-second", "", 255, 800, 600, True),
    ("52-F8", "5B", "High service pump 2", "trip-unit-second", "", 255, 800, 600, True),
    ("52-F9", "5C", "Blower 2", "trip-unit-first", "GW-2", 9, 800, 400, True),
    ("52-F10", "6A", "Offices and lighting", "trip-unit-first", "GW-2", 10, 800, 250, True),
    ("52-F11", "6B", "Ultraviolet disinfection", "trip-unit-first", "GW-2", 11, 800, 250, True),
    ("52-F12", "6C", "Workshop", "trip-unit-first", "GW-2", 12, 800, 250, True),
    ("52-M2", "7A", "Main 2 from transformer T2", "trip-unit-second", "", 255, 2500, 2500, True),
)

# tag, section, cubicle, description, profile, gateway, unit, circuit, CT primary A
_METERS = (
    ("MTR-M1", "1B", "Meter of main 1", "meter-float", "", 255, "52-M1", 2500),
    ("MTR-F4", "3A", "Meter of the filter building", "meter-integer", "GW-1", 21, "52-F4", 400),
    ("MTR-F7", "5A", "Meter of high service pump 1", "meter-integer", "", 255, "52-F7", 600),
    ("MTR-F10", "6A", "Meter of the offices", "meter-integer", "GW-2", 22, "52-F10", 250),
    ("MTR-F11", "6B", "Meter of the disinfection", "sunspec-203", "", 255, "52-F11", 250),
    ("MTR-M2", "7B", "Meter of main 2", "meter-float", "", 255, "52-M2", 2500),
)

# tag, kind, cubicle, description, profile
_CONTROL = (
    ("MC-1", Kind.MASTER, "4B", "Master controller with the reference clock", "master-controller"),
    ("SW-1", Kind.SWITCH, "4C", "Network switch of sections 1 to 4", "managed-switch"),
    ("SW-2", Kind.SWITCH, "4C", "Network switch of sections 4 to 7", "managed-switch"),
    ("UPS-1", Kind.UPS, "4D", "Control power supply", "small-ups"),
    ("GW-1", Kind.GATEWAY, "3D", "Serial gateway of sections 2 and 3", "serial-gateway"),
    ("GW-2", Kind.GATEWAY, "6D", "Serial gateway of sections 5 and 6", "serial-gateway"),
)

_SECTION_NAMES = {
    "1": "1 Incoming 1",
    "2": "2 Feeders 1-3",
    "3": "3 Feeders 4-6",
    "4": "4 Tie and control",
    "5": "5 Feeders 7-9",
    "6": "6 Feeders 10-12",
    "7": "7 Incoming 2",
}

# bus, W, power factor, share of each phase, harmonic current as a fraction, swing
_LOADS: dict[str, tuple[int, float, float, tuple[float, float, float], float, float]] = {
    "52-F1": (1, 215_000, 0.87, (0.334, 0.332, 0.334), 0.02, 0.030),
    "52-F2": (1, 208_000, 0.86, (0.332, 0.334, 0.334), 0.02, 0.030),
    "52-F3": (1, 160_000, 0.85, (0.333, 0.334, 0.333), 0.04, 0.035),
    "52-F4": (1, 120_000, 0.82, (0.338, 0.331, 0.331), 0.05, 0.060),
    "52-F5": (1, 60_000, 0.92, (0.345, 0.325, 0.330), 0.06, 0.060),
    "52-F6": (1, 1_000, 0.90, (1 / 3, 1 / 3, 1 / 3), 0.02, 0.030),
    "52-F7": (2, 260_000, 0.88, (0.333, 0.333, 0.334), 0.02, 0.030),
    "52-F8": (2, 255_000, 0.88, (0.334, 0.333, 0.333), 0.02, 0.030),
    "52-F9": (2, 158_000, 0.85, (0.333, 0.332, 0.335), 0.04, 0.035),
    "52-F10": (2, 48_000, 0.95, (0.355, 0.315, 0.330), 0.12, 0.080),
    "52-F11": (2, 90_000, 0.97, (0.333, 0.334, 0.333), 0.12, 0.040),
    "52-F12": (2, 35_000, 0.80, (0.350, 0.330, 0.320), 0.05, 0.090),
}


def roster() -> dict[str, Entry]:
    """All devices as drawn, by tag, section after section."""
    entries = [*_breakers(), *_meters(), *_control()]
    return {entry.tag: entry for entry in sorted(entries, key=lambda e: e.cubicle)}


def plant(seed: str, closed: dict[str, bool]) -> Plant:
    """The power side of the lineup. closed: for every breaker whether it is closed and connected."""
    loads = {tag: _load(seed, tag) for tag in _LOADS}
    supplies: tuple[Source, Source] = sources(seed)
    hunting = wander(f"{seed}/frequency", 0.02)
    return Plant(VOLTAGE_V, FREQUENCY_HZ, supplies, loads, closed, hunting)


def _load(seed: str, tag: str) -> Load:
    bus, active_w, power_factor, split, distortion, swing = _LOADS[tag]
    return Load(bus, active_w, power_factor, split, distortion, wander(f"{seed}/load {tag}", swing))


def _breakers() -> list[Entry]:
    return [
        Entry(
            tag=tag,
            kind=Kind.TRIP_UNIT,
            profile=profile,
            section=_SECTION_NAMES[cubicle[0]],
            cubicle=cubicle,
            description=text,
            serial=_serial(profile, number),
            via=via,
            unit=unit,
            circuit=tag,
            fed_from=_fed_from(tag),
            breaker="closed" if closed else "open",
            frame_a=frame,
            sensor_a=sensor,
        )
        for number, (tag, cubicle, text, profile, via, unit, frame, sensor, closed) in enumerate(_BREAKERS)
    ]


def _meters() -> list[Entry]:
    return [
        Entry(
            tag=tag,
            kind=Kind.METER,
            profile=profile,
            section=_SECTION_NAMES[cubicle[0]],
            cubicle=cubicle,
            description=text,
            serial=_serial(profile, number),
            via=via,
            unit=unit,
            circuit=circuit,
            fed_from=circuit,
            sensor_a=primary,
        )
        for number, (tag, cubicle, text, profile, via, unit, circuit, primary) in enumerate(_METERS)
    ]


def _control() -> list[Entry]:
    return [
        Entry(
            tag=tag,
            kind=kind,
            profile=profile,
            section=_SECTION_NAMES[cubicle[0]],
            cubicle=cubicle,
            description=text,
            serial=_serial(profile, number),
        )
        for number, (tag, kind, cubicle, text, profile) in enumerate(_CONTROL)
    ]


def _fed_from(tag: str) -> str:
    """The main that feeds a feeder as drawn; mains and tie have none on this drawing."""
    return f"52-M{_LOADS[tag][0]}" if tag in _LOADS else ""


def _serial(profile: str, number: int) -> str:
    """A serial number, the same for ever: letters of the type, year and week, running number."""
    letters = "".join(word[0] for word in profile.split("-")).upper()[:2]
    return f"{letters}24{10 + number * 3 % 40:02d}-{10417 + 131 * number + 7 * len(profile):05d}"
