"""Desk: what the map's cabling comes to, calculated again for the page from the map in the record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.desk.curve_from_map import curves
from probe.desk.from_map import Calculation, calculations
from probe.present.desk_page import limit_lines, limit_words, outcome_text
from probe.present.turnover.blocks import Block, Column, Heading, Item, Items, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts

#: Calculations whose steps are printed; all are in the table, and `desk all` prints every step.
MOST_WORKED = 60


def desk(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """A table of all calculations, then the steps of each, so that a person can follow them."""
    made = (*calculations(dossier.map), *curves(dossier.lineup))
    if not made:
        return
    yield Heading(text=t("desk.heading"), mark="desk", new_page=True)
    yield Text(text=t("desk.intro"))
    yield _table(made, t)
    for caution in dict.fromkeys(one.working.caution for one in made if one.working.caution):
        yield Text(text=caution, manner="caution")
    yield Heading(text=t("desk.steps"), level=2)
    yield Items(items=tuple(_worked(number, one, t) for number, one in enumerate(made[:MOST_WORKED], 1)))
    if len(made) > MOST_WORKED:
        yield Text(text=t("desk.more", many=len(made) - MOST_WORKED), manner="small")


def _table(made: Sequence[Calculation], t: Texts) -> Table:
    return Table(
        title=t("desk.heading"),
        columns=(
            Column(t("column.verdict")),
            Column(t("desk.what"), 3),
            Column(t("desk.closest"), 3),
            Column(t("desk.limit"), 2),
            Column(t("desk.margin"), right=True),
        ),
        rows=tuple((one.working.verdict, one.title, *_closest(one)) for one in made),
        small=True,
    )


def _closest(one: Calculation) -> tuple[str, str, str]:
    """What is nearest to its limit: value, limit, margin."""
    check = one.working.closest
    if check is None and one.working.result:
        return _unbroken(outcome_text(one.working.result[0])), "–", "–"
    if check is None:
        told = one.working.statements
        return ("; ".join(statement.name for statement in told), "; ".join(s.text for s in told), "–")
    return (
        _unbroken(outcome_text(check.outcome)),
        _unbroken(limit_words(check)),
        f"{check.margin:.4g}\u00a0{check.margin_unit}",
    )


def _unbroken(text: str) -> str:
    """The text with its unit kept beside its number."""
    return "\u00a0".join(text.rsplit(" ", 1))


def _worked(number: int, one: Calculation, t: Texts) -> Item:
    given = "; ".join(f"{name.replace('_', ' ')} {value}" for name, value in one.working.inputs)
    steps = [(t("desk.given"), given)]
    for place, step in enumerate(one.working.steps, 1):
        source = f" ({step.source})" if step.source else ""
        steps.append((t("desk.step", number=place), f"{step.text}{source}"))
    results = "; ".join(outcome_text(outcome) for outcome in one.working.result)
    if results:
        steps.append((t("desk.result"), results))
    limits = [line.strip() for line in limit_lines(one.working)]
    steps.append((t("desk.limits"), "; ".join(limits)))
    return Item(number=str(number), head=one.title, lines=tuple(steps))
