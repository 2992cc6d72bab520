"""Likely causes that explain several findings at once; the widest first.

Rules, not learning: each cause has a condition on the facts of the devices and a confidence that stands with
its rule. A finding is given to the first cause that explains it, so that a dead network is not told again
gateway by gateway. How sure a rule is was set by its author; the statement says on what it rests.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from ipaddress import ip_address

from probe.judge.checks.clock import STANDS_STILL
from probe.judge.checks.lineup import misplaced
from probe.judge.checks.silence import ADVICE, EXPLAINED, GATEWAY_ADVICE
from probe.judge.facts import Facts, Reach
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import AT_THE_GEAR, count, listed, some
from probe.model.device_map import Network
from probe.model.finding import Cause, Finding, Verdict

#: Fewest devices that make a whole network or serial line look dead; fewer may fail one by one.
MANY = 3

Found = Sequence[Finding]
Rule = Callable[[LineupContext, Found], Iterable[Cause]]


def causes_of(context: LineupContext, found: Found) -> tuple[Cause, ...]:
    """Causes, the widest first; each names the findings that it explains and no wider one does."""
    taken: set[str] = set()
    causes: list[Cause] = []
    for rule in RULES:
        for cause in rule(context, found):
            new = [name for name in cause.explains if name not in taken]
            if new:
                taken.update(new)
                causes.append(_with(cause, tuple(new), len(causes) + 1))
    return tuple(causes)


def _with(cause: Cause, explains: tuple[str, ...], number: int) -> Cause:
    """The cause with its number and what is left for it to explain."""
    return Cause(
        id=f"c{number}",
        kind=cause.kind,
        subjects=cause.subjects,
        statement=cause.statement,
        confidence_permille=cause.confidence_permille,
        explains=explains,
        fix=cause.fix,
    )


def _cause(
    kind: str, subjects: Iterable[str], explains: Iterable[str], permille: int, statement: str, fix: str
) -> Cause:
    return Cause(
        id="",
        kind=kind,
        subjects=tuple(subjects),
        statement=statement,
        confidence_permille=permille,
        explains=tuple(explains),
        fix=fix,
    )


def _is_silent(facts: Facts) -> bool:
    """True if the device was tried to the end and said nothing itself."""
    return not facts.reach.is_alive and not facts.reach.is_ours and not facts.interrupted


def _bad_of(found: Found, tags: Iterable[str]) -> list[str]:
    """Ids of all findings on these tags that do not pass."""
    wanted = set(tags)
    return [f.id for f in found if f.subject in wanted and f.verdict is not Verdict.PASS]


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
    return _cause(
        "network",
        tags,
        _bad_of(found, tags),
        950,
        f"Nothing on {where} answers: this computer is not connected to it, or its switch is down. "
        f"Rests on {count(len(tags), 'device')}, none of which could be connected to.",
        "Check this computer first: cable, interface, address and mask. Then the switch: power and link "
        "lights. "
        f"Repeat the run before any device is touched. {AT_THE_GEAR}",
    )


# gateway and serial line --------------------------------------------------------------------------------


def _gateway(context: LineupContext, found: Found) -> Iterator[Cause]:
    for link, tags in _by_link(context).items():
        units = [tag for tag in tags if context.facts[tag].gateway]
        if not units:
            continue
        gateway = context.facts[units[0]].gateway
        facts = [context.facts[tag] for tag in units]
        own = context.facts.get(gateway)
        if all(map(_is_silent, facts)):
            if (own is not None and own.reach.is_alive) or any(_speaks_for(f) for f in facts):
                if len(units) >= MANY:
                    yield _line_cause(found, gateway, units)
            else:
                yield _gateway_cause(found, gateway, link, tags, facts[0].reach)


def _speaks_for(facts: Facts) -> bool:
    """True if the gateway said something of the unit."""
    return facts.reach in (Reach.NO_TARGET, Reach.NO_PATH)


def _by_link(context: LineupContext) -> dict[str, list[str]]:
    links: dict[str, list[str]] = {}
    for tag, facts in context.facts.items():
        links.setdefault(facts.link, []).append(tag)
    return links


def _gateway_cause(found: Found, gateway: str, link: str, tags: list[str], reach: Reach) -> Cause:
    subjects = [gateway, *(tag for tag in tags if tag != gateway)]
    return _cause(
        "gateway",
        subjects,
        _bad_of(found, subjects),
        900,
        f"Gateway {gateway} ({link}) is down: {EXPLAINED.get(reach, reach.value)}. "
        f"Rests on all {len(subjects) - 1} units behind it being silent and the gateway as well.",
        f"Bring the gateway back: {GATEWAY_ADVICE.get(reach) or ADVICE[reach]} Its units need nothing until "
        "it "
        "answers.",
    )


def _line_cause(found: Found, gateway: str, units: list[str]) -> Cause:
    return _cause(
        "serial line",
        units,
        _bad_of(found, units),
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
            doubled = [f.id for f in found if f.check == "lineup.serial_twice" and f.point in units]
            yield _cause(
                "one for all",
                [tag, *units],
                [*_bad_of(found, [tag, *units]), *doubled],
                900,
                f"{tag} answers for every unit number alike: what is shown as {some(units)} is {tag} "
                "itself. Rests on "
                "units that nobody has giving the same answer.",
                f"Look at how {tag} routes unit numbers to its serial line, and repeat the run; its units "
                "were not "
                "tested.",
            )


# devices ------------------------------------------------------------------------------------------------


def _swapped(context: LineupContext, found: Found) -> Iterator[Cause]:
    elsewhere = misplaced(context)
    for tag, other in elsewhere.items():
        pair = elsewhere.get(other) == tag
        if pair and tag > other:
            continue
        tags = [tag, other] if pair else [tag]
        explains = [
            *_bad_of(found, tags),
            *(f.id for f in found if f.check == "lineup.places" and f.point in tags),
        ]
        yield _cause(
            "swapped",
            tags,
            explains,
            970 if pair else 800,
            f"{tag} and {other} have changed places: each shows the serial number that the map gives the "
            "other."
            if pair
            else f"At {tag} stands the device that the map shows as {other}: it tells that serial number.",
            "Compare nameplates with the drawing. Exchange the addresses (or the devices), then repeat the "
            "run for "
            f"{listed(tags)}. {AT_THE_GEAR}",
        )


def _other_device(context: LineupContext, found: Found) -> Iterator[Cause]:
    for tag, facts in context.facts.items():
        if facts.identity_wrong:
            yield _cause(
                "other device",
                [tag],
                _bad_of(found, [tag]),
                850,
                f"At {tag}'s address answers another device than the map shows. Rests on what the device "
                "says of "
                "itself.",
                "Compare nameplate, address and map; correct the one that is wrong and repeat. "
                f"{AT_THE_GEAR}",
            )


def _register_map(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Devices of one profile whose proof point fits after the same change: the profile is wrong."""
    groups: dict[tuple[str, int, str], list[str]] = {}
    for tag, facts in context.facts.items():
        if facts.proof_wrong:
            profile = context.map.by_tag[tag].profile
            groups.setdefault((profile, facts.shift, facts.order), []).append(tag)
    for (profile, shift, order), tags in groups.items():
        yield _map_cause(found, profile, shift, order, tags)


def _map_cause(found: Found, profile: str, shift: int, order: str, tags: list[str]) -> Cause:
    changes = ([f"addresses {shift:+d}"] if shift else []) + ([f"byte order {order}"] if order else [])
    if changes:
        what = listed(changes)
        statement = (
            f"The registers of {some(tags)} do not stand where profile {profile} says: with {what} the "
            "proof point "
            f"fits. Rests on the proof point of {count(len(tags), 'device')}."
        )
        fix = "Compare with the register list of the device, correct profile or register_shift, and repeat."
        return _cause("register map", tags, _bad_of(found, tags), 900, statement, fix)
    return _cause(
        "wrong profile",
        tags,
        _bad_of(found, tags),
        600,
        f"Profile {profile} does not fit {some(tags)}: the proof point shows another value, and no shift or "
        "byte "
        "order explains it.",
        "Check type and firmware of the device against the profile.",
    )


def _byte_order(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Absurd floats of a device: one order in the profile explains them all."""
    groups: dict[str, list[Finding]] = {}
    for finding in found:
        if finding.check == "values.byte_order" and finding.verdict is Verdict.FAIL:
            groups.setdefault(context.map.by_tag[finding.subject].profile, []).append(finding)
    for profile, findings in groups.items():
        tags = list(dict.fromkeys(finding.subject for finding in findings))
        affected = {(f.subject, f.point) for f in findings}
        explains = [
            f.id
            for f in found
            if f.verdict is not Verdict.PASS
            and ((f.subject, f.point) in affected or (f.subject in tags and f.check in _BY_ORDER))
        ]
        yield _cause(
            "byte order",
            tags,
            explains,
            850,
            f"Profile {profile} reads {count(len(affected), 'value')} of {some(tags)} in the wrong byte "
            "order. Rests on "
            "numbers that no measurement gives.",
            "Compare the order in the profile with the device's register list, correct it, and repeat.",
        )


_BY_ORDER = frozenset({"values.range", "supply.voltage", "supply.frequency", "supply.energized"})


def _zone(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Several clocks off by the same hours: one setting, not many clocks."""
    groups: dict[float, list[str]] = {}
    for tag, facts in context.facts.items():
        if facts.clock_hours:
            groups.setdefault(facts.clock_hours, []).append(tag)
    for hours, tags in groups.items():
        if len(tags) > 1:
            wanted = set(tags)
            yield _cause(
                "time zone",
                tags,
                [f.id for f in found if f.check == "clock.skew" and f.subject in wanted],
                800,
                f"{count(len(tags), 'clock')} stand {abs(hours):g} h {'ahead' if hours > 0 else 'behind'} "
                "alike: a "
                "time zone or summer time, not the clocks. Rests on the same whole offset at all of them.",
                "Decide on UTC or local time for the whole lineup, and set the master that sets them, or "
                "clock and "
                "zone in profile and map.",
            )


#: How surely the way of being silent tells that it is this device alone; set by hand, 700 where not listed.
_SURE_OF_SILENCE = {Reach.NO_TARGET: 900, Reach.NO_PATH: 850, Reach.REFUSED: 850, Reach.NO_NAME: 950}


def _others(context: LineupContext, tag: str, facts: Facts) -> str:
    """What the neighbours of a silent device tell of it."""
    alive = [t for t, other in context.facts.items() if t != tag and other.reach.is_alive]
    same = [t for t in alive if context.facts[t].link == facts.link]
    if same:
        return f"its own silence, while {some(same, 2)} on the same link answers"
    return f"its own silence, while {count(len(alive), 'other device')} of the lineup can be reached"


def _silent_device(context: LineupContext, found: Found) -> Iterator[Cause]:
    for tag, facts in context.facts.items():
        if _is_silent(facts):
            yield _cause(
                "device silent",
                [tag],
                _bad_of(found, [tag]),
                _SURE_OF_SILENCE.get(facts.reach, 700),
                f"{tag} does not answer: {EXPLAINED.get(facts.reach, facts.reach.value)}. Nothing else of it "
                f"could be tested. Rests on {_others(context, tag, facts)}.",
                ADVICE[facts.reach],
            )


def _frozen(context: LineupContext, found: Found) -> Iterator[Cause]:
    for finding in found:
        if finding.check == "fresh.device" and finding.verdict is Verdict.REVIEW:
            tag = finding.subject
            yield _cause(
                "stale",
                [tag],
                [f.id for f in found if f.subject == tag and _is_stale(f)],
                700,
                f"{tag} is frozen, or a gateway answers for it from its cache: nothing moved that must move.",
                finding.advice,
            )


def _is_stale(finding: Finding) -> bool:
    """Doubts, and what cannot be told of a device that stands still; its other failures are its own."""
    if finding.check == "clock.skew":
        return finding.verdict is Verdict.FAIL and finding.title == STANDS_STILL
    return finding.verdict is Verdict.REVIEW or finding.check == "fresh.point"


def _dead_circuit(context: LineupContext, found: Found) -> Iterator[Cause]:
    """No voltage where the map says live: what needs voltage cannot be tested."""
    for finding in found:
        if finding.check == "supply.energized" and finding.verdict is Verdict.FAIL:
            needs = [f.id for f in found if f.subject == finding.subject and _needs_voltage(f)]
            if needs:
                yield _cause(
                    "no voltage",
                    [finding.subject],
                    [finding.id, *needs],
                    900,
                    f"There is no voltage at {finding.subject}, where the map says live: what needs voltage "
                    "could not "
                    "be tested. Rests on the device's own voltages.",
                    finding.advice,
                )


def _needs_voltage(finding: Finding) -> bool:
    untested = finding.verdict is Verdict.NOT_TESTED
    return untested and finding.check in ("supply.voltage", "supply.frequency")


def _ratio(context: LineupContext, found: Found) -> Iterator[Cause]:
    """All voltages of a device off by one factor: a scale or a transformer ratio, not the bus."""
    for tag, facts in context.facts.items():
        off = {f.point for f in found if f.subject == tag and f.check == "supply.voltage" and f.advice}
        if facts.ratio and len(off) > 1:
            explains = [
                f.id
                for f in found
                if f.subject == tag and f.point in off and f.check in ("supply.voltage", "values.range")
            ]
            yield _cause(
                "scale",
                [tag],
                explains,
                850,
                f"All {len(off)} voltages of {tag} are off by {facts.ratio}. Rests on the same factor in "
                "all of them.",
                "Correct the scale in the profile, or the transformer ratio and wiring in the device; then "
                "compare "
                "currents and powers too.",
            )


def _no_use(context: LineupContext, found: Found) -> Iterator[Cause]:
    """A device that can be reached and gives nothing that could be used."""
    for tag, facts in context.facts.items():
        if facts.reach in (Reach.EXCEPTIONS_ONLY, Reach.MALFORMED_ONLY):
            yield _cause(
                "no usable replies",
                [tag],
                _bad_of(found, [tag]),
                850,
                f"{tag} can be reached, but {facts.reach.value}: nothing else of it could be tested. Rests "
                "on every "
                "one of its replies.",
                "See the finding on its replies for what to do.",
            )


RULES: tuple[Rule, ...] = (
    _network,
    _gateway,
    _one_for_all,
    _swapped,
    _other_device,
    _register_map,
    _byte_order,
    _silent_device,
    _no_use,
    _frozen,
    _dead_circuit,
    _ratio,
    _zone,
)
