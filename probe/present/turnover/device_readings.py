"""Device readings: one device's values against their limits, as they stand on its page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe.judge.limit import Interval, around, within
from probe.judge.wording import number, value_text
from probe.model.device_map import DeviceMap
from probe.model.finding import Finding, Verdict
from probe.model.profile import Point
from probe.model.reading import Quality, Reading
from probe.present.phrase import with_unit
from probe.present.turnover.blocks import Block, Cell, Column, Facts, Table, Text
from probe.present.turnover.dossier import DeviceDossier
from probe.present.turnover.texts import Texts

#: Quantities that stand in tables of their own, or are told by checks.
SETTINGS = ("setting",)
_TOLD = ("identity", "text", "time", "state", "heartbeat", "scale", "address", "rating")
#: Cell of a reading that no check judges.
NO_CHECK = "·"


def device_readings(one: DeviceDossier, map_: DeviceMap, t: Texts) -> Iterable[Block]:
    """Measured values against their limits, two side by side in a row, in the profile's order."""
    entries: list[tuple[Cell, ...]] = []
    events = one.profile.event_points
    for point, reading in one.readings.values():
        if point.quantity in (*_TOLD, *SETTINGS, "") or point.bits or point.name in events:
            continue
        limits, verdict = _limits(one, map_, point, reading)
        entries.append(
            (point.title, shown(point, reading, t), limits, verdict if verdict is not None else NO_CHECK)
        )
    states = [
        (point.title, value_text(point, reading.value))
        for point, reading in one.readings.values()
        if point.quantity == "state"
        and point.values
        and point.name not in events
        and reading.quality is Quality.GOOD
    ]
    if not entries and not states:
        yield Text(text=t("device.no_readings"), manner="small")
        return
    if entries:
        yield Table(
            title=t("device.readings"),
            columns=(
                Column(t("device.readings"), 1),
                Column(t("column.value"), right=True),
                Column(t("column.limits"), right=True),
                Column(""),
                Column(t("device.readings"), 1),
                Column(t("column.value"), right=True),
                Column(t("column.limits"), right=True),
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
    """A number with a true minus, of a long one the thousands apart by a narrow blank."""
    whole, dot, rest = text.partition(".")
    digits = whole.removeprefix("-")
    if not digits.isdigit():
        return text
    sign = "−" if whole != digits else ""
    grouped_ = f"{int(digits):,}".replace(",", "\u202f") if len(digits) > 4 else digits
    return sign + grouped_ + dot + rest


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
