"""The manual's page of all checks, made from their registrations so that it cannot drift from them."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import Check, LineupCheck
from probe.judge.registry import ALIASES, CAPTURE_CHECKS, DEVICE_CHECKS, LINEUP_CHECKS

_HEAD = """\
# What is checked, and why

Made from the program's own list by `probe.judge.catalogue.markdown()`; do not edit by hand.

A verdict is `pass`, `fail`, `review` (the measurement cannot tell, or a person must decide) or `not tested`
(with the reason). Every expected verdict is written down before anything is asked; what has no result is
`not tested`, never `pass`. Rules of order: identity before values, proof point before values, freshness
before pass. The number behind "danger" (0 to 9) says how much a failure may hurt people or plant.

Each check has a page of its own, with what it sees, its tolerance and pictures: follow its title, or type
`buswitness checks ID`.
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
    yield "## On captures (`capture read`)\n"
    for captured in CAPTURE_CHECKS:
        yield _entry(captured)
    if ALIASES:
        yield "## Ids of former versions\n"
        yield from (f"- `{old}` is now `{new}`" for old, new in sorted(ALIASES.items()))


def _entry(check: Check) -> str:
    rows = [
        f"### [{check.title}](checks/{check.id}.md)\n",
        *_registration(check),
    ]
    return "\n".join(rows) + "\n"


def page(check: Check, note: str = "") -> str:
    """The page of one check as Markdown: its registration, then the hand-written note (see ``notes``)."""
    head = [f"# {check.title}\n", *_registration(check)]
    foot = f"\n{note.strip()}\n" if note.strip() else ""
    return "\n".join(head) + "\n" + foot


def _registration(check: Check) -> Iterator[str]:
    needs = "; ".join(need.value for need in check.needs)
    yield f"`{check.id}`, since {check.since}, danger {check.danger}\n"
    yield f"{check.why}\n"
    yield f"- Applies to: {check.where}"
    yield f"- Needs: {needs}"
    yield f"- Source: {check.source}"
    if isinstance(check, LineupCheck) and check.required:
        yield "- A run without this verdict is incomplete."
