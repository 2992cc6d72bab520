"""All checks, in one explicit list: the order in which they are judged and shown in the manual."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from probe.judge.capture import file as captured_file
from probe.judge.capture import modbus as captured_modbus
from probe.judge.capture import network as captured_network
from probe.judge.capture.check import CaptureCheck
from probe.judge.check import Check, DeviceCheck, LineupCheck
from probe.judge.checklist import checks as checklist
from probe.judge.checks import (
    alarm,
    bus,
    clock,
    clock_order,
    clock_rate,
    clock_set,
    connection,
    desk,
    fresh,
    identity,
    lineup,
    motion,
    proof,
    rating,
    reach,
    reply,
    run,
    sanity,
    state,
    supply,
)
from probe.judge.diagnosis import same_unit, sound
from probe.judge.electrical import (
    alike,
    balance,
    currents,
    distortion,
    energy,
    factor,
    powers,
    totals,
    voltages,
)
from probe.judge.electrical import bus as buses
from probe.judge.network.agent_checks import AGENT_CHECKS, SUPPLY_CHECKS
from probe.judge.network.survey_checks import SURVEY_CHECKS
from probe.judge.settings import device_checks as settings
from probe.judge.settings.lineup_check import COORDINATION
from probe.judge.witness import checks as witness
from probe.model.errors import InputError, Problem

DEVICE_CHECKS: tuple[DeviceCheck, ...] = (
    reach.ANSWERS,
    connection.CHECK,
    reach.LOSS,
    reach.DELAY,
    reply.COMPLETE,
    reply.FIRST_TRY,
    reply.EXCEPTIONS,
    reply.FORM,
    identity.MAKER,
    identity.MODEL,
    identity.SERIAL,
    identity.STEADY,
    identity.FIRMWARE,
    identity.HARDWARE,
    proof.CHECK,
    fresh.DEVICE,
    fresh.POINT,
    motion.RESTART,
    motion.JUMP,
    sanity.AVAILABLE,
    sanity.RANGE,
    sanity.STATE,
    sanity.ORDER,
    clock.CHECK,
    clock_rate.DRIFT,
    clock_rate.SYNCHRONISED,
    clock_set.CHECK,
    state.POSITION,
    state.BREAKER,
    state.MAINTENANCE,
    state.COMMUNICATION,
    alarm.CHECK,
    supply.ENERGIZED,
    supply.VOLTAGE,
    supply.FREQUENCY,
    rating.CHECK,
    voltages.LINE_PHASE,
    voltages.UNBALANCE,
    voltages.SEQUENCE,
    distortion.CHECK,
    currents.RATING,
    currents.NEUTRAL,
    powers.DIRECTION,
    powers.POWER,
    powers.TRIANGLE,
    factor.CHECK,
    totals.CHECK,
    totals.DEMAND,
    energy.CHECK,
    sound.CHECK,
    *SUPPLY_CHECKS,
    *settings.CHECKS,
    bus.CHECK,
    bus.PATIENCE,
)

LINEUP_CHECKS: tuple[LineupCheck, ...] = (
    lineup.SERIAL_TWICE,
    lineup.PLACES,
    balance.CHECK,
    alike.CHECK,
    buses.VOLTAGE,
    buses.FREQUENCY,
    same_unit.CHECK,
    COORDINATION,
    lineup.WEIGHT,
    clock_order.CHECK,
    *desk.CHECKS,
    *checklist.CHECKS,
    run.REFERENCE,
    run.AGREEMENT,
    run.INSTRUMENT,
    *witness.CHECKS,
    *SURVEY_CHECKS,
    *AGENT_CHECKS,
)

#: On captures; no audit waits for them.
CAPTURE_CHECKS: tuple[CaptureCheck, ...] = (
    *captured_modbus.CHECKS,
    *captured_network.CHECKS,
    *captured_file.CHECKS,
)

#: Ids that were retired, and the check that took over. Records keep old ids for ever.
ALIASES: dict[str, str] = {}


def _indexed(checks: Iterable[Check]) -> dict[str, Check]:
    """Checks by id. Raises ValueError for an id that stands twice: a defect of ours, seen at import."""
    index: dict[str, Check] = {}
    for check in checks:
        if check.id in index or check.id in ALIASES:
            raise ValueError(f"check id {check.id} is registered twice")
        index[check.id] = check
    return index


BY_ID = _indexed((*DEVICE_CHECKS, *LINEUP_CHECKS, *CAPTURE_CHECKS))


def get(name: str) -> Check:
    """The check of this id or retired id. Raises InputError with the nearest ids for an unknown one."""
    found = BY_ID.get(ALIASES.get(name, name))
    if found is None:
        near = get_close_matches(name, BY_ID, n=3)
        raise InputError(
            [
                Problem(
                    file="argument",
                    what="there is no such check",
                    found=name,
                    allowed=", ".join(near) or "`buswitness checks` lists them",
                    remedy="write the id as `buswitness checks` has it",
                )
            ]
        )
    return found
