"""Opening: what a run intends, told before a device is touched, with the cautions that go before it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from probe.collect.events import RunPlan
from probe.judge.repeat import told
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.phrase import time_phrase
from probe.present.row import Piece, Row

if TYPE_CHECKING:
    from rich.console import Console

#: Before any run on real gear. What the tool itself may disturb comes first, then what can hurt people.
CAUTIONS = (
    (
        "The audit only reads. A device that allows few connections may drop another master (SCADA, "
        "a gateway, a panel display) while it is read: tell whoever watches this gear before you start."
    ),
    (
        "Energized gear kills by shock and arc flash. The audit needs no open door: stay outside the arc "
        "flash boundary, and follow lockout, local codes and the site's procedures for anything that does."
    ),
    (
        "A pass here says what the device reported. It is never proof that anything is de-energized: test "
        "dead with a proven instrument."
    ),
)


SETTING_CAUTION = (
    "This run sets clocks, after you have confirmed it, and writes nothing else. A device that allows few "
    "connections may drop another master while it is asked: tell whoever watches this gear before you start."
)


def show(  # noqa: PLR0913 (what an opening tells)
    console: Console,
    plan: RunPlan,
    *,
    record: str,
    signature: str = "",
    ways: Sequence[str],
    cautions: Sequence[str],
    practice: bool = False,
) -> None:
    """Print the opening. practice: a simulated lineup, which needs no cautions about energized gear."""
    print_rows(
        console,
        opening(
            plan,
            page_width(console),
            record=record,
            signature=signature,
            ways=ways,
            cautions=cautions,
            practice=practice,
        ),
    )


def opening(  # noqa: PLR0913 (what an opening tells)
    plan: RunPlan,
    width: int,
    *,
    record: str,
    signature: str = "",
    ways: Sequence[str],
    cautions: Sequence[str],
    practice: bool = False,
) -> list[Row]:
    """The opening as rows of at most ``width`` columns. signature: by which key the record will be sealed."""
    lineup_map = plan.lineup.map
    rows = paragraph(f"{lineup_map.lineup}, {lineup_map.site}", width, style="bold")
    pairs = [
        ("Devices", _devices(plan)),
        ("Repeats", _repeated(plan)),
        ("Requests", _requests(plan)),
        ("Record", record),
        ("Signed", signature),
    ]
    pairs = [pair for pair in pairs if pair[1] or pair[0] != "Repeats"]
    pairs += [("Way" if number == 0 else "", way) for number, way in enumerate(ways)]
    rows += [*facts(pairs, width, indent=2), Row()]
    usual = (SETTING_CAUTION, *CAUTIONS[1:]) if plan.scope.set_clocks else CAUTIONS
    warned = [*cautions, *(() if practice else usual)]
    for text in warned:
        rows += paragraph(text, width, lead=[Piece("Caution   ", "bold yellow")], indent=2)
    return [*rows, Row()]


def _devices(plan: RunPlan) -> str:
    """How many devices of how many, and what the user chose to leave aside."""
    tested, left_out = len(plan.scope.tags), len(plan.scope.left_out)
    text = f"{tested} of {tested + left_out}" if left_out else str(tested)
    if plan.scope.quick:
        text += ", quick: no proof that values move, no clocks"
    if plan.scope.dwell_s:
        text += f", polled again and again for {time_phrase(plan.scope.dwell_s)}"
    return text


def _repeated(plan: RunPlan) -> str:
    """Of a retest: what it repeats."""
    checks = plan.scope.checks
    if not checks:
        return ""
    whole, single = told(checks)
    parts = [f"{whole} devices whole" if whole != 1 else "1 device whole"] if whole else []
    parts += [f"{single} single checks" if single != 1 else "1 single check"] if single else []
    return f"{' and '.join(parts)}; who each device is comes first"


def _requests(plan: RunPlan) -> str:
    """How many requests, and of what sort."""
    if plan.scope.sheets:
        return "as long as people act, all of them reads; this tool operates nothing"
    about = f"about {plan.requests}"
    if plan.scope.set_clocks:
        return (
            f"{about} reads in about {time_phrase(plan.seconds)} each time; clocks are read before and after"
        )
    return f"{about}, all of them reads, in about {time_phrase(plan.seconds)}"
