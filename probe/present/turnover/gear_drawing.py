"""Gear drawing: the lineup as it stands, drawn from the map: sections side by side, cubicles stacked in each.

Each device shows its lamp: sign, word and colour. Sections that do not fit beside each other go on in a
further row; a section too tall for a page goes on beside itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from probe.model.device_map import Device
from probe.model.finding import Verdict
from probe.present.turnover.blocks import Drawing, Shape
from probe.present.turnover.palette import FAINT, INK, LAMPS, QUIET, RULE
from probe.present.turnover.texts import Texts

WIDEST, NARROWEST = 34.0, 23.0
HEAD, CELL, BASE, GAP = 7.0, 8.4, 2.0, 0.8
#: Devices in one column of the drawing; a section with more goes on beside itself.
TALLEST = 22


@dataclass(slots=True)
class _Column:
    """One section, or a part of one, as it is drawn."""

    title: str
    cubicles: list[tuple[str, list[Device]]] = field(default_factory=list)

    @property
    def height(self) -> float:
        """Of all cubicles, without head and base."""
        return sum(CELL * len(devices) for _, devices in self.cubicles)


def gear_drawings(
    devices: Sequence[Device],
    verdict_of: Mapping[str, Verdict | None],
    width: float,
    t: Texts,
) -> tuple[Drawing, ...]:
    """The lineup, one drawing a row of sections. width: room in millimetres.

    verdict_of: by tag; None for a device that was left out.
    """
    columns = list(_columns(devices))
    per_row = max(1, int(width // (NARROWEST + GAP)))
    rows = -(-len(columns) // per_row)
    per_row = -(-len(columns) // max(rows, 1))  # rows of even length
    room = min(WIDEST, width / max(per_row, 1) - GAP)
    strips = [columns[n : n + per_row] for n in range(0, len(columns), per_row)]
    return tuple(_strip(strip, verdict_of, room, t) for strip in strips)


def _columns(devices: Sequence[Device]) -> Iterable[_Column]:
    """The sections in the map's order, cubicles in theirs, cut where they grow too tall."""
    for section in dict.fromkeys(device.section for device in devices):
        groups: dict[str, list[Device]] = {}
        for device in devices:
            if device.section == section:
                groups.setdefault(device.cubicle or "", []).append(device)
        column, many = _Column(section), 0
        for name, group in groups.items():
            for start in range(0, len(group), TALLEST):
                part = group[start : start + TALLEST]
                if many + len(part) > TALLEST:
                    yield column
                    column, many = _Column(f"{section} …"), 0
                column.cubicles.append((name, part))
                many += len(part)
        yield column


def _strip(
    columns: Sequence[_Column], verdict_of: Mapping[str, Verdict | None], room: float, t: Texts
) -> Drawing:
    tallest = max(column.height for column in columns)
    height = HEAD + tallest + BASE + 1
    shapes: list[Shape] = []
    told: list[str] = []
    for number, column in enumerate(columns):
        x = number * (room + GAP) + 0.2
        shapes += _frame(column, x, room, height)
        y = HEAD
        for name, devices in column.cubicles:
            lit = [(device.tag, verdict_of.get(device.tag)) for device in devices]
            shapes += _cubicle(name, lit, (x, y, room), t)
            y += CELL * len(devices)
            told += [f"{tag} {_word(verdict, t)}" for tag, verdict in lit]
    return Drawing(
        width=len(columns) * (room + GAP) - GAP + 0.4,
        height=height,
        shapes=tuple(shapes),
        alternative=t("gear.alternative", devices="; ".join(told)),
    )


def _frame(column: _Column, x: float, room: float, height: float) -> Iterable[Shape]:
    """The section: its sheet-metal outline, head with its name, and the base that it stands on."""
    yield Shape("box", x, 0.2, room, height - BASE - 0.7, QUIET, "#ffffff", 0.35)
    yield Shape("box", x, 0.2, room, HEAD - 0.2, QUIET, FAINT, 0.35)
    yield Shape("text", x + room / 2, HEAD / 2 + 0.1, 7.2, 0, INK, "middle", 1, cut(column.title, room, 7.2))
    yield Shape("box", x, height - BASE - 0.5, room, BASE, QUIET, RULE, 0.35)


def _cubicle(
    name: str, lit: Sequence[tuple[str, Verdict | None]], place: tuple[float, float, float], t: Texts
) -> Iterable[Shape]:
    """One door with its devices on it. lit: tags with their verdicts; place: left, top, width."""
    x, y, room = place
    height = CELL * len(lit)
    yield Shape("box", x + 0.9, y + 0.6, room - 1.8, height - 0.9, RULE, "#ffffff", 0.25)
    if name:
        yield Shape("text", x + room - 1.7, y + 2.6, 5.6, 0, QUIET, "right", 0, cut(name, 9, 5.6))
    for number, (tag, verdict) in enumerate(lit):
        middle = y + CELL * number + CELL / 2 + 0.15
        sign, filling, ink = LAMPS[verdict] if verdict is not None else ("–", RULE, INK)
        yield Shape("box", x + 1.9, middle - 2.0, 4.0, 4.0, filling, filling, 0.2)
        yield Shape("text", x + 3.9, middle, 8.0, 0, ink, "middle", 1, sign)
        free = room - 8.6 - (min(len(name), 6) * 1.1 if name and number == 0 else 0)
        yield Shape("text", x + 6.9, middle - 1.25, 7.4, 0, INK, "left", 1, cut(tag, free, 7.4))
        yield Shape("text", x + 6.9, middle + 1.6, 6.2, 0, QUIET, "left", 0, _word(verdict, t))


def _word(verdict: Verdict | None, t: Texts) -> str:
    return t("gear.left_out") if verdict is None else t(f"verdict.{verdict.name.lower()}")


def cut(text: str, room: float, size: float) -> str:
    """The text as far as it fits into so many millimetres at a size in points, its loss shown by an ellipsis.

    Signs count as 0.55 of the size wide (measured over tags of capitals and digits in the document's face).
    """
    most = max(1, int(room / (size * 0.3528 * 0.55)))
    return text if len(text) <= most else text[: max(most - 1, 1)].rstrip() + "…"
