"""Likely causes that a survey sees: this computer stands wrongly, one address twice, two devices swapped."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.cause import Found, Rule, bad_of, make
from probe.judge.lineup_context import LineupContext
from probe.judge.network.addresses import HARDWARE, NOBODY, ONCE, PRESENT, tags_on_the_wire
from probe.judge.network.own_computer import INTERFACE
from probe.judge.wording import AT_THE_GEAR, count, listed
from probe.model.finding import Cause, Finding, Verdict

#: Matters of this computer that make the whole gear look silent.
_DEAF = ("interface", "link", "mask", "address")


def _failed(found: Found, check: str) -> list[Finding]:
    return [one for one in found.bad if one.check == check and one.verdict is Verdict.FAIL]


def _own_computer(context: LineupContext, found: Found) -> Iterator[Cause]:
    own = [one for one in _failed(found, INTERFACE.id) if one.point in _DEAF]
    unseen = {one.subject for one in found.bad if one.check == PRESENT.id}
    seen = set(tags_on_the_wire(context.lineup, context.scope)) - unseen
    silent = [tag for tag, facts in context.facts.items() if not facts.reach.is_alive and tag not in seen]
    if not own or not silent:
        return
    yield make(
        "own computer",
        ("lineup",),
        [*(one.id for one in own), *bad_of(found, silent)],
        900,
        f"{own[0].title}: {count(len(silent), 'device')} cannot be reached from here, whatever state they "
        f"are in. Rests on this computer's own settings: {own[0].observed}.",
        f"{own[0].advice} Repeat the survey before any device is touched.",
    )


def _doubled(context: LineupContext, found: Found) -> Iterator[Cause]:
    for one in _failed(found, ONCE.id):
        if one.subject == "lineup" or one.point:
            continue
        yield make(
            "address conflict",
            (one.subject,),
            bad_of(found, (one.subject,)),
            950,
            f"Two devices have the address of {one.subject}: {one.observed}. Whatever else was seen of it "
            "may be the other one. Rests on answers of both to the same question.",
            one.advice,
        )


def _swapped(context: LineupContext, found: Found) -> Iterator[Cause]:
    swapped = [one.subject for one in _failed(found, HARDWARE.id) if one.title.startswith("Swapped with")]
    if len(swapped) > 1:
        yield make(
            "swapped",
            swapped,
            bad_of(found, swapped),
            900,
            f"{listed(swapped)} have each other's addresses. Rests on hardware addresses of the map.",
            f"Believe no value of them until it is cleared up: exchange addresses or cables. {AT_THE_GEAR}",
        )


def _missing(context: LineupContext, found: Found) -> Iterator[Cause]:
    """Drawn addresses that nobody has, though this computer stands in their subnet and others answer."""
    missing = [one.subject for one in _failed(found, PRESENT.id) if one.title.startswith(NOBODY)]
    others = [tag for tag, facts in context.facts.items() if facts.reach.is_alive]
    if not missing or not others:
        return
    word, have = ("it", "has its address") if len(missing) == 1 else ("them", "has their addresses")
    yield make(
        "missing",
        missing,
        bad_of(found, missing),
        850,
        f"{listed(missing)}: nobody on the wire {have}. Rests on questions to everybody in the subnet that "
        f"nobody answered, while {count(len(others), 'other device')} of the lineup did.",
        f"Look for {word} from the switch on: link light, cable, then control power and the address in the "
        f"device's own display. {AT_THE_GEAR}",
    )


BY_ADDRESS: tuple[Rule, ...] = (_own_computer, _doubled, _swapped, _missing)
