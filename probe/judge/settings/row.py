"""One line of the comparison: a setting as found beside the study, its verdict, how dangerous it is."""

from __future__ import annotations

from dataclasses import dataclass

from probe.judge.settings.difference import Kind
from probe.model.finding import Verdict

#: How much a difference may hurt, 0..9: what trips later or not at all comes first.
DANGER = {
    Kind.HIGHER: 9,
    Kind.SLOWER: 9,
    Kind.OFF: 9,
    Kind.OTHER: 8,
    Kind.FASTER: 6,
    Kind.LOWER: 6,
    Kind.ON: 6,
    Kind.NOT_READ: 5,
    Kind.UNCLEAR: 5,
    Kind.NOT_STATED: 4,
    Kind.ROUNDED: 0,
    Kind.NEAR: 0,
    Kind.SAME: 0,
}
VERDICT = {
    Kind.SAME: Verdict.PASS,
    Kind.ROUNDED: Verdict.PASS,
    Kind.NEAR: Verdict.PASS,
    Kind.NOT_STATED: Verdict.REVIEW,
    Kind.UNCLEAR: Verdict.REVIEW,
    Kind.NOT_READ: Verdict.NOT_TESTED,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One setting. name: in words; point: of the profile, or group.function.attribute where one is shared.

    found, studied: as text in ``unit``, "" where there is none. allowed: what the tolerance allows, "" where
    nothing is allowed but the same. step: of the device, "" where not known. note: what a person should know.
    """

    tag: str
    group: str
    function: str
    attribute: str
    name: str
    point: str
    kind: Kind
    found: str = ""
    studied: str = ""
    unit: str = ""
    allowed: str = ""
    step: str = ""
    note: str = ""
    evidence: tuple[int, ...] = ()
    least_danger: bool = False

    @property
    def verdict(self) -> Verdict:
        """pass, fail, review or not tested."""
        return VERDICT.get(self.kind, Verdict.FAIL)

    @property
    def danger(self) -> int:
        """0..9; thresholds that only raise an alarm weigh little."""
        return min(DANGER[self.kind], 3) if self.least_danger else DANGER[self.kind]


def figure(value: float) -> str:
    """The number with at most six digits, no more than it has."""
    text = f"{value:.6g}"
    return f"{value:.0f}" if "e" in text and abs(value) >= 1e6 else text


def in_order(rows: list[Row]) -> list[Row]:
    """The most dangerous first; among equals as they came."""
    return sorted(rows, key=lambda row: -row.danger)
