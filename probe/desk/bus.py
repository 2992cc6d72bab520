"""Bus: how long a serial segment takes for one round, what one dead device costs, and how far it may reach.

A transaction: request, silence, the device's own time, reply, silence. A dead device answers nothing: each
attempt costs the request and the whole time-out, which is why one dead node slows all others.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

from probe.desk.working import COMMON_PRACTICE, Amount, Check, Outcome, Step, Working, at_most, between, exact

_SERIAL = "MODBUS over Serial Line V1.02, 2.5.1"
_WIRES = "MODBUS over Serial Line V1.02, 3.4"
_RATE_RULE = "length * bit rate <= 1e8 m bit/s: common practice, no source"
_RULES = (
    "to see to: two terminations at the ends of the trunk and none on a branch; the pair polarised in one "
    "place at most; the common wire tied to earth at one point; branches of "
    "{:g} m, or {:g} m shared by one tap"
)
REQUEST_BYTES = 8  # unit, function, address, quantity, CRC
REPLY_FRAME_BYTES = 5  # unit, function, count, CRC
MOST_DEVICES, POLARISATION_DEVICES = 32, 4
#: Trunk that a cable allows. Source: MODBUS over Serial Line V1.02, 3.4.3 and 3.6.
TRUNK_M = {"awg24": 1000.0, "awg26": 1000.0, "cat5": 600.0}
FIELDBUS = "type-3"
CABLES = (*TRUNK_M, FIELDBUS)
_BIT_METRES = 1e8
#: Bit rate up to which a cable A segment has a length. Source: IEC 61158 (type 3, as third parties quote it).
_TYPE_3 = ((93_750, 1200.0), (187_500, 1000.0), (500_000, 400.0), (1_500_000, 200.0), (12_000_000, 100.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A serial line. bits: of one character, 11 always by the standard (10 where a site uses 8N1)."""

    baud: int
    bits: int = 11

    def characters_s(self, count: float) -> float:
        """Seconds for a number of characters without a pause."""
        return count * self.bits / self.baud

    @property
    def silence_s(self) -> float:
        """Silence between frames, t3.5; fixed above 19200 baud.

        Source: MODBUS over Serial Line V1.02, 2.5.1.1.
        """
        return self.characters_s(3.5) if self.baud <= 19_200 else 0.001_75

    @property
    def inside_s(self) -> float:
        """Longest silence inside a frame, t1.5; fixed above 19200 baud.

        Source: MODBUS over Serial Line V1.02, 2.5.1.1.
        """
        return self.characters_s(1.5) if self.baud <= 19_200 else 0.000_75


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What is asked in one round. replies: bytes of each reply of one device, of the largest device list.

    response_s: time a device takes, with its uncertainty; gap_s: pause of the master after each
    transaction; dead: how many of the devices answer nothing.
    """

    devices: tuple[tuple[int, ...], ...]
    response_s: Amount
    gap_s: float = 0.0
    dead: int = 0
    timeout_s: float = 1.0
    retries: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Cable of the segment. length_m: None where it is not known."""

    length_m: Amount | None = None
    cable: str = "awg24"
    polarised: bool = False
    four_wire: bool = False


def reply_bytes(registers: int) -> int:
    """Bytes of a reply that carries registers, with unit and CRC.

    Source: MODBUS Application Protocol Specification V1.1b3, 6.3.
    """
    return REPLY_FRAME_BYTES + 2 * registers


def transaction_s(line: Line, reply: int, response_s: float) -> float:
    """Seconds of one transaction: request, t3.5, the device's time, reply, t3.5.

    Source: MODBUS over Serial Line V1.02, 2.5.1.
    """
    return line.characters_s(REQUEST_BYTES + reply) + 2 * line.silence_s + response_s


def dead_s(line: Line, scan: Round) -> float:
    """Seconds that one request to a dead device costs, all attempts together.

    Source: MODBUS over Serial Line V1.02, 2.4.1 (time-out); attempts: common practice, no source.
    """
    return (1 + scan.retries) * (line.characters_s(REQUEST_BYTES) + scan.timeout_s)


def cycle_s(line: Line, scan: Round, response_s: float) -> float:
    """Seconds of one round; the last ``dead`` devices of the list answer nothing."""
    living = len(scan.devices) - scan.dead
    total = sum(
        transaction_s(line, reply, response_s) + scan.gap_s
        for device in scan.devices[:living]
        for reply in device
    )
    return total + sum(dead_s(line, scan) + scan.gap_s for device in scan.devices[living:] for _ in device)


def devices_that_fit(line: Line, scan: Round, wanted_s: float) -> int:
    """How many devices like the first fit a wanted round, all answering in their slowest time."""
    each = cycle_s(line, replace(scan, devices=scan.devices[:1], dead=0), scan.response_s.high)
    return math.floor(wanted_s / each + 1e-9)


def devices_allowed(*, polarised: bool) -> int:
    """Devices without a repeater.

    Source: MODBUS over Serial Line V1.02, 3.4.1 and 3.4.6.
    """
    return MOST_DEVICES - (POLARISATION_DEVICES if polarised else 0)


def trunk_m(baud: int, reach: Reach) -> float:
    """Longest trunk: what the cable allows, and length times bit rate above that.

    Source: MODBUS over Serial Line V1.02, 3.4.3 and 3.6 (cable, four wires used as two: half);
    common practice, no source (length times bit rate); IEC 61158 for type-3 (as third parties quote it).
    Raises ValueError for type-3 above 12 Mbit/s.
    """
    if reach.cable == FIELDBUS:
        return fieldbus_segment_m(baud)
    cable = TRUNK_M[reach.cable] * (0.5 if reach.four_wire else 1.0)
    return min(cable, _BIT_METRES / baud)


def fieldbus_segment_m(baud: int) -> float:
    """Longest cable A segment of a type 3 fieldbus at a bit rate. Raises ValueError above 12 Mbit/s.

    Source: IEC 61158 (as third-party texts quote it).
    """
    for up_to, metres in _TYPE_3:
        if baud <= up_to:
            return metres
    raise ValueError(baud)


def derivation_m(taps: int) -> float:
    """Longest branch: 20 m alone, 40 m shared by the branches of one multi-way tap.

    Source: MODBUS over Serial Line V1.02, 3.4.3.
    """
    return 20.0 if taps <= 1 else 40.0 / taps


def cycle(line: Line, scan: Round, *, wanted_s: float | None = None, reach: Reach | None = None) -> Working:
    """One round of a segment, with all devices and with the dead ones, against the wanted time and reach.

    Source: MODBUS over Serial Line V1.02.
    """
    alive = _round_time("round, all answering", line, replace(scan, dead=0))
    result = [alive]
    if scan.dead:
        result.append(_round_time(f"round, {scan.dead} dead", line, scan))
    checks = []
    if wanted_s is not None and scan.devices:  # a map may draw a line before the devices on it
        fitting = devices_that_fit(line, scan, wanted_s)
        result.append(exact("devices that fit the wanted round", fitting, "devices"))
        checks.append(at_most(result[1] if scan.dead else alive, wanted_s, "time that the site wants"))
    if reach is not None:
        checks += _reach_checks(line, len(scan.devices), reach)
    return Working(
        calculation="bus",
        inputs=_inputs(line, scan, wanted_s, reach),
        steps=tuple(_steps(line, scan, reach)),
        result=tuple(result),
        checks=tuple(checks),
        caution="Calculated for a master that is alone on the segment; others that ask share its time.",
    )


def _round_time(name: str, line: Line, scan: Round) -> Outcome:
    given = scan.response_s
    ends = [cycle_s(line, scan, max(end, 0.0)) for end in (given.low, given.high)]
    return between(name, cycle_s(line, scan, given.value), ends, "s")


def _reach_checks(line: Line, devices: int, reach: Reach) -> list[Check]:
    allowed = devices_allowed(polarised=reach.polarised)
    checks = [
        at_most(exact("devices on the segment", devices, "devices"), allowed, _WIRES, "without a repeater")
    ]
    if reach.length_m is not None:
        length = between("trunk", reach.length_m.value, (reach.length_m.low, reach.length_m.high), "m")
        checks.append(at_most(length, trunk_m(line.baud, reach), _trunk_source(line.baud, reach)))
    return checks


def _trunk_source(baud: int, reach: Reach) -> str:
    if reach.cable == FIELDBUS:
        return "IEC 61158, type 3, cable A (as third-party texts quote it)"
    return _RATE_RULE if trunk_m(baud, reach) == _BIT_METRES / baud else _WIRES


def _steps(line: Line, scan: Round, reach: Reach | None) -> list[Step]:
    response = scan.response_s.value
    steps = [
        Step(
            text=f"one character: {line.bits} bits / {line.baud} baud = {line.characters_s(1) * 1e6:.6g} us",
            source=_SERIAL,
        ),
        Step(
            text=f"silence t3.5 = {line.silence_s * 1e3:.5g} ms"
            f"{' (fixed above 19200 baud)' if line.baud > 19_200 else ''}",
            source=f"{_SERIAL}.1",
        ),
    ]
    for reply in sorted({reply for device in scan.devices for reply in device}):
        count = sum(device.count(reply) for device in scan.devices)
        steps.append(
            Step(
                text=f"reply of {reply} bytes: ({REQUEST_BYTES} + {reply}) characters = "
                f"{line.characters_s(REQUEST_BYTES + reply) * 1e3:.5g} ms, + 2 * t3.5 + "
                f"{response * 1e3:g} ms of the device = "
                f"{transaction_s(line, reply, response) * 1e3:.6g} ms; {count} times a round",
            )
        )
    if scan.gap_s:
        steps.append(Step(text=f"pause of the master after each: {scan.gap_s * 1e3:g} ms"))
    if scan.dead:
        steps.append(
            Step(
                text=f"a request to a dead device: (1 + {scan.retries}) * ("
                f"{line.characters_s(REQUEST_BYTES) * 1e3:.5g} ms + time-out {scan.timeout_s:g} s) = "
                f"{dead_s(line, scan):.6g} s",
                source=COMMON_PRACTICE,
            )
        )
    steps += _sums(line, scan)
    if reach is not None:
        steps.append(Step(text=_RULES.format(derivation_m(1), 4 * derivation_m(4)), source=_WIRES))
    return steps


def _sums(line: Line, scan: Round) -> list[Step]:
    """The additions: one round with all answering, and one with the dead devices."""
    response, requests = scan.response_s.value, sum(len(device) for device in scan.devices)
    counts = Counter(reply for device in scan.devices for reply in device)
    terms = [
        f"{count} * {transaction_s(line, reply, response) * 1e3:.6g} ms"
        for reply, count in sorted(counts.items())
    ]
    pauses = [f"{requests} * {scan.gap_s * 1e3:g} ms"] if scan.gap_s else []
    alive_s = cycle_s(line, replace(scan, dead=0), response)
    steps = [Step(text=f"round = {' + '.join([*terms, *pauses])} = {alive_s:.5g} s")]
    if scan.dead:
        lost = sum(len(device) for device in scan.devices[len(scan.devices) - scan.dead :])
        total_s = cycle_s(line, scan, response)
        each_s = dead_s(line, scan)
        text = f"{total_s - lost * each_s:.5g} s + {lost} * {each_s:.6g} s = {total_s:.5g} s"
        steps.append(Step(text=f"with {scan.dead} dead: {text}"))
    return steps


def _inputs(
    line: Line, scan: Round, wanted_s: float | None, reach: Reach | None
) -> tuple[tuple[str, Amount | str | int], ...]:
    given: list[tuple[str, Amount | str | int]] = [
        ("baud", line.baud),
        ("bits_a_character", line.bits),
        ("devices", len(scan.devices)),
        ("requests_a_round", sum(len(device) for device in scan.devices)),
        ("response", scan.response_s),
        ("gap", Amount(value=scan.gap_s, unit="s")),
        ("dead", scan.dead),
        ("timeout", Amount(value=scan.timeout_s, unit="s")),
        ("retries", scan.retries),
    ]
    if wanted_s is not None:
        given.append(("wanted", Amount(value=wanted_s, unit="s")))
    if reach is not None:
        given += [("cable", reach.cable), ("polarised", "yes" if reach.polarised else "no")]
        given += [] if reach.length_m is None else [("length", reach.length_m)]
    return tuple(given)
