"""Acts: what people do at the gear in a witness step, and the cautions that stand before each.

The tool operates nothing. An act names what a person will do, so that nobody is asked to do it without the
dangers of it having been read and acknowledged. A procedure may add cautions, never take these away.

Cautions are common practice, no source; site procedures, lockout and local codes go before all of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """Something to be acknowledged before an act. id: stands in the record."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """words: what a person does, for the screen. cautions: ids, see ``CAUTIONS``. operates: gear is moved."""

    words: str
    cautions: tuple[str, ...]
    operates: bool = True


#: Before anything else, once a procedure.
GENERAL = Caution(
    id="general",
    text="This tool only watches; it replaces no procedure. Follow the site's switching and lockout "
    "procedures and the local codes. Only persons qualified for this gear act, in the protective equipment "
    "that its label asks for. Stop at anything unexpected.",
)

_TEXTS = {
    "energized": "Parts inside are energized, also with doors closed and breakers open. Open no door and "
    "reach into no cubicle unless it has been proven dead and is locked out.",
    "arc_flash": "Arc flash: keep everybody outside the boundary on the label who is not needed. Stand "
    "beside the door, not in front of it; operate from a distance where the gear allows.",
    "load": "What this breaker feeds will lose power. Make sure that the plant is ready for that, and that "
    "whoever runs it has agreed.",
    "energize": "What this breaker feeds will become live. Make sure that nobody works on it and that locks "
    "and grounds are removed by those who set them.",
    "parallel": "Closing a main or a tie may connect two sources. Make sure that this is allowed now, "
    "and that interlocks are in service.",
    "stored": "Stored energy: springs are charged. Keep hands and tools away from the mechanism.",
    "racking": "Move the breaker only when it is open. Moving it in or out under load makes an arc.",
    "current_transformer": "Never open the secondary of a current transformer that carries current: it makes "
    "thousands of volts. Short it first.",
    "injection": "Test currents and voltages may kill and may trip other breakers. Fence the test off; make "
    "sure that only this breaker can act on it.",
    "protection_changed": "The protection behaves otherwise from now on. Tell whoever runs the plant; set it "
    "back when the step is over.",
    "control_power": "Control power is interrupted: protection, interlocks and remote control may stop. Make "
    "sure that the plant can run or stand still safely without them.",
    "battery": "Batteries stay live. Do not discharge them further than their maker allows; make sure that "
    "the load may fail at the end.",
    "blind": "Remote supervision is lost meanwhile. Somebody at the gear must be able to trip it by hand.",
    "master": "A command from the master may reach the wrong breaker. Somebody at the gear watches which one "
    "moves.",
    "data": "Setting a clock or an account changes the device. Write down what it was before.",
}

CAUTIONS: Mapping[str, Caution] = {id_: Caution(id=id_, text=text) for id_, text in _TEXTS.items()}

ACTS: Mapping[str, Act] = {
    "open": Act(words="open", cautions=("arc_flash", "stored", "load")),
    "close": Act(words="close", cautions=("arc_flash", "stored", "energize", "parallel")),
    "open_remote": Act(words="open from the master", cautions=("master", "arc_flash", "load")),
    "close_remote": Act(
        words="close from the master", cautions=("master", "arc_flash", "energize", "parallel")
    ),
    "trip": Act(words="trip", cautions=("injection", "current_transformer", "arc_flash", "load")),
    "reset": Act(words="reset", cautions=("arc_flash", "stored")),
    "rack_to_connected": Act(words="move to connected", cautions=("arc_flash", "racking", "stored")),
    "rack_to_test": Act(words="move to test", cautions=("arc_flash", "racking", "stored", "load")),
    "rack_to_withdrawn": Act(words="move to withdrawn", cautions=("arc_flash", "racking", "stored", "load")),
    "raise_alarm": Act(words="raise an alarm", cautions=("injection", "current_transformer")),
    "clear_alarm": Act(words="clear the alarm", cautions=("energized",)),
    "maintenance_on": Act(words="switch maintenance mode on", cautions=("protection_changed",)),
    "maintenance_off": Act(words="switch maintenance mode off", cautions=("protection_changed",)),
    "interrupt_device": Act(words="unplug its communication", cautions=("energized", "blind")),
    "restore_device": Act(words="plug its communication in", cautions=("energized",)),
    "interrupt_bus": Act(words="interrupt a bus", cautions=("energized", "blind")),
    "restore_bus": Act(words="restore the bus", cautions=("energized",)),
    "to_battery": Act(words="take the supply away", cautions=("energized", "control_power", "battery")),
    "from_battery": Act(words="give the supply back", cautions=("energized",)),
    "interrupt_link": Act(words="unplug a link", cautions=("energized", "blind")),
    "restore_link": Act(words="plug the link in", cautions=("energized",)),
    "power_off": Act(
        words="switch the control power of the lineup off",
        cautions=("energized", "control_power", "battery", "blind"),
    ),
    "power_on": Act(
        words="switch the control power of the lineup on", cautions=("energized", "control_power")
    ),
    "set_clock": Act(words="set the clock from the master", cautions=("data",)),
    "change_accounts": Act(words="change accounts and passwords", cautions=("data",), operates=False),
    "look": Act(words="look", cautions=(), operates=False),
}
