"""Device page: one device: identity, what is open, readings against limits, clock, settings, reply times."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

from probe.judge.wording import count
from probe.model.finding import WORST_FIRST, Finding, Verdict
from probe.present.phrase import comparison
from probe.present.summary import clean_advice
from probe.present.turnover.action import ALIKE, common_ending
from probe.present.turnover.blocks import (
    Beside,
    Block,
    Cell,
    Column,
    Facts,
    Heading,
    Item,
    Items,
    PageOf,
    Table,
    Text,
)
from probe.present.turnover.device_readings import SETTINGS, device_readings, shown
from probe.present.turnover.dossier import DeviceDossier, Dossier
from probe.present.turnover.plots import clock_plot, reply_plot
from probe.present.turnover.settings_chapter import device_settings
from probe.present.turnover.texts import Texts

_IDENTITY = ("maker", "model", "serial", "firmware", "hardware_address")


class Fold(StrEnum):
    """How much of each device is shown, the richest first."""

    WHOLE = "whole"  # a page a device
    OPEN = "open"  # devices with something open, without their readings; the others a row each
    ROWS = "rows"  # a row a device


def device_pages(dossier: Dossier, t: Texts, width: float, fold: Fold) -> Iterable[Block]:
    """The devices in the order of the map, as much of each as ``fold`` says."""
    numbers = {cause.id: str(n) for n, cause in enumerate(dossier.content.causes, 1)}
    yield Heading(text=t("devices.heading"), mark="devices", new_page=True)
    scope = dossier.content.header.scope
    narrow = scope.clocks_only or scope.settings_only  # little is said of each, so pages are shared
    whole = "devices.intro_narrow" if narrow else "devices.intro"
    yield Text(text=t(whole if fold is Fold.WHOLE else f"devices.fold_{fold.value}"))
    if fold is Fold.WHOLE:
        yield _index(dossier.devices, t)
        for number, one in enumerate(dossier.devices):
            yield _heading(one, number, new_page=not narrow or number == 0)
            yield from _page(one, dossier, t, numbers, width)
        return
    if fold is Fold.OPEN:
        for number, one in enumerate(dossier.devices):
            if one.verdict is not Verdict.PASS:
                yield _heading(one, number, new_page=False)
                yield Text(text=" · ".join(text for _, text in _facts(one, t)), manner="small")
                yield from _open(one, t, numbers, with_rule=False)
    shown = [one for one in dossier.devices if fold is Fold.ROWS or one.verdict is Verdict.PASS]
    yield from _as_rows(shown, t)


def _index(devices: Sequence[DeviceDossier], t: Texts) -> Table:
    """Every device with the page that it has."""
    return Table(
        title=t("devices.index"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.description"), 1),
            Column(t("column.section"), 1),
            Column(t("column.page"), right=True),
        ),
        rows=tuple(
            (one.verdict, one.tag, one.device.description or "", one.device.section, PageOf(_mark(number)))
            for number, one in enumerate(devices)
        ),
        small=True,
    )


def _mark(number: int) -> str:
    return f"device-{number}"


def _as_rows(devices: Sequence[DeviceDossier], t: Texts) -> Iterable[Block]:
    """Devices, a row each."""
    if not devices:
        return
    yield Heading(text=t("devices.rows"), level=2)
    yield Table(
        title=t("devices.rows"),
        columns=(
            Column(t("column.verdict")),
            Column(t("column.subject")),
            Column(t("column.identity"), 1),
            *(Column(t(f"verdict.{v.name.lower()}"), right=True) for v in WORST_FIRST),
        ),
        rows=tuple(
            (
                one.verdict,
                one.tag,
                _identity_line(one) or one.reach.value,
                *(str(sum(f.verdict is v for f in one.findings) or "–") for v in WORST_FIRST),
            )
            for one in devices
        ),
        small=True,
    )


def _heading(one: DeviceDossier, number: int, *, new_page: bool) -> Heading:
    return Heading(
        text=one.tag,
        level=2,
        mark=_mark(number),
        new_page=new_page,
        side=one.device.description or "",
        verdict=one.verdict,
    )


def _identity_line(one: DeviceDossier) -> str:
    said = [f.observed for f in one.findings if f.check.startswith("identity.") and f.observed]
    return ", ".join(said)


def _page(
    one: DeviceDossier, dossier: Dossier, t: Texts, numbers: dict[str, str], width: float
) -> Iterable[Block]:
    yield from _top(one, dossier, t, width)
    yield from _open(one, t, numbers)
    if not dossier.content.header.scope.clocks_only:
        yield from device_readings(one, dossier.map, t)
        yield from _settings(one, t)
    yield from _passes(one, t)


def _top(one: DeviceDossier, dossier: Dossier, t: Texts, width: float) -> Iterable[Block]:
    """Facts on the left, plots on the right."""
    half = (width - 6) / 2
    plots: list[Block] = []
    replies = reply_plot(one.replies, dossier.map.tolerances.reply_ms, t, width=half)
    plots.append(replies if replies is not None else Text(text=t("plot.no_replies"), manner="small"))
    state = one.clock.state if one.clock is not None else None
    if one.clock is not None and state is not None and state.offset_s is not None:
        plots.append(clock_plot(state.offset_s, state.tolerance_s, one.clock.verdict, t, width=half))
    elif one.clock is not None:
        reason = one.clock.cause.partition(": not tested, ")[2] or one.clock.cause
        if one.clock.verdict is Verdict.NOT_TESTED:
            reason = f"{t('verdict.not_tested')}, {reason}"
        plots.append(Text(text=t("plot.no_clock", reason=reason), manner="small"))
    yield Beside(left=(Facts(pairs=tuple(_facts(one, t))), *_identity(one, t)), right=tuple(plots), share=0.5)


def _facts(one: DeviceDossier, t: Texts) -> Iterable[tuple[str, str]]:
    device, target = one.device, one.target
    where = " · ".join(
        filter(None, (device.section, device.cubicle and t("device.cubicle", name=device.cubicle)))
    )
    kind, title = device.kind.value.replace("-", " "), one.profile.title
    yield t("device.kind"), title if kind in title.lower() else f"{kind}, {title}"
    yield t("device.where"), where
    yield t("device.address"), t("device.address_text", link=target.link, unit=target.unit)
    if target.gateway:
        yield t("device.via"), target.gateway
    if device.fed_from:
        yield t("device.fed"), device.fed_from
    if ratings := _ratings(one):
        yield t("device.ratings"), ratings
    yield t("device.reach"), one.reach.value
    counts = [
        f"{sum(f.verdict is v for f in one.findings)} {t(f'verdict.{v.name.lower()}')}"
        for v in Verdict
        if any(f.verdict is v for f in one.findings)
    ]
    yield t("device.counts"), ", ".join(counts)
    if one.run:
        yield t("device.run"), str(one.run)


def _ratings(one: DeviceDossier) -> str:
    drawn = one.device.ratings
    names = (("frame", drawn.frame_a), ("sensor", drawn.sensor_a), ("plug", drawn.plug_a))
    parts = [f"{name} {value:g} A" for name, value in names if value is not None]
    if drawn.ct_primary_a is not None:
        parts.append(f"CT {drawn.ct_primary_a:g}/{drawn.ct_secondary_a or 5:g} A")
    if drawn.vt_primary_v is not None:
        parts.append(f"VT {drawn.vt_primary_v:g}/{drawn.vt_secondary_v or 120:g} V")
    return ", ".join(parts)


def _open(
    one: DeviceDossier, t: Texts, numbers: dict[str, str], *, with_rule: bool = True
) -> Iterable[Block]:
    """What fails, what a person must decide, and, folded, what was not tested."""
    shown = sorted(
        (f for f in one.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)),
        key=lambda f: ((Verdict.FAIL, Verdict.REVIEW).index(f.verdict), -f.danger),
    )
    items: list[Item] = []
    for group in _same_advice(shown):
        if len(group) < ALIKE:
            items += [_single(f, t, numbers, with_rule=with_rule) for f in group]
        else:
            items.append(_together(group, t, numbers))
    items += _untested(one, t)
    if items:
        if with_rule:
            yield Heading(text=t("device.open"), level=3)
        yield Items(items=tuple(items))


def _same_advice(findings: Sequence[Finding]) -> list[list[Finding]]:
    """Findings for review that ask for one and the same thing, where the first of them stands."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for f in findings:
        alone = f.verdict is not Verdict.REVIEW or not f.advice
        groups.setdefault((f.id,) if alone else (f.advice, f.cause or ""), []).append(f)
    return list(groups.values())


def _single(f: Finding, t: Texts, numbers: dict[str, str], *, with_rule: bool) -> Item:
    lines = (
        (t("finding.seen"), comparison(f)),
        (t("finding.do"), clean_advice(f.advice)),
        (t("finding.cause"), numbers.get(f.cause or "", "")),
        (t("finding.rule"), f.rule if with_rule else ""),
    )
    return Item(number="", head=f.title, verdict=f.verdict, lines=tuple(line for line in lines if line[1]))


def _together(group: Sequence[Finding], t: Texts, numbers: dict[str, str]) -> Item:
    """One entry for all; what was seen counts only then, and is in the readings and the record."""
    verdicts = count(len(group), "verdict")
    ending = common_ending([f.title for f in group])
    head = (
        t("device.alike", verdicts=verdicts, reason=ending[1])
        if ending[1]
        else t("device.alike_plain", verdicts=verdicts)
    )
    lines = (
        (t("finding.do"), clean_advice(group[0].advice)),
        (t("finding.cause"), numbers.get(group[0].cause or "", "")),
        (t("finding.checks"), "; ".join(dict.fromkeys(ending[0]))),
    )
    return Item(
        number="", head=head, verdict=group[0].verdict, lines=tuple(line for line in lines if line[1])
    )


def _untested(one: DeviceDossier, t: Texts) -> list[Item]:
    """Verdicts that could not be given, one entry a reason."""
    groups: dict[str, list[str]] = {}
    for f in one.findings:
        if f.verdict is Verdict.NOT_TESTED:
            check, _, why = f.title.partition(": not tested, ")
            groups.setdefault(why or f.title, []).append(check)
    return [
        Item(
            number="",
            head=t("device.untested", verdicts=count(len(checks), "verdict"), reason=reason),
            lines=((t("finding.checks"), "; ".join(dict.fromkeys(checks))),),
            verdict=Verdict.NOT_TESTED,
        )
        for reason, checks in groups.items()
    ]


def _identity(one: DeviceDossier, t: Texts) -> Iterable[Block]:
    """Who it says it is, against the drawing."""
    rows: list[tuple[Cell, ...]] = []
    for field in _IDENTITY:
        for f in one.findings:
            if f.check == f"identity.{field}":
                rows.append(
                    (f.verdict, t(f"identity.{field}"), f.expected or _drawn(one, field), f.observed or "–")
                )
    if rows:
        yield Table(
            title=t("identity.heading"),
            columns=(
                Column(""),
                Column(t("identity.heading"), 3),
                Column(t("column.drawn"), 4),
                Column(t("column.read"), 4),
            ),
            rows=tuple(rows),
            small=True,
            bare=True,
        )


def _drawn(one: DeviceDossier, field: str) -> str:
    return str(getattr(one.device.identity, field, None) or getattr(one.device, field, None) or "–")


def _settings(one: DeviceDossier, t: Texts) -> Iterable[Block]:
    """Protective settings as found, against the study where a finding holds one."""
    found = [(p, r) for p, r in one.readings.values() if p.quantity in SETTINGS]
    if not found:
        return
    if one.settings is not None and one.settings.rows:
        yield from device_settings(one.settings.rows, t)
        return
    entries: list[tuple[Cell, ...]] = [(p.title, shown(p, r, t)) for p, r in found]
    side = min(len(entries), 3)  # so many pairs of columns beside each other
    each = -(-len(entries) // side)
    padded = entries + [("", "")] * (side * each - len(entries))
    pair, gap = (Column(t("device.settings"), 8), Column(t("column.found"), 3, right=True)), Column("", 0.3)
    yield Table(
        title=t("device.settings"),
        columns=(*pair, *((gap, *pair) * (side - 1))),
        rows=tuple(
            (*padded[n], *(cell for k in range(1, side) for cell in ("", *padded[n + k * each])))
            for n in range(each)
        ),
        small=True,
    )
    why = one.settings.why if one.settings is not None else ""
    yield Text(text=t("device.no_study", why=why or t("device.no_why")), manner="small")


def _passes(one: DeviceDossier, t: Texts) -> Iterable[Block]:
    """What passed, in one paragraph: the eye shall find what is open."""
    passed = [f for f in one.findings if f.verdict is Verdict.PASS and not f.check.startswith("identity.")]
    if passed:
        said = "; ".join(dict.fromkeys(f.title for f in passed))
        yield Items(
            items=(
                Item(
                    number="",
                    head=t("device.passed", verdicts=count(len(passed), "verdict")),
                    lines=(("", said),),
                    verdict=Verdict.PASS,
                ),
            )
        )
