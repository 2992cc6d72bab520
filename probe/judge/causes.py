"""Likely causes that explain several findings at once; the widest first.

Rules, not learning: each cause has a condition on the facts of the devices and a confidence that stands with
its rule. A finding is given to the first cause that explains it, so that a dead network is not told again
gateway by gateway. How sure a rule is was set by its author; the statement says on what it rests.
"""

from __future__ import annotations

from collections.abc import Sequence

from probe.judge.cause import Found, Rule
from probe.judge.cause_device import HOW_IT_IS_READ, PROVEN, WHAT_IT_SHOWS, WHO_IT_IS
from probe.judge.cause_link import AT_THE_DEVICE, ON_THE_WAY
from probe.judge.diagnosis.account import BY_READINGS
from probe.judge.diagnosis.priors import Kind
from probe.judge.lineup_context import LineupContext
from probe.judge.network.address_causes import BY_ADDRESS
from probe.model.finding import Cause, Finding

RULES: tuple[Rule, ...] = (
    *BY_ADDRESS,
    *ON_THE_WAY,
    *WHO_IT_IS,
    *PROVEN,
    *BY_READINGS,
    *HOW_IT_IS_READ,
    *AT_THE_DEVICE,
    *WHAT_IT_SHOWS,
)


def causes_of(context: LineupContext, findings: Sequence[Finding]) -> tuple[Cause, ...]:
    """Causes, the widest first; each names the findings that it explains and no wider one does.

    That nothing explains a device's readings is said only where no rule knows a cause there.
    """
    found = Found(findings)
    taken: set[str] = set()
    causes: list[Cause] = []
    unexplained: list[Cause] = []
    for rule in RULES:
        for cause in rule(context, found):
            if cause.kind == Kind.UNEXPLAINED:
                unexplained.append(cause)
            else:
                _add(cause, causes, taken)
    known = {subject for cause in causes for subject in cause.subjects}
    for cause in unexplained:
        if known.isdisjoint(cause.subjects):
            _add(cause, causes, taken)
    return tuple(causes)


def _add(cause: Cause, causes: list[Cause], taken: set[str]) -> None:
    """Take up a cause with what no earlier one explains; one that is there already is not told twice."""
    new = tuple(name for name in cause.explains if name not in taken)
    if not new:
        return
    taken.update(new)
    for place, one in enumerate(causes):
        if (one.kind, one.subjects) == (cause.kind, cause.subjects):
            causes[place] = _with(one, one.explains + new, place + 1)
            return
    causes.append(_with(cause, new, len(causes) + 1))


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
