"""What switches, gateways, the control power supply and the master controller show, by their points' names.

One table for each kind of device. A value is a constant, or made from the part and the moment. Points that
stand in no table get what ``show`` gives to any point.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from probe.model.device_map import Kind
from probe.model.profile import Point
from probe.model.reading import Value
from probe.practice.clockwork import Moment
from probe.practice.part import Part

Made = Callable[[Part, Moment], Value]


def ancillary_value(part: Part, point: Point, moment: Moment) -> Value | None:
    """What the kind of device shows at a point of this name; None if its table has nothing."""
    name = point.name
    if name.startswith("port_"):
        _, number, field = name.split("_", 2)
        return _port(int(number), field)
    value = _TABLES.get(part.entry.kind, {}).get(name)
    return value(part, moment) if callable(value) else value


def _counting(start: int, each_s: float) -> Made:
    """A counter that stood at ``start`` when the lineup started and counts so many a second."""

    def made(_part: Part, moment: Moment) -> Value:
        return start + int(moment.since_s * each_s)

    return made


def _power(on_mains: float, on_battery: float, slow: float = 0.0) -> Made:
    """A value of the control power supply: from the mains, or from the battery; ``slow``: change a minute."""

    def made(part: Part, moment: Moment) -> Value:
        if not part.on_battery:
            return on_mains
        return on_battery + slow * moment.since_s / 60

    return made


def _mains(part: Part, moment: Moment) -> Value:
    """Fed from a phase of bus 1, 277 V."""
    return 0.0 if part.on_battery else 277.9 + 0.4 * math.sin(moment.since_s / 5)


def _mains_frequency(part: Part, moment: Moment) -> Value:
    return 0.0 if part.on_battery else 60.0 + 0.01 * math.sin(moment.since_s / 9)


def _port(number: int, field: str) -> Value:
    """A port of a switch: six in use, the last two empty; 1 and 2 are the ring."""
    used = number <= 6
    return {
        "link": int(used),
        "speed": (1000 if number <= 2 else 100) if used else 0,
        "duplex": 2 if used else 0,
        "errors": 0,
        "discards": 0,
    }[field]


_TABLES: Mapping[Kind, Mapping[str, Value | Made]] = {
    Kind.SWITCH: {
        "supply_1": 1,
        "supply_2": 1,
        "ring_state": 1,
        "frames_in": _counting(18_204_331, 260),
    },
    Kind.GATEWAY: {
        "baud": 1,
        "parity": 2,
        "unit_timeout": 300,
        "serial_requests": _counting(402_113, 4),
        "serial_answers": _counting(402_106, 4),
        "serial_timeouts": 7,
        "serial_bad_frames": 0,
        "open_sockets": 2,
    },
    Kind.UPS: {
        "on_battery": lambda part, moment: part.on_battery,
        "input_voltage": _mains,
        "input_frequency": _mains_frequency,
        "output_voltage": _power(24.1, 23.7),
        "output_current": 6.2,
        "battery_voltage": _power(27.3, 24.6, -0.02),
        "battery_current": _power(0.12, -6.6),
        "battery_charge": _power(100, 91, -0.9),
        "battery_runtime": _power(95, 84, -1),
        "battery_date": 202_503,
        "battery_test": 1,
        "load": 26,
    },
    Kind.MASTER: {
        "clock_sync": 1,
        "clock_source": 1,
        "devices_known": 26,
        "devices_answering": 26,
        "poll_cycle": 1000,
    },
    Kind.METER: {"ct_secondary": 5, "options": "three-phase", "device_address": 1},
}
