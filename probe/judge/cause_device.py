"""Causes in what devices show: changed places, register maps, byte orders, clocks, frozen values, supply."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.cause import Found, Rule, bad_of, make
from probe.judge.checks.clock import STANDS_STILL
from probe.judge.checks.lineup import misplaced
from probe.judge.diagnosis.priors import Kind
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import AT_THE_GEAR, count, listed, some
from probe.model.finding import Cause, Finding, Verdict


def _another_board(context: LineupContext, found: Found) -> Iterator[Cause]:
    """The run was ended, as none of the serial numbers is on the map."""
    why = context.time.wrong_board
    if why:
        others = [tag for tag, facts in context.facts.items() if facts.identity_wrong]
        yield make(
            "another board",
            others,
            [*bad_of(found, context.facts), *(f.id for f in found.of("lineup"))],
            930,
            f"{why[:1].upper()}{why[1:]}.",
            "Compare the nameplates of this board with the map: either the cable is at another board, or the "
            "map is another's. If the devices were exchanged, write their serial numbers into the map; "
            f"`--only` asks a few of them meanwhile. {AT_THE_GEAR}",
        )


def _swapped(context: LineupContext, found: Found) -> Iterator[Cause]:
    elsewhere = misplaced(context)
    for tag, other in elsewhere.items():
        pair = elsewhere.get(other) == tag
        if pair and tag > other:
            continue
        tags = [tag, other] if pair else [tag]
        explains = [
            *bad_of(found, tags),
            *(f.id for f in found.of("lineup") if f.check == "lineup.places" and f.point in tags),
        ]
        yield make(
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
            yield make(
                "other device",
                [tag],
                bad_of(found, [tag]),
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
        return make("register map", tags, bad_of(found, tags), 900, statement, fix)
    return make(
        "wrong profile",
        tags,
        bad_of(found, tags),
        600,
        f"Profile {profile} does not fit {some(tags)}: the proof point shows another value, and no shift or "
        "byte "
        "order explains it.",
        "Check type and firmware of the device against the profile.",
    )


def _byte_order(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Absurd floats of a device: one order in the profile explains them all."""
    groups: dict[str, list[Finding]] = {}
    for finding in found.bad:
        if finding.check == "values.byte_order" and finding.verdict is Verdict.FAIL:
            groups.setdefault(context.map.by_tag[finding.subject].profile, []).append(finding)
    for profile, findings in groups.items():
        tags = list(dict.fromkeys(finding.subject for finding in findings))
        affected = {(f.subject, f.point) for f in findings}
        explains = [
            f.id
            for f in found.bad
            if ((f.subject, f.point) in affected or (f.subject in tags and f.check in _BY_ORDER))
        ]
        yield make(
            "byte order",
            tags,
            explains,
            850,
            f"Profile {profile} reads {_which(context, findings)} of {some(tags)} in the wrong byte order. "
            "Rests on numbers that no measurement gives.",
            "Compare the order in the profile with the device's register list, correct `order:` there, and "
            "repeat.",
        )


#: So many points are named; of more, how many they are.
_NAMED = 3


def _which(context: LineupContext, findings: list[Finding]) -> str:
    """The points of findings in words."""
    affected = {(f.subject, f.point) for f in findings}
    names = list(dict.fromkeys(f.point for f in findings))
    if len(names) > _NAMED:
        return count(len(affected), "value")
    points = context.lineup.profile_of(context.map.by_tag[findings[0].subject]).by_name
    return listed([f"{points[name].title} ({name})" for name in names if name in points])


_BY_ORDER = frozenset({"values.range", "supply.voltage", "supply.frequency", "supply.energized"})


def _frozen(context: LineupContext, found: Found) -> Iterator[Cause]:
    for finding in found.bad:
        if finding.check == "fresh.device" and finding.verdict is Verdict.REVIEW:
            tag = finding.subject
            yield make(
                "stale",
                [tag],
                [f.id for f in found.of(tag) if _is_stale(f)],
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
    for finding in found.bad:
        failed = finding.check == "supply.energized" and finding.verdict is Verdict.FAIL
        if failed and not _is_mistyped(context, finding.subject):
            needs = [f.id for f in found.of(finding.subject) if _needs_voltage(f)]
            if needs:
                yield make(
                    "no voltage",
                    [finding.subject],
                    [finding.id, *needs],
                    900,
                    f"There is no voltage at {finding.subject}, where the map says live: what needs voltage "
                    "could not "
                    "be tested. Rests on the device's own voltages.",
                    finding.advice,
                )


def _is_mistyped(context: LineupContext, tag: str) -> bool:
    """True if the device's zeros are halves of numbers that another type puts right."""
    sighting = context.facts[tag].sighting if tag in context.facts else None
    return bool(sighting and sighting.explanations and Kind.TYPE in sighting.explanations[0].kinds)


def _needs_voltage(finding: Finding) -> bool:
    untested = finding.verdict is Verdict.NOT_TESTED
    return untested and finding.check in ("supply.voltage", "supply.frequency")


def _ratio(context: LineupContext, found: Found) -> Iterator[Cause]:
    """All voltages of a device off by one factor: a scale or a transformer ratio, not the bus."""
    for tag, facts in context.facts.items():
        off = {f.point for f in found.of(tag) if f.check == "supply.voltage" and f.advice}
        if facts.ratio and len(off) > 1:
            explains = [
                f.id
                for f in found.of(tag)
                if f.point in off and f.check in ("supply.voltage", "values.range")
            ]
            yield make(
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


def _restart(context: LineupContext, found: Found) -> Iterator[Cause]:
    """A restart explains counters that began anew."""
    for finding in found.bad:
        if finding.check == "motion.restart" and finding.verdict is Verdict.FAIL:
            tag = finding.subject
            follows = [
                f.id for f in found.of(tag) if f.check == "motion.jump" and f.verdict is Verdict.REVIEW
            ]
            if follows:
                yield make(
                    "restart",
                    [tag],
                    [finding.id, *follows],
                    900,
                    f"{tag} restarted during the run; its counters began anew. Rests on its uptime.",
                    finding.advice,
                )


def _zone(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Several clocks off by the same hours: one setting, not many clocks."""
    groups: dict[float, list[str]] = {}
    for tag, facts in context.facts.items():
        if facts.clock_hours:
            groups.setdefault(facts.clock_hours, []).append(tag)
    for hours, tags in groups.items():
        if len(tags) > 1:
            wanted = set(tags)
            yield make(
                "time zone",
                tags,
                [f.id for f in found.bad if f.check == "clock.skew" and f.subject in wanted],
                800,
                f"{count(len(tags), 'clock')} stand {abs(hours):g} h {'ahead' if hours > 0 else 'behind'} "
                "alike: a "
                "time zone or summer time, not the clocks. Rests on the same whole offset at all of them.",
                "Decide on UTC or local time for the whole lineup, and set the master that sets them, or "
                "clock and "
                "zone in profile and map.",
            )


def _our_clocks(context: LineupContext, found: Found) -> Iterator[Cause]:
    """No usable reference, or a step of our own clock: why no clock could be judged."""
    untested = [
        f.id for f in found.bad if f.check == "clock.skew" and f.verdict is Verdict.NOT_TESTED and _is_ours(f)
    ]
    for finding in found.of("lineup"):
        reserved = finding.check == "run.reference" and finding.verdict is not Verdict.FAIL
        if untested and not reserved and finding.check in ("run.reference", "run.clock_step"):
            yield _clock_cause(finding, untested)


def _clock_cause(finding: Finding, untested: list[str]) -> Cause:
    return make(
        "reference clock" if finding.check == "run.reference" else "clock step",
        ["lineup"],
        [finding.id, *untested],
        950,
        f"{finding.title}: {count(len(untested), 'clock')} of the lineup could not be judged. Rests on "
        f"{finding.observed or 'the record'}.",
        finding.advice,
    )


def _is_ours(finding: Finding) -> bool:
    """True if a clock was not judged because of the reference or of this computer, not of its device."""
    return "reference clock" in finding.title.partition("not tested")[2] or "stepped" in finding.title


WHO_IT_IS: tuple[Rule, ...] = (_another_board, _swapped, _other_device)
#: What a proof point tells comes before the diagnosis of readings; a bare look at bytes after it.
PROVEN: tuple[Rule, ...] = (_register_map,)
HOW_IT_IS_READ: tuple[Rule, ...] = (_byte_order,)
WHAT_IT_SHOWS: tuple[Rule, ...] = (_frozen, _dead_circuit, _ratio, _restart, _zone, _our_clocks)
