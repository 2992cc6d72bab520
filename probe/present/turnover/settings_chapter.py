"""Settings: as found against the study, over the lineup and for one device, with time-current curves."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.judge.settings.lineup_check import ampere_ranges
from probe.judge.settings.pairs import Coordination
from probe.judge.settings.row import Row, in_order
from probe.model.finding import Verdict, worst
from probe.model.protection import TITLES
from probe.present.curve_drawing import SMALL, pair_drawing
from probe.present.settings_table import NOT_A_STUDY
from probe.present.turnover.blocks import Beside, Block, Cell, Column, Heading, Picture, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts
from probe.record.settings_view import SettingsView

#: Curves that are shown; all of them are enclosed.
MOST_CURVES = 6


def settings(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """Studies, every setting that is not as studied, breakers in series, curves where they cross."""
    view = dossier.settings
    if view is None or not view.studies or dossier.content.header.scope.clocks_only:
        return
    yield Heading(text=t("settings.heading"), mark="settings", new_page=True)
    for study in view.studies:
        tolerance = t(
            "settings.tolerance",
            pickups=f"{study.pickup_percent:g}",
            delays=f"{study.delay_percent:g}",
            source=t("settings.stated" if study.tolerance_stated else "settings.practice"),
        )
        yield Text(text=f"{study.title} {study.label}, {study.author}. {tolerance}")
    yield Text(text=NOT_A_STUDY, manner="caution")
    yield from _differences(view, t)
    yield from _series(view, t)


def _differences(view: SettingsView, t: Texts) -> Iterable[Block]:
    yield Heading(text=t("settings.differences"), level=2)
    wrong = in_order([row for d in view.devices for row in d.rows if row.verdict is not Verdict.PASS])
    if not wrong:
        yield Text(text=t("settings.none"))
        return
    yield Table(
        title=t("settings.differences"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.setting"), 3),
            Column(t("column.found"), right=True),
            Column(t("column.study"), right=True),
            Column(t("column.allowed"), right=True),
            Column(t("column.said"), 2),
        ),
        rows=tuple(
            (
                r.verdict,
                r.tag,
                r.name,
                _value(r.found, r.unit),
                _value(r.studied, r.unit),
                r.allowed,
                _said(r),
            )
            for r in wrong
        ),
        small=True,
    )


def _value(text: str, unit: str) -> str:
    return f"{text}\u00a0{unit}".strip() if text else "–"


def _said(row: Row) -> str:
    return f"{row.kind.value}; {row.note}" if row.note else row.kind.value


def _series(view: SettingsView, t: Texts) -> Iterable[Block]:
    """Breakers in series: where the upper one may trip first."""
    if not view.coordinations:
        return
    yield Heading(text=t("settings.series"), level=2)
    lost = [one for one in view.coordinations if one.lost]
    looked = [one for one in view.coordinations if not one.why]
    yield Text(
        text=t("settings.series_said", lost=len(lost), looked=len(looked), all=len(view.coordinations))
    )
    if lost:
        yield Table(
            title=t("settings.series"),
            columns=(
                Column(t("column.verdict")),
                Column(t("column.pair")),
                Column(t("column.faults")),
                Column(t("column.found"), 1),
                Column(t("column.study"), 1),
            ),
            rows=tuple(
                (Verdict.FAIL, _names(one), one.domain, ampere_ranges(one.found), ampere_ranges(one.studied))
                for one in lost
            ),
            small=True,
        )
    pictures = [made for one in lost[:MOST_CURVES] if (made := _picture(view, one, t)) is not None]
    for n in range(0, len(pictures), 2):
        yield Beside(left=(pictures[n],), right=tuple(pictures[n + 1 : n + 2]))


def _picture(view: SettingsView, one: Coordination, t: Texts) -> Picture | None:
    drawing = pair_drawing(view, one.pair, one.domain, SMALL)
    caption = t("settings.curve", pair=_names(one), faults=one.domain)
    return Picture(svg=drawing, width=83.0, alternative=caption, caption=caption) if drawing else None


def _names(one: Coordination) -> str:
    return f"{one.pair.lower} < {one.pair.upper}"


def device_settings(rows: Sequence[Row], t: Texts) -> Iterable[Block]:
    """One device's settings, a function a row, a group a column; the study where it is another."""
    groups = list(dict.fromkeys(row.group for row in rows if row.group))
    titles = {row.group: row.name.partition(",")[0] for row in rows}
    functions = list(dict.fromkeys(row.function for row in rows if row.group))
    made: list[tuple[Cell, ...]] = []
    for function in functions:
        cells: list[Cell] = [TITLES.get(function, function)]
        for group in groups:
            own = [row for row in rows if (row.group, row.function) == (group, function)]
            cells += [_function(own, t), worst([row.verdict for row in own]) if own else ""]
        made.append(tuple(cells))
    columns = [Column(t("device.settings"), 3)]
    for group in groups:
        columns += [Column(titles[group], 4), Column("")]
    yield Table(title=t("device.settings"), columns=tuple(columns), rows=tuple(made), small=True, bare=True)
    rest = [row for row in rows if not row.group]
    if rest:
        yield Text(text="; ".join(f"{row.name} {_both(row, t)}" for row in rest), manner="small")


def _function(rows: Sequence[Row], t: Texts) -> str:
    """Pickup, delay, curve of one function; the study's value behind one that is not as studied."""
    switched = next((row for row in rows if row.attribute == "enabled"), None)
    if switched is not None and (switched.found == "off" or switched.verdict is not Verdict.PASS):
        return _both(switched, t)
    return " · ".join(_both(row, t) for row in rows if row is not switched)


def _both(row: Row, t: Texts) -> str:
    found = _value(row.found, row.unit)
    if row.verdict is Verdict.PASS and row.found == row.studied:
        return found
    return t("settings.both", found=found, studied=_value(row.studied, row.unit))
