"""Faults on the wire: what answers, when, and in which frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from probe.practice import manner
from probe.practice.fault import Fault, FaultKind, Place
from probe.practice.manner import Share, Twist
from probe.practice.part import Part, Stage


def _behave(**changes: object) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, _fault: Fault) -> None:
        part.behave(**changes)

    return apply


def _twist(twist: Twist) -> Callable[[Stage, Part, Fault], None]:
    return _behave(twist=twist)


def _slow(_stage: Stage, part: Part, fault: Fault) -> None:
    part.behave(reply_s=fault.seconds_or(0.6))


def _lossy(_stage: Stage, part: Part, fault: Fault) -> None:
    part.behave(drops=Share(1, fault.every_or(3)))


def _busy(_stage: Stage, part: Part, fault: Fault) -> None:
    part.behave(busy=Share(1, fault.every_or(2)))


def _resets(_stage: Stage, part: Part, fault: Fault) -> None:
    part.behave(resets=Share(1, fault.every_or(3)))


def _late(_stage: Stage, part: Part, fault: Fault) -> None:
    part.behave(twist=manner.late(fault.seconds_or(part.profile.limits.timeout_s * 1.3)))


def _taken(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.behave(sockets=1, taken=1)


def _gateway_silent(_stage: Stage, part: Part, _fault: Fault) -> None:
    part.behave(silent=True)


def _path_unavailable(_stage: Stage, part: Part, _fault: Fault) -> None:
    if part.bus is not None:
        part.bus = replace(part.bus, path_unavailable=True)


def _unmapped(stage: Stage, part: Part, fault: Fault) -> None:
    """A unit that no drawing shows answers behind the gateway; it looks like one of its neighbours."""
    known = stage.behind(part.entry.tag)
    following = max(neighbour.entry.unit for neighbour in known) + 1
    number = following if fault.number is None else int(fault.number)
    stage.extra_units[part.entry.tag, number] = known[0].entry.tag


def _swap(stage: Stage, part: Part, fault: Fault) -> None:
    stage.swapped.append((part.entry.tag, fault.partner))


_FRAMING = "No value is taken from these replies; the bytes are kept as evidence with the reason."

WIRE_FAULTS = (
    FaultKind(
        name="dead",
        does="nobody listens at the address: connections are refused",
        sees="Not reachable: refused, which is told apart from silence.",
        checks=("reach.answers",),
        place=Place.OWN_ADDRESS,
        apply=_behave(refuses=True),
    ),
    FaultKind(
        name="silent",
        does="takes connections and requests, and never answers",
        sees="Not reachable: connected, but no answer within the time-out.",
        checks=("reach.answers",),
        place=Place.OWN_ADDRESS,
        apply=_behave(silent=True),
    ),
    FaultKind(
        name="slow",
        does="answers after `seconds` (0.6)",
        sees="Reply times above the site's limit.",
        checks=("reach.delay",),
        apply=_slow,
        takes=("seconds",),
    ),
    FaultKind(
        name="lossy",
        does="leaves each `every`-th (3rd) request unanswered",
        sees="Loss, with the bounds that so few requests allow.",
        checks=("reach.loss",),
        apply=_lossy,
        takes=("every",),
    ),
    FaultKind(
        name="resets",
        does="resets the connection at each `every`-th (3rd) request",
        sees="Requests lost; the next attempt succeeds, and both are told.",
        checks=("reach.loss",),
        place=Place.OWN_ADDRESS,
        apply=_resets,
        takes=("every",),
    ),
    FaultKind(
        name="closes-after-reply",
        does="closes the connection after each answer",
        sees="The device hangs up after every answer.",
        checks=("reach.connection",),
        place=Place.OWN_ADDRESS,
        apply=_behave(closes_after_reply=True),
    ),
    FaultKind(
        name="socket-taken",
        does="bears one connection, and somebody else holds it",
        sees="Closed at once: socket limit suspected; another master may hold the connection.",
        checks=("reach.answers",),
        place=Place.OWN_ADDRESS,
        apply=_taken,
    ),
    FaultKind(
        name="busy",
        does="answers each `every`-th (2nd) request with exception 06, device busy",
        sees="Busy exceptions; a busy answer is never a value.",
        checks=("reply.exceptions",),
        apply=_busy,
        takes=("every",),
    ),
    FaultKind(
        name="wrong-unit",
        does="answers with another unit id than the one asked",
        sees=f"Replies with a wrong unit. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.other_unit),
    ),
    FaultKind(
        name="transaction-zero",
        does="answers with transaction id 0 always",
        sees=f"Replies with a wrong transaction id. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.transaction_zero),
    ),
    FaultKind(
        name="wrong-transaction",
        does="answers with a transaction id one too high",
        sees=f"Replies with a wrong transaction id. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.other_transaction),
    ),
    FaultKind(
        name="wrong-protocol",
        does="answers with protocol 1 in the header, where Modbus has 0",
        sees=f"Replies of another protocol. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.other_protocol),
    ),
    FaultKind(
        name="short-reply",
        does="sends one register fewer than asked for",
        sees=f"Short replies. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.short),
    ),
    FaultKind(
        name="long-reply",
        does="sends one register more than asked for",
        sees=f"Long replies. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.long),
    ),
    FaultKind(
        name="odd-reply",
        does="sends an odd number of bytes",
        sees=f"Odd replies. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.odd),
    ),
    FaultKind(
        name="wrong-function",
        does="answers with the function code of the other register table",
        sees=f"Replies with a wrong function. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.other_function),
    ),
    FaultKind(
        name="cut-header",
        does="announces 200 bytes in the header and sends fewer",
        sees=f"Frames that never end. {_FRAMING}",
        checks=("reply.form",),
        apply=_twist(manner.cut_header),
    ),
    FaultKind(
        name="doubled-reply",
        does="sends every answer twice",
        sees="Repeated replies; the second is never taken for the answer to the next request.",
        checks=("reply.form",),
        apply=_twist(manner.doubled),
    ),
    FaultKind(
        name="late-reply",
        does="answers after the time-out, or after `seconds`",
        sees="No answer in time; late replies are matched by number and never taken for the next one's.",
        checks=("reach.answers",),
        place=Place.OWN_ADDRESS,
        apply=_late,
        takes=("seconds",),
    ),
    FaultKind(
        name="crumbled",
        does="sends each answer in three segments, as TCP may",
        sees="Nothing: it must be read as any other.",
        checks=(),
        apply=_twist(manner.crumbled),
        harmless=True,
    ),
    FaultKind(
        name="any-unit",
        does="answers whatever unit is asked",
        sees="The server answers for units that do not exist; behind it every unit looks alive.",
        checks=("bus.absent_units",),
        apply=_behave(any_unit=True),
        at="GW-1",
        among=("52-F3", "52-F4"),
        follows=("52-F3", "52-F4"),
    ),
    FaultKind(
        name="unit-dead",
        does="one unit behind a gateway does not answer: the gateway says 0B",
        sees="The unit fails, the gateway and its other units pass.",
        checks=("reach.answers",),
        place=Place.BEHIND,
        apply=_behave(dead=True),
        at="52-F3",
        among=("52-F4", "GW-1"),
    ),
    FaultKind(
        name="gateway-down",
        does="takes requests and answers none, for itself and for all units behind it",
        sees="One cause: the gateway; its units are explained by it.",
        checks=("reach.answers",),
        place=Place.GATEWAY,
        apply=_gateway_silent,
        at="GW-1",
        among=("52-F3", "52-F4"),
        follows=("52-F3", "52-F4"),
    ),
    FaultKind(
        name="path-unavailable",
        does="the gateway says 0A for all its units: its serial side is not configured",
        sees="The gateway answers; the path behind it is misconfigured.",
        checks=("reach.answers",),
        place=Place.GATEWAY,
        apply=_path_unavailable,
        at="GW-1",
        among=("52-F3", "52-F4"),
        follows=("52-F3", "52-F4"),
    ),
    FaultKind(
        name="unmapped-unit",
        does="a unit that no drawing shows answers behind the gateway: the next number, or `number`",
        sees="A unit that is not in the map.",
        checks=("bus.absent_units",),
        place=Place.GATEWAY,
        apply=_unmapped,
        takes=("number",),
        at="GW-1",
        among=("52-F3",),
    ),
    FaultKind(
        name="swapped-addresses",
        does="answers at the address of `partner`, and the other way round",
        sees="Both have the wrong serial number; the tool says with whom they are swapped.",
        checks=("identity.serial",),
        needs=("partner",),
        apply=_swap,
        takes=("partner",),
        partner="52-F2",
        follows=("52-F2",),
    ),
)
