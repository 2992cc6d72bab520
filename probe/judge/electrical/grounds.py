"""On what grounds an electrical check may speak of a device: it has the points, voltage, and enough load."""

from __future__ import annotations

from collections.abc import Callable

from probe.judge.by_profile import make_room
from probe.judge.check import Subject
from probe.judge.context import DeviceContext
from probe.judge.electrical.quantities import Key
from probe.judge.electrical.snapshot import Frame, Snapshot
from probe.judge.electrical.taking import keys_of, loaded
from probe.judge.supply import is_dead
from probe.judge.wording import AT_THE_GEAR
from probe.model.profile import Profile

#: Stands in every advice that may lead somebody to a current transformer.
CT_CAUTION = (
    "Never open a current transformer's circuit under load: its open terminals carry a voltage that kills. "
    f"Short it at the test block first; that is work for a qualified person. {AT_THE_GEAR}"
)
DEAD = "the circuit is dead, so there is nothing to compare"

_UNLOADED_BREAKER = ("open", "tripped")
_UNLOADED_POSITION = ("test", "withdrawn")


def has(*wanted: tuple[Key, ...]) -> Callable[[Subject], bool]:
    """True for a device whose profile has all keys of one of the groups, on a circuit not drawn as dead."""
    groups = tuple(frozenset(group) for group in wanted)
    answers: dict[int, tuple[Profile, bool]] = {}  # asked for every device, and most share a profile

    def applies(subject: Subject) -> bool:
        known = answers.get(id(subject.profile))
        if known is None or known[0] is not subject.profile:
            make_room(answers)
            keys = keys_of(subject.profile)
            known = answers[id(subject.profile)] = subject.profile, any(group <= keys for group in groups)
        return known[1] and subject.device.state.energized is not False

    return applies


def has_under_load(*wanted: tuple[Key, ...]) -> Callable[[Subject], bool]:
    """The same, but not where the map says that no current can flow."""
    on_circuit = has(*wanted)

    def applies(subject: Subject) -> bool:
        return on_circuit(subject) and may_carry(subject)

    return applies


def is_single(subject: Subject) -> bool:
    """True in a system of one phase."""
    return subject.lineup.map.system.wiring == "single"


def also_single(
    applies: Callable[[Subject], bool], single: Callable[[Subject], bool]
) -> Callable[[Subject], bool]:
    """What applies as a rule, or in a system of one phase."""
    return lambda subject: applies(subject) or (is_single(subject) and single(subject))


def may_carry(subject: Subject) -> bool:
    """False where the map says that the device's breaker is open or not connected.

    An instrument on a breaker's circuit carries what the breaker does.
    """
    feed = subject.device.measures or (subject.device.fed_from if subject.device.kind == "meter" else None)
    other = subject.lineup.map.by_tag.get(feed or "")
    return all(
        state.breaker not in _UNLOADED_BREAKER and state.position not in _UNLOADED_POSITION
        for state in (subject.device.state, *([other.state] if other else []))
    )


def live(context: DeviceContext) -> tuple[Snapshot | None, str]:
    """The snapshot to judge voltages by, or why there is none to judge."""
    taken = loaded(context)
    if taken is None:
        return None, ""
    return (None, DEAD) if is_dead(context) else (taken, "")


def under_load(context: DeviceContext) -> tuple[Snapshot | None, str]:
    """The snapshot to judge currents and powers by, or why there is none to judge."""
    taken, why = live(context)
    if taken is None or taken.is_loaded:
        return taken, why
    return None, no_load(taken)


def no_load(taken: Snapshot) -> str:
    """Why currents and powers cannot be judged, and the load that it would take."""
    current = taken.current_a
    if current is None:
        return "the device shows no current, so that its load is not known"
    return f"{current:.1f} A flow, and this takes {least(taken.frame)}"


def least(frame: Frame) -> str:
    """The least load in words."""
    if not frame.rating_a:
        return f"at least {frame.least_a:.0f} A (no rating is known)"
    percent = frame.accuracy.minimum_load_percent
    return f"at least {frame.least_a:.0f} A ({percent:g} % of {frame.rating_a:.0f} A, {frame.rating_from})"
