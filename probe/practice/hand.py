"""Hands at the practice lineup: somebody who opens, trips, racks, unplugs; the gear behaves as gear does.

Each act changes the parts that the servers show, writes the device's own event log, counts, and lets the
master controller tell what it sees. Used by the scripted operator of ``demo --witness`` and by tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from probe.model.device_map import Kind
from probe.practice.clockwork import Moment
from probe.practice.part import Logged, Part, Stage
from probe.practice.physics import Plant
from probe.practice.server import Host

OPENED, CLOSED, TRIPPED, MOVED = "opened", "closed", "tripped", "position changed"


@dataclass(slots=True, kw_only=True)
class Hand:
    """One pair of hands. stage, plant, hosts: of the practice lineup. now: its time."""

    stage: Stage
    plant: Plant
    hosts: Mapping[str, Host]
    now: Callable[[], Moment]

    def do(self, act: str, tag: str) -> None:
        """Carry out an act of ``model.acts`` at a device, a bus (``bus A``) or the lineup (empty).

        Raises KeyError for an act that no hand of the practice lineup can do.
        """
        _ACTS[act](self, tag)
        self._master_looks()

    # -- breakers ------------------------------------------------------------------------------------------

    def breaker(self, tag: str, state: str) -> None:
        """The breaker goes to a state; what it feeds follows."""
        part = self.stage.parts[tag]
        if part.breaker == state:
            return
        part.breaker = state
        part.count("operation_counter")
        self._log(part, {"open": OPENED, "closed": CLOSED, "tripped": TRIPPED}[state])
        self._feed(part)

    def trip(self, tag: str) -> None:
        """The breaker trips, with its cause."""
        part = self.stage.parts[tag]
        self.breaker(tag, "tripped")
        part.count("trip_counter")
        part.alarms.add("trip_instantaneous")

    def reset(self, tag: str) -> None:
        """The trip is reset: the breaker stands open."""
        part = self.stage.parts[tag]
        part.alarms -= {name for name in part.alarms if name.startswith("trip_")}
        if part.breaker == "tripped":
            part.breaker = "open"
            self._log(part, OPENED)

    def position(self, tag: str, place: str) -> None:
        """The breaker is moved in its cradle."""
        part = self.stage.parts[tag]
        if part.position != place:
            part.position = place
            self._log(part, MOVED)
            self._feed(part)

    def _feed(self, part: Part) -> None:
        closed: Any = self.plant.closed  # a dict, made by ``plant_of``
        closed[part.entry.tag] = part.breaker == "closed" and part.position == "connected"

    # -- modes, alarms, clocks -----------------------------------------------------------------------------

    def maintenance(self, tag: str, mode: str) -> None:
        """The maintenance switch is turned."""
        part = self.stage.parts[tag]
        if part.maintenance != mode:
            part.maintenance = mode
            self._log(part, f"maintenance mode {mode}")

    def alarm(self, tag: str, *, on: bool) -> None:
        """An alarm comes or goes."""
        part = self.stage.parts[tag]
        names = [rule.name for rule in part.profile.alarms if rule.severity == "alarm"]
        if on:
            part.alarms.add(names[0])
        else:
            part.alarms.difference_update(names)
        self._log(part, "alarm present" if on else "alarm gone")

    def clock(self, tag: str) -> None:
        """The clock is set: wrong if it was right, right if it was wrong."""
        part = self.stage.parts[tag]
        part.set_clock(offset_s=0.0 if abs(part.clock.offset_s) > 60 else 600.0)
        self._log(part, "clock set")

    # -- communication and supplies ------------------------------------------------------------------------

    def silent(self, tag: str, *, silent: bool) -> None:
        """The device's communication is unplugged, or plugged in."""
        for unit in self._units(tag):
            unit.manner = replace(unit.manner, silent=silent, dead=silent)

    def _units(self, tag: str) -> list[Any]:
        hosts = self.hosts.values()
        found = [host.own for host in hosts if host.own.tag == tag]
        return found + [unit for host in hosts for unit in host.units.values() if unit.tag == tag]

    def bus(self, name: str, *, down: bool) -> None:
        """A communication bus is interrupted: every device tells it, none is lost."""
        letter = name.removeprefix("bus ").lower()
        for part in self.stage.parts.values():
            if part.entry.kind is Kind.TRIP_UNIT:
                (part.buses_down.add if down else part.buses_down.discard)(letter)

    def battery(self, tag: str, *, on: bool) -> None:
        """The supply of the control power is taken away or given back."""
        part = self.stage.parts[tag]
        part.on_battery = on
        (part.alarms.add if on else part.alarms.discard)("alarm_on_battery")

    def link(self, tag: str, *, lost: bool) -> None:
        """A link of the ring is unplugged: the switch tells that the ring is open."""
        self.stage.parts[tag].shows["ring_state"] = 2 if lost else 1

    def power(self, *, on: bool) -> None:
        """The control power of the whole lineup."""
        for tag in self.stage.parts:
            self.silent(tag, silent=not on)

    # -- what follows --------------------------------------------------------------------------------------

    def _log(self, part: Part, what: str) -> None:
        """One more entry in the device's own log, stamped by its own clock."""
        moment = self.now()
        shown_s = part.clock.shows(moment.truth_s, moment.truth_s - moment.since_s)
        part.count("event_counter")
        part.events.append(Logged(len(part.events) + 1, what, shown_s))

    def _master_looks(self) -> None:
        """The master tells what it sees of the others, at once."""
        parts = self.stage.parts
        for part in parts.values():
            if part.entry.kind is not Kind.MASTER:
                continue
            others = [one for one in parts.values() if one is not part]
            lost = [tag for tag in parts for unit in self._units(tag) if unit.manner.silent]
            told = {
                "alarm_lineup_trip": any(n.startswith("trip_") for one in others for n in one.alarms),
                "alarm_lineup_alarm": any(n.startswith("alarm_") for one in others for n in one.alarms),
                "alarm_lineup_silent": bool(lost),
                "alarm_bus_a": any("a" in one.buses_down for one in others),
                "alarm_bus_b": any("b" in one.buses_down for one in others),
                "notice_maintenance": any(one.maintenance == "on" for one in others),
            }
            part.alarms |= {name for name, is_on in told.items() if is_on}
            part.alarms -= {name for name, is_on in told.items() if not is_on}


_ACTS: Mapping[str, Callable[[Hand, str], None]] = {
    "open": lambda hand, tag: hand.breaker(tag, "open"),
    "close": lambda hand, tag: hand.breaker(tag, "closed"),
    "open_remote": lambda hand, tag: hand.breaker(tag, "open"),
    "close_remote": lambda hand, tag: hand.breaker(tag, "closed"),
    "trip": lambda hand, tag: hand.trip(tag),
    "reset": lambda hand, tag: hand.reset(tag),
    "rack_to_test": lambda hand, tag: hand.position(tag, "test"),
    "rack_to_withdrawn": lambda hand, tag: hand.position(tag, "withdrawn"),
    "rack_to_connected": lambda hand, tag: hand.position(tag, "connected"),
    "maintenance_on": lambda hand, tag: hand.maintenance(tag, "on"),
    "maintenance_off": lambda hand, tag: hand.maintenance(tag, "off"),
    "raise_alarm": lambda hand, tag: hand.alarm(tag, on=True),
    "clear_alarm": lambda hand, tag: hand.alarm(tag, on=False),
    "set_clock": lambda hand, tag: hand.clock(tag),
    "interrupt_device": lambda hand, tag: hand.silent(tag, silent=True),
    "restore_device": lambda hand, tag: hand.silent(tag, silent=False),
    "interrupt_bus": lambda hand, tag: hand.bus(tag, down=True),
    "restore_bus": lambda hand, tag: hand.bus(tag, down=False),
    "to_battery": lambda hand, tag: hand.battery(tag, on=True),
    "from_battery": lambda hand, tag: hand.battery(tag, on=False),
    "interrupt_link": lambda hand, tag: hand.link(tag, lost=True),
    "restore_link": lambda hand, tag: hand.link(tag, lost=False),
    "power_off": lambda hand, tag: hand.power(on=False),
    "power_on": lambda hand, tag: hand.power(on=True),
    "change_accounts": lambda hand, tag: None,
    "look": lambda hand, tag: None,
}
