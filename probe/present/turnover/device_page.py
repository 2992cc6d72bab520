"""Device page: one device: identity, what is open, readings against limits, clock, settings, reply times."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

from probe.judge.limit import Interval, around, within
from probe.judge.wording import count, number, value_text
from probe.model.device_map import DeviceMap
from probe.model.finding import WORST_FIRST, Finding, Verdict
from probe.model.profile import Point
from probe.model.reading import Quality, Reading
from probe.present.phrase import comparison, with_unit
from probe.present.summary import clean_advice
from probe.present.turnover.blocks import (
    Beside,
    Block,
    Cell,
    Column,
    Facts,
    Heading,
    Item,
    Items,
    Table,
    Text,
)
from probe.present.turnover.dossier import DeviceDossier, Dossier
from probe.present.turnover.plots import clock_plot, reply_plot
from probe.present.turnover.settings_chapter import device_settings
from probe.present.turnover.texts import Texts

#: Quantities that stand in tables of their own, or are told by checks.
_SETTINGS = ("setting",)
_TOLD = ("identity", "text", "time", "state", "heartbeat", "scale", "address", "rating")
#: Cell of a reading that no check judges.
NO_CHECK = "·"
_IDENTITY = ("maker", "model", "serial", "firmware", "hardware_address")


class Fold(StrEnum):
    """How much of each device is shown, the richest first."""

    WHOLE = "whole"  # a page a device
    OPEN = "open"  # devices with something open, without their readings; the others a row each
    ROWS = "rows"  # a row a device


def device_pages(dossier: Dossier, t: Texts, width: float, fold: Fold) -> Iterable[Block]:
    """The devices in the order of the map, as much of each as ``fold`` says."""
    numbers = {cause.id: str(n) for n, cause in enumerate(dossier.content.causes, 1)}
    yield Heading(text=t("devices.heading"), mark="devices")
    yield Text(text=t("devices.intro" if fold is Fold.WHOLE else f"devices.fold_{fold.value}"))
    if fold is Fold.WHOLE:
        for number, one in enumerate(dossier.devices):
            yield _heading(one, number, new_page=True)
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
        mark=f"device-{number}",
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
    yield from _readings(one, dossier.map, t)
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
        plots.append(Text(text=t("plot.no_clock", reason=one.clock.cause), manner="small"))
    yield Beside(left=(Facts(pairs=tuple(_facts(one, t))), *_identity(one, t)), right=tuple(plots), share=0.5)


def _facts(one: DeviceDossier, t: Texts) -> Iterable[tuple[str, str]]:
    device, target = one.device, one.target
    where = " · ".join(
        filter(None, (device.section, device.cubicle and t("device.cubicle", name=device.cubicle)))
    )
    yield t("device.kind"), f"{device.kind.value.replace('-', ' ')}, {one.profile.title}"
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
    items = [
        Item(
            number="",
            head=f.title,
            verdict=f.verdict,
            lines=tuple(
                (name, text)
                for name, text in (
                    (t("finding.seen"), comparison(f)),
                    (t("finding.do"), clean_advice(f.advice)),
                    (t("finding.cause"), numbers.get(f.cause or "", "")),
                    (t("finding.rule"), f.rule if with_rule else ""),
                )
                if text
            ),
        )
        for f in shown
    ]
    items += _untested(one, t)
    if items:
        if with_rule:
            yield Heading(text=t("device.open"), level=3)
        yield Items(items=tuple(items))


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


def _readings(one: DeviceDossier, map_: DeviceMap, t: Texts) -> Iterable[Block]:
    """Measured values against their limits, two side by side in a row, in the profile's order."""
    entries: list[tuple[Cell, ...]] = []
    for point, reading in one.readings.values():
        if point.quantity in (*_TOLD, *_SETTINGS) or point.bits or point.quantity == "":
            continue
        limits, verdict = _limits(one, map_, point, reading)
        entries.append(
            (point.title, shown(point, reading, t), limits, verdict if verdict is not None else NO_CHECK)
        )
    states = [
        (point.title, value_text(point, reading.value))
        for point, reading in one.readings.values()
        if point.quantity == "state" and point.values and reading.quality is Quality.GOOD
    ]
    if not entries and not states:
        yield Text(text=t("device.no_readings"), manner="small")
        return
    if entries:
        yield Table(
            title=t("device.readings"),
            columns=(
                Column(t("device.readings"), 5),
                Column(t("column.value"), 3, right=True),
                Column(t("column.limits"), 4, right=True),
                Column(""),
                Column(t("device.readings"), 5),
                Column(t("column.value"), 3, right=True),
                Column(t("column.limits"), 4, right=True),
                Column(""),
            ),
            rows=tuple(_paired(entries)),
            small=True,
            bare=True,
        )
    if states:
        yield Facts(pairs=((t("device.states"), "; ".join(f"{title}: {text}" for title, text in states)),))


def _paired(entries: Sequence[tuple[Cell, ...]]) -> Iterable[tuple[Cell, ...]]:
    """The first half on the left, the second on the right, so that each is read downwards."""
    half = -(-len(entries) // 2)
    for n in range(half):
        right = entries[half + n] if half + n < len(entries) else ("", "", "", "")
        yield (*entries[n], *right)


def shown(point: Point, reading: Reading, t: Texts) -> str:
    """The value as people write it, or in words why there is none."""
    if reading.quality is not Quality.GOOD:
        return t("quality.none", why=reading.quality.value)
    return with_unit(grouped(value_text(point, reading.value)), point.unit)


def grouped(text: str) -> str:
    """A long number with its thousands apart by a narrow blank."""
    whole, dot, rest = text.partition(".")
    digits = whole.lstrip("-")
    if not digits.isdigit() or len(digits) < 5:
        return text
    return f"{int(whole):,}".replace(",", "\u202f") + dot + rest


def _limits(
    one: DeviceDossier, map_: DeviceMap, point: Point, reading: Reading
) -> tuple[str, Verdict | None]:
    """What the value is held against, in words, and the verdict; none where no check covers it.

    The verdict is never better than that of the finding that covers the point.
    """
    covering = {
        f.check: f for f in one.findings if f.check in ("supply.voltage", "supply.frequency", "values.range")
    }
    own = next((f for f in one.findings if f.point == point.name and f.expected), None)
    if own is not None and own.check in ("supply.voltage", "supply.frequency"):
        return own.expected, own.verdict
    system = _system_limits(map_, point)
    if system is not None and (finding := _of_quantity(covering, point)) is not None:
        return _range(point, *system), _careful(finding, system, point, reading)
    if point.low is None and point.high is None:
        return "", None
    finding = covering.get("values.range")
    if finding is None:
        return _range(point, point.low, point.high), None
    return _range(point, point.low, point.high), _careful(finding, (point.low, point.high), point, reading)


def _of_quantity(covering: dict[str, Finding], point: Point) -> Finding | None:
    return covering.get("supply.frequency" if point.quantity == "frequency" else "supply.voltage")


def _system_limits(map_: DeviceMap, point: Point) -> tuple[float, float] | None:
    from probe.judge.checks.supply import nominal_voltage

    if point.quantity == "frequency" and point.unit == "Hz":
        width = map_.tolerances.frequency_hz
        return map_.system.frequency_hz - width, map_.system.frequency_hz + width
    nominal = nominal_voltage(point, map_)
    if nominal is None or not point.quantity.startswith("voltage_") or point.phase in ("n", "g"):
        return None
    share = map_.tolerances.voltage_percent / 100
    return nominal * (1 - share), nominal * (1 + share)


def _careful(
    finding: Finding, limits: tuple[float | None, float | None], point: Point, reading: Reading
) -> Verdict:
    """The finding's verdict; of one that fails or is for review only values that are outside share it."""
    if finding.verdict in (Verdict.PASS, Verdict.NOT_TESTED):
        return finding.verdict
    if reading.quality is not Quality.GOOD or isinstance(reading.value, str):
        return finding.verdict
    half = 0.5 * 10.0**-point.decimals
    seen: Interval = around(float(reading.value), half)
    inside = within(seen, *limits) is Verdict.PASS
    return Verdict.PASS if inside and finding.verdict is Verdict.FAIL else finding.verdict


def _range(point: Point, low: float | None, high: float | None) -> str:
    digits = min(point.decimals, 1)
    if low is None or high is None:
        return f"≥ {number(low, digits)}" if low is not None else f"≤ {number(high or 0.0, digits)}"
    if low == -high:
        return f"± {_compact(high, digits)}"
    return f"{_compact(low, digits)} – {_compact(high, digits)}"


def _compact(value: float, digits: int) -> str:
    if abs(value) >= 1e9:
        return f"{value:.0e}".replace("e+", "e")
    return grouped(f"{value:.0f}" if value == int(value) else number(value, digits))


def _settings(one: DeviceDossier, t: Texts) -> Iterable[Block]:
    """Protective settings as found, against the study where a finding holds one."""
    found = [(p, r) for p, r in one.readings.values() if p.quantity in _SETTINGS]
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
