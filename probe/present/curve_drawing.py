"""Time-current curves as the trade draws them: log-log, amperes across, seconds upward; SVG 1.1 by hand.

One drawing a device (as found beside studied, maintenance mode beside normal) and one a pair of breakers in
series (as found beside studied). A band reaches from the soonest to the latest clearing of the type. Each has
its name in words and a line style of its own, so that nobody needs the colours. Pure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from probe.judge.settings.lineup_check import ampere_ranges
from probe.judge.settings.pairs import Coordination, Pair, domains_of, fault_current_a, pairs_of
from probe.model.trip_band import NoBandError, TripBand
from probe.present.curve_outline import Frame, frame_of, outline
from probe.present.settings_table import NOT_A_STUDY
from probe.present.svg_paper import caption, picture
from probe.record.settings_view import SettingsView


class Sheet(NamedTuple):
    """Size of a drawing and room around its axes, in points of its own. titled: with title and notes."""

    width: int
    height: int
    left: int
    top: int
    right: int
    foot: int
    titled: bool = True


#: A sheet of its own; and one for a column of a document, which has title and notes elsewhere.
LARGE = Sheet(900, 1080, 80, 96, 40, 210)
SMALL = Sheet(440, 500, 54, 10, 14, 134, titled=False)


class Style(NamedTuple):
    """How one band is drawn. dash: "" for a full line."""

    colour: str
    dash: str


_STYLES = (
    Style("#1f5f8b", ""),
    Style("#b5561c", "9 4"),
    Style("#3d7a3a", "2 4"),
    Style("#6d4a8c", "12 3 2 3"),
)


class Drawn(NamedTuple):
    """One band of a drawing with its name."""

    name: str
    band: TripBand


def drawings(view: SettingsView) -> dict[str, str]:
    """File name to SVG text: each device that has a band, each pair that was looked at."""
    made: dict[str, str] = {}
    for device in view.devices:
        for domain in domains_of(view.lineup, (device.tag,)):
            text = device_drawing(view, device.tag, domain)
            if text:
                made[f"{_file(device.tag)}-{domain}.svg"] = text
    for pair in pairs_of(view.lineup.map):
        for domain in domains_of(view.lineup, pair):
            text = pair_drawing(view, pair, domain)
            if text:
                made[f"{_file(pair.lower)}-below-{_file(pair.upper)}-{domain}.svg"] = text
    return made


def device_drawing(view: SettingsView, tag: str, domain: str) -> str:
    """One device: as found, as studied, and in maintenance mode as found; "" where nothing can be drawn."""
    bands = view.bands
    wanted = (
        (f"{tag} as found", lambda: bands.as_found(tag, "normal", domain)),
        (f"{tag} as studied", lambda: bands.studied(tag, "normal", domain)),
        (f"{tag} in maintenance mode, as found", lambda: bands.as_found(tag, "maintenance", domain)),
    )
    drawn = _possible(wanted)
    if not drawn:
        return ""
    fault_a = fault_current_a(view.lineup.map, Pair(tag, tag))
    return svg(f"{tag}, {domain} faults", drawn, fault_a, _notes(view))


def pair_drawing(view: SettingsView, pair: Pair, domain: str, sheet: Sheet = LARGE) -> str:
    """Two breakers in series as found and as studied; "" where one of them cannot be drawn."""
    bands, (lower, upper) = view.bands, pair
    wanted = (
        (f"{lower} as found", lambda: bands.as_found(lower, "normal", domain)),
        (f"{upper} as found", lambda: bands.as_found(upper, "normal", domain)),
        (f"{lower} as studied", lambda: bands.studied(lower, "normal", domain)),
        (f"{upper} as studied", lambda: bands.studied(upper, "normal", domain)),
    )
    drawn = _possible(wanted)
    if len(drawn) < len(wanted):
        return ""
    found = next((c for c in view.coordinations if c.pair == pair and c.domain == domain and not c.why), None)
    notes = [*([_crossing(found)] if found else []), *_notes(view)]
    fault_a = fault_current_a(view.lineup.map, pair)
    return svg(f"{lower} below {upper}, {domain} faults", drawn, fault_a, notes, sheet)


def _possible(wanted: Sequence[tuple[str, Callable[[], TripBand]]]) -> list[Drawn]:
    drawn = []
    for name, make in wanted:
        try:
            drawn.append(Drawn(name, make()))
        except NoBandError:
            continue
    return drawn


def _crossing(one: Coordination) -> str:
    return (
        f"Where the upper breaker may trip first: as found {ampere_ranges(one.found)}, "
        f"as studied {ampere_ranges(one.studied)}"
    )


def _notes(view: SettingsView) -> list[str]:
    studies = [f"Study {study.label}" for study in view.studies]
    return [*studies, f"Record {view.code}", NOT_A_STUDY]


def _file(tag: str) -> str:
    """The tag as part of a file's name on every system."""
    return re.sub(r"[^A-Za-z0-9._-]", "_", tag)


# -- the picture ------------------------------------------------------------------------------------------


def svg(
    title: str,
    drawn: Sequence[Drawn],
    fault_a: float | None,
    notes: Sequence[str],
    sheet: Sheet = LARGE,
) -> str:
    """The drawing. fault_a: available fault current, drawn as an upright line and the end of every band."""
    frame = frame_of([one.band for one in drawn], fault_a)
    paper = _Paper(frame, sheet)
    parts: list[str] = []
    if sheet.titled:
        parts.append(caption(sheet.left, 36, title, size=20, weight="bold"))
        read = "Time-current curves; bands from soonest to latest clearing"
        parts.append(caption(sheet.left, 60, read, size=13))
    parts += paper.grid()
    for one, style in zip(drawn, _STYLES, strict=False):
        parts.append(paper.figure(outline(one.band, frame, fault_a or frame.high_a), style))
    if fault_a is not None:
        parts += paper.fault(fault_a)
    parts += _legend(drawn, notes, sheet)
    said = "; ".join([*(one.name for one in drawn), *notes])
    return picture(sheet.width, sheet.height, title, parts, said)


class _Paper:
    """Places amperes and seconds on the drawing."""

    def __init__(self, frame: Frame, sheet: Sheet) -> None:
        self._frame, self._sheet = frame, sheet
        across, up = sheet.width - sheet.left - sheet.right, sheet.height - sheet.top - sheet.foot
        self._across = across / math.log10(frame.high_a / frame.low_a)
        self._up = up / math.log10(frame.high_s / frame.low_s)

    def x(self, current_a: float) -> float:
        """Column of a current."""
        return self._sheet.left + self._across * math.log10(current_a / self._frame.low_a)

    def y(self, seconds: float) -> float:
        """Line of a time."""
        return self._sheet.height - self._sheet.foot - self._up * math.log10(seconds / self._frame.low_s)

    def figure(self, points: Sequence[tuple[float, float]], style: Style) -> str:
        """A band: filled lightly, its edge in its own line."""
        path = " ".join(f"{self.x(a):.2f},{self.y(t):.2f}" for a, t in points)
        dash = f' stroke-dasharray="{style.dash}"' if style.dash else ""
        return (
            f'<polygon points="{path}" fill="{style.colour}" fill-opacity="0.16" stroke="{style.colour}" '
            f'stroke-width="1.6"{dash}/>'
        )

    def grid(self) -> Iterator[str]:
        """Lines at 1 to 9 of each decade, numbers at each 1 (and 2, 5 of the currents)."""
        frame = self._frame
        top, foot = self.y(frame.high_s), self.y(frame.low_s)
        left, right = self.x(frame.low_a), self.x(frame.high_a)
        for value in _marks(frame.low_a, frame.high_a):
            yield _line(self.x(value), top, self.x(value), foot, heavy=_is_decade(value))
            if _is_decade(value) or _digit(value) in (2, 5):
                yield caption(self.x(value), foot + 18, _amps(value), size=11, anchor="middle")
        for value in _marks(frame.low_s, frame.high_s):
            yield _line(left, self.y(value), right, self.y(value), heavy=_is_decade(value))
            if _is_decade(value):
                yield caption(left - 8, self.y(value) + 4, f"{value:g}", size=11, anchor="end")
        middle, side = (left + right) / 2, self._sheet.left * 3 // 10
        yield caption(middle, foot + 40, "Current, amperes", size=13, anchor="middle")
        yield (
            f'<text x="{side}" y="{(top + foot) / 2:.1f}" font-size="13" text-anchor="middle" '
            f'transform="rotate(-90 {side} {(top + foot) / 2:.1f})">Time, seconds</text>'
        )

    def fault(self, fault_a: float) -> Iterator[str]:
        """The available fault current."""
        x = self.x(fault_a)
        top, foot = self.y(self._frame.high_s), self.y(self._frame.low_s)
        yield (
            f'<line x1="{x:.2f}" y1="{top:.2f}" x2="{x:.2f}" y2="{foot:.2f}" stroke="#8b1a1a" '
            'stroke-width="2"/>'
        )
        yield caption(
            x - 6, top + 16, f"Available fault current {fault_a / 1000:g} kA", size=11, anchor="end"
        )


def _marks(low: float, high: float) -> Iterator[float]:
    decade = low
    while decade < high * (1 - 1e-9):
        yield from (decade * digit for digit in range(1, 10))
        decade *= 10
    yield high


def _digit(value: float) -> int:
    return round(value / math.pow(10, math.floor(math.log10(value) + 1e-9)))


def _is_decade(value: float) -> bool:
    return _digit(value) in (1, 10)


def _amps(value: float) -> str:
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


def _line(x1: float, y1: float, x2: float, y2: float, *, heavy: bool) -> str:
    colour, width = ("#8a8a8a", 0.9) if heavy else ("#d2d2d2", 0.5)
    return (
        f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" stroke="{colour}" '
        f'stroke-width="{width}"/>'
    )


def _legend(drawn: Sequence[Drawn], notes: Sequence[str], sheet: Sheet) -> Iterator[str]:
    y = sheet.height - sheet.foot + 66
    beside = 2 if sheet.titled else 1
    for number, (one, style) in enumerate(zip(drawn, _STYLES, strict=False)):
        x, line = sheet.left + 400 * (number % beside), y + 20 * (number // beside)
        dash = f' stroke-dasharray="{style.dash}"' if style.dash else ""
        yield (
            f'<line x1="{x}" y1="{line - 4}" x2="{x + 44}" y2="{line - 4}" stroke="{style.colour}" '
            f'stroke-width="2.4"{dash}/>'
        )
        yield caption(x + 52, line, one.name, size=12)
    for number, note in enumerate(notes if sheet.titled else ()):
        yield caption(sheet.left, y + 48 + 17 * number, note, size=11)
