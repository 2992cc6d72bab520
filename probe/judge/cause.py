"""What the rules for causes share: how a cause is made, and what they look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from probe.judge.facts import Facts
from probe.judge.lineup_context import LineupContext
from probe.model.finding import Cause, Finding, Verdict


class Found:
    """The findings of a run, with those of each subject at hand."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self._of: dict[str, list[Finding]] = {}
        self.bad: list[Finding] = []
        for finding in findings:
            if finding.verdict is not Verdict.PASS:
                self._of.setdefault(finding.subject, []).append(finding)
                self.bad.append(finding)

    def of(self, subject: str) -> Sequence[Finding]:
        """The findings on a subject that do not pass."""
        return self._of.get(subject, ())


Rule = Callable[[LineupContext, Found], Iterable[Cause]]

#: Fewest devices that make a whole network or serial line look dead; fewer may fail one by one.
MANY = 3


def make(
    kind: str, subjects: Iterable[str], explains: Iterable[str], permille: int, statement: str, fix: str
) -> Cause:
    """A cause without its number; permille: how sure the rule is."""
    return Cause(
        id="",
        kind=kind,
        subjects=tuple(subjects),
        statement=statement,
        confidence_permille=permille,
        explains=tuple(explains),
        fix=fix,
    )


def is_silent(facts: Facts) -> bool:
    """True if the device was tried to the end and said nothing itself."""
    return not facts.reach.is_alive and not facts.reach.is_ours and not facts.interrupted


#: Checks on what a device told by SNMP: no trouble of its Modbus link explains them.
_BY_SNMP = ("switch.", "link.", "ups.snmp_")


def bad_of(found: Found, tags: Iterable[str]) -> list[str]:
    """Ids of all findings on these tags that do not pass, but for those that rest on SNMP."""
    return [
        finding.id
        for tag in dict.fromkeys(tags)
        for finding in found.of(tag)
        if not finding.check.startswith(_BY_SNMP)
    ]


def by_link(context: LineupContext) -> dict[str, list[str]]:
    """Tags by the link that they share."""
    links: dict[str, list[str]] = {}
    for tag, facts in context.facts.items():
        links.setdefault(facts.link, []).append(tag)
    return links
