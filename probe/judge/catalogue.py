"""The manual's page of all checks, made from their registrations so that it cannot drift from them."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import Check, LineupCheck
from probe.judge.registry import ALIASES, DEVICE_CHECKS, LINEUP_CHECKS

_HEAD = """\
# What is checked, and why

Made from the program's own list by `probe.judge.catalogue.markdown()`; do not edit by hand.

A verdict is `pass`, `fail`, `review` (the measurement cannot tell, or a person must decide) or `not tested`
(with the reason). Every expected verdict is written down before anything is asked; what has no result is
`not tested`, never `pass`. Rules of order: identity before values, proof point before values, freshness
before pass. The number behind "danger" (0 to 9) says how much a failure may hurt people or plant.
"""


def markdown() -> str:
    """The page as Markdown, with a line end at its end."""
    return "\n".join((_HEAD, *_lines())).rstrip() + "\n"


def _lines() -> Iterator[str]:
    yield "## On each device\n"
    for check in DEVICE_CHECKS:
        yield _entry(check)
    yield "## Across the lineup, and on the run itself\n"
    for across in LINEUP_CHECKS:
        yield _entry(across)
    if ALIASES:
        yield "## Ids of former versions\n"
        yield from (f"- `{old}` is now `{new}`" for old, new in sorted(ALIASES.items()))


def _entry(check: Check) -> str:
    needs = "; ".join(need.value for need in check.needs)
    rows = [
        f"### {check.title}\n",
        f"`{check.id}`, since {check.since}, danger {check.danger}\n",
        f"{check.why}\n",
        f"- Applies to: {check.where}",
        f"- Needs: {needs}",
        f"- Source: {check.source}",
    ]
    if isinstance(check, LineupCheck) and check.required:
        rows.append("- A run without this verdict is incomplete.")
    return "\n".join(rows) + "\n"
