"""Causes on the way to devices: network, gateway, serial line, a server for all, silence, late replies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from ipaddress import ip_address

from probe.judge.cause import MANY, Found, Rule, bad_of, by_link, is_silent, make
from probe.judge.checks.silence import ADVICE, EXPLAINED, GATEWAY_ADVICE
from probe.judge.facts import Facts, Reach
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import AT_THE_GEAR, count, some
from probe.model.device_map import Network
from probe.model.finding import Cause

# whole network --------------------------------------------------------------------------------------------


def _network(context: LineupContext, found: Found) -> Iterator[Cause]:
    for network in context.map.networks:
        tags = [tag for tag, facts in context.facts.items() if _is_on(network, facts.host)]
        hosts = {context.facts[tag].link for tag in tags}
        if len(hosts) >= MANY and all(_no_host(context.facts[tag]) for tag in tags):
            yield _network_cause(found, network.name, str(network.subnet), tags)
    if not context.map.networks:
        hosts = {facts.link for facts in context.facts.values()}
        if len(hosts) >= MANY and all(_no_host(facts) for facts in context.facts.values()):
            yield _network_cause(found, "the network", "", list(context.facts))


def _no_host(facts: Facts) -> bool:
    return facts.reach in (Reach.NO_CONNECT, Reach.NO_ROUTE)


def _is_on(network: Network, host: str) -> bool:
    try:
        return ip_address(host) in network.subnet
    except ValueError:
        return False  # a name, or a serial port


def _network_cause(found: Found, name: str, subnet: str, tags: list[str]) -> Cause:
    where = f"{name} ({subnet})" if subnet else name
    return make(
        "network",
        tags,
        bad_of(found, tags),
        950,
        f"Nothing on {where} answers: this computer is not connected to it, or its switch is down. "
        f"Rests on {count(len(tags), 'device')}, none of which could be connected to.",
        "Check this computer first: cable, interface, address and mask. Then the switch: power and link "
        "lights. "
        f"Repeat the run before any device is touched. {AT_THE_GEAR}",
    )


# gateway and serial line --------------------------------------------------------------------------------


def _gateway(context: LineupContext, found: Found) -> Iterator[Cause]:
    for link, tags in by_link(context).items():
        units = [tag for tag in tags if context.facts[tag].gateway]
        if not units:
            continue
        gateway = context.facts[units[0]].gateway
        facts = [context.facts[tag] for tag in units]
        own = context.facts.get(gateway)
        if all(map(is_silent, facts)):
            if (own is not None and own.reach.is_alive) or any(_speaks_for(f) for f in facts):
                if all(f.reach is Reach.NO_PATH for f in facts):
                    yield _path_cause(found, gateway, units)
                elif len(units) >= MANY:
                    yield _line_cause(found, gateway, units)
            else:
                yield _gateway_cause(found, gateway, link, tags, facts[0].reach)


def _speaks_for(facts: Facts) -> bool:
    """True if the gateway said something of the unit."""
    return facts.reach in (Reach.NO_TARGET, Reach.NO_PATH)


def _gateway_cause(found: Found, gateway: str, link: str, tags: list[str], reach: Reach) -> Cause:
    subjects = [gateway, *(tag for tag in tags if tag != gateway)]
    return make(
        "gateway",
        subjects,
        bad_of(found, subjects),
        900,
        f"Gateway {gateway} ({link}) is down: {EXPLAINED.get(reach, reach.value)}. "
        f"Rests on all {len(subjects) - 1} units behind it being silent and the gateway as well.",
        f"Bring the gateway back: {GATEWAY_ADVICE.get(reach) or ADVICE[reach]} Its units need nothing until "
        "it "
        "answers.",
    )


def _path_cause(found: Found, gateway: str, units: list[str]) -> Cause:
    return make(
        "gateway path",
        units,
        bad_of(found, units),
        900,
        f"Gateway {gateway} has no path to any of its {count(len(units), 'unit')} (exception 0A): the "
        "serial side was "
        "not even tried. Rests on the gateway saying so for every one of them.",
        f"Look at the settings of {gateway}: is its serial port on, are these unit numbers routed to it, do "
        "too many "
        "masters hold it. The wiring need not be touched for this.",
    )


def _line_cause(found: Found, gateway: str, units: list[str]) -> Cause:
    return make(
        "serial line",
        units,
        bad_of(found, units),
        800,
        f"The serial line behind gateway {gateway} is dead: the gateway answers, none of its {len(units)} "
        "units does. "
        "Rests on the gateway speaking for every one of them.",
        "Check speed, parity and stop bits of the gateway against the units, then the line: D0 and D1 "
        "swapped, a "
        f"break or a short, termination at both ends only, control power of the units. {AT_THE_GEAR}",
    )


def _one_for_all(context: LineupContext, found: Found) -> Iterator[Cause]:
    """A server that answers for every unit number: what its units show is its own."""
    for tag, facts in context.facts.items():
        if facts.answers_for_all:
            units = [
                other for other in context.facts if other != tag and context.facts[other].link == facts.link
            ]
            doubled = [
                f.id for f in found.of("lineup") if f.check == "lineup.serial_twice" and f.point in units
            ]
            yield make(
                "one for all",
                [tag, *units],
                [*bad_of(found, [tag, *units]), *doubled],
                900,
                f"{tag} answers for every unit number alike: what is shown as {some(units)} is {tag} "
                "itself. Rests on "
                "units that nobody has giving the same answer.",
                f"Look at how {tag} routes unit numbers to its serial line, and repeat the run; its units "
                "were not "
                "tested.",
            )


# devices ------------------------------------------------------------------------------------------------


def _late(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Answers that came after we had given them up: a time-out, not a loss."""
    for tag, facts in context.facts.items():
        if facts.late and 2 * facts.late >= facts.lost:
            explains = [f.id for f in found.of(tag) if f.check in _BY_DELAY]
            yield make(
                "late replies",
                [tag],
                [name for name in explains if name in set(bad_of(found, [tag]))],
                850,
                f"{tag} answers, but too late: {facts.late} of {count(facts.lost, 'missing answer')} came "
                "after the "
                "time-out. Rests on their transaction numbers.",
                "Find out what makes it slow (another master, a gateway with a long time-out of its own). "
                "If it is "
                "meant to be so, lengthen the time-out in its profile.",
            )


_BY_DELAY = frozenset(
    {"reach.answers", "reach.loss", "reach.delay", "reply.complete", "reply.first_try", "reply.form"}
)


#: How surely the way of being silent tells that it is this device alone; set by hand, 700 where not listed.
_SURE_OF_SILENCE = {Reach.NO_TARGET: 900, Reach.NO_PATH: 850, Reach.REFUSED: 850, Reach.NO_NAME: 950}


def _others(same: Sequence[str], alive: int) -> str:
    """What others tell of a silent device: those on its link that can be reached, else how many can be."""
    if same:
        return f"its own silence, while {some(same, 2)} on the same link answers"
    return f"its own silence, while {count(alive, 'other device')} of the lineup can be reached"


def _silent_device(context: LineupContext, found: Found) -> Iterator[Cause]:
    on_link: dict[str, list[str]] = {}
    for tag, facts in context.facts.items():
        if facts.reach.is_alive:
            on_link.setdefault(facts.link, []).append(tag)
    alive = sum(map(len, on_link.values()))
    for tag, facts in context.facts.items():
        if is_silent(facts):
            yield make(
                "device silent",
                [tag],
                bad_of(found, [tag]),
                _SURE_OF_SILENCE.get(facts.reach, 700),
                f"{tag} does not answer: {EXPLAINED.get(facts.reach, facts.reach.value)}. Nothing else of it "
                f"could be tested. Rests on {_others(on_link.get(facts.link, ()), alive)}.",
                ADVICE[facts.reach],
            )


def _no_use(context: LineupContext, found: Found) -> Iterator[Cause]:
    """A device that can be reached and gives nothing that could be used."""
    for tag, facts in context.facts.items():
        if facts.reach in (Reach.EXCEPTIONS_ONLY, Reach.MALFORMED_ONLY):
            yield make(
                "no usable replies",
                [tag],
                bad_of(found, [tag]),
                850,
                f"{tag} can be reached, but {facts.reach.value}: nothing else of it could be tested. Rests "
                "on every "
                "one of its replies.",
                "See the finding on its replies for what to do.",
            )


#: Before what devices say of themselves, and after it.
ON_THE_WAY: tuple[Rule, ...] = (_network, _gateway, _one_for_all)
AT_THE_DEVICE: tuple[Rule, ...] = (_late, _silent_device, _no_use)
