"""Makes the pages of the checks and their pictures: docs/checks.md, docs/checks/, docs/checks/pictures/.

    python docs/make_checks.py

Texts come from the registrations and from probe/judge/notes; the pictures are phasor diagrams drawn here, so
that neither can drift from the program. A house test compares.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent))

from probe.judge.catalogue import markdown, page  # noqa: E402 (the checkout must be on the path first)
from probe.judge.registry import BY_ID  # noqa: E402

NOTES = DOCS.parent / "probe" / "judge" / "notes"
#: Phasors drawn as lines: colour, width, dashes. Dashes and labels say the same as the colours.
STYLES = {
    "voltage": ("#1a1a1a", 2.2, ""),
    "current": ("#0b5cad", 2.2, "7 4"),
    "wrong": ("#b3261e", 3.0, "3 3"),
    "sum": ("#5b5b5b", 1.4, "1 3"),
}
SIZE, MIDDLE, UNIT = 300, 150, 105


def arrow(length: float, degrees: float, style: str, label: str, start: tuple[float, float] = (0, 0)) -> str:
    """One phasor: a line with a head and its label. Lengths in units of a phase voltage, angles as usual."""
    colour, width, dash = STYLES[style]
    x0, y0 = MIDDLE + UNIT * start[0], MIDDLE - UNIT * start[1]
    turn = math.radians(degrees)
    x1, y1 = x0 + UNIT * length * math.cos(turn), y0 - UNIT * length * math.sin(turn)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    head = " ".join(
        f"{x1 - 9 * math.cos(turn + side):.1f},{y1 + 9 * math.sin(turn + side):.1f}" for side in (0.4, -0.4)
    )
    if style == "sum":  # it goes from tip to tip, where other labels stand: label it beside its middle
        lx, ly = (x0 + x1) / 2 + 16 * math.sin(turn), (y0 + y1) / 2 + 16 * math.cos(turn) + 5
    else:
        lx, ly = x1 + 14 * math.cos(turn), y1 - 14 * math.sin(turn) + 5
    return (
        f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{colour}" '
        f'stroke-width="{width}"{dashes}/>'
        f'<polygon points="{x1:.1f},{y1:.1f} {head}" fill="{colour}"/>'
        f'<text x="{lx:.1f}" y="{ly:.1f}" fill="{colour}" text-anchor="middle">{label}</text>'
    )


def drawing(title: str, caption: str, parts: Iterable[str], height: int = SIZE) -> str:
    """A picture with its title for screen readers and its caption below."""
    words = "".join(
        f'<text x="{MIDDLE}" y="{height + 18 + 17 * n}" text-anchor="middle" font-size="13">{line}</text>'
        for n, line in enumerate(caption.split("|"))
    )
    full = height + 30 + 17 * caption.count("|")
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {full}" width="{SIZE}" height="{full}" '
        f'role="img" font-family="sans-serif" font-size="14"><title>{title}</title>'
        f'<rect width="{SIZE}" height="{full}" fill="#ffffff"/>\n{body}\n{words}</svg>\n'
    )


def voltages(a: float = 1.0) -> list[str]:
    """Three phase voltages."""
    return [arrow(a, 90, "voltage", "Va"), arrow(1, -30, "voltage", "Vb"), arrow(1, 210, "voltage", "Vc")]


def current(label: str, degrees: float, style: str = "current") -> str:
    """A phase current of usual size."""
    return arrow(0.7, degrees, style, label)


def line(one: float, other: float, label: str) -> str:
    """The line voltage from the tip of one phase voltage to that of another."""
    x0, y0 = math.cos(math.radians(one)), math.sin(math.radians(one))
    x1, y1 = math.cos(math.radians(other)), math.sin(math.radians(other))
    return arrow(
        math.hypot(x1 - x0, y1 - y0), math.degrees(math.atan2(y1 - y0, x1 - x0)), "sum", label, (x0, y0)
    )


def box(x: int, y: int, text: str, ink: str = "#1a1a1a") -> str:
    """A labelled box for the picture of a bus."""
    return (
        f'<rect x="{x - 28}" y="{y - 14}" width="56" height="28" fill="none" stroke="{ink}"/>'
        f'<text x="{x}" y="{y + 5}" text-anchor="middle" fill="{ink}">{text}</text>'
    )


def stroke(x0: int, y0: int, x1: int, y1: int, width: float = 1.5) -> str:
    """A plain line."""
    return f'<line x1="{x0}" y1="{y0}" x2="{x1}" y2="{y1}" stroke="#1a1a1a" stroke-width="{width}"/>'


def pictures() -> dict[str, str]:
    """All pictures by name. The load lags by 30 degrees throughout."""
    return {name: drawing(*picture) for name, picture in {**_healthy(), **_faults(), **_others()}.items()}


Picture = tuple[str, str, list[str], int]


def _healthy() -> dict[str, Picture]:
    currents = [current("Ia", 60), current("Ib", -60), current("Ic", 180)]
    lines = [line(-30, 90, "Vab"), line(210, -30, "Vbc"), line(90, 210, "Vca")]
    return {
        "wye": (
            "Healthy wye circuit",
            "Healthy: each current lags its voltage|by the same angle.",
            [*voltages(), *currents],
            SIZE,
        ),
        "delta": (
            "Line and phase voltages",
            "Line voltages (dotted) are 1.73 times|the phase voltages, 30 degrees ahead.",
            [*voltages(), *lines],
            SIZE,
        ),
    }


def _faults() -> dict[str, Picture]:
    ink = STYLES["wrong"][0]
    gone = (
        f'<circle cx="{MIDDLE}" cy="{MIDDLE}" r="5" fill="{ink}"/>'
        f'<text x="{MIDDLE}" y="{MIDDLE - 12}" text-anchor="middle" fill="{ink}">Va = 0</text>'
    )
    left = [arrow(1, -30, "voltage", "Vb"), arrow(1, 210, "voltage", "Vc"), line(210, -30, "Vbc")]
    turned = [current("Ia", 60), current("Ib", 120, "wrong"), current("Ic", 180)]
    swapped = [current("Ia", 60), current("Ib", 180, "wrong"), current("Ic", -60, "wrong")]
    rolled = [current("Ia", -60, "wrong"), current("Ib", 180, "wrong"), current("Ic", 60, "wrong")]
    backwards = [arrow(1, 90, "voltage", "Va"), arrow(1, 210, "wrong", "Vb"), arrow(1, -30, "wrong", "Vc")]
    return {
        "fuse": (
            "A fuse of phase A is gone",
            "Fuse of phase A gone: Va is zero,|Vab and Vca fall to the phase voltage.",
            [*left, gone],
            SIZE,
        ),
        "reversed": (
            "Current transformer of phase B turned round",
            "Transformer of phase B turned round:|P of B is negative, the total a third.",
            [*voltages(), *turned],
            SIZE,
        ),
        "swapped": (
            "Current transformers of B and C exchanged",
            "Transformers of B and C exchanged:|the total power is zero.",
            [*voltages(), *swapped],
            SIZE,
        ),
        "rolled": (
            "Currents rolled against the voltages",
            "All three currents one place further:|120 degrees off in every phase.",
            [*voltages(), *rolled],
            SIZE,
        ),
        "rotation": (
            "Two phases exchanged at the source",
            "B and C exchanged at the source:|phases follow each other as A, C, B.",
            backwards,
            SIZE,
        ),
    }


def _others() -> dict[str, Picture]:
    start = (-0.75, -0.45)
    sides = [
        arrow(1.5, 0, "voltage", "P", start),
        arrow(0.9, 90, "current", "Q", (0.75, -0.45)),
        arrow(math.hypot(1.5, 0.9), math.degrees(math.atan2(0.9, 1.5)), "sum", "S", start),
    ]
    bus = [stroke(40, 110, 260, 110, 5), stroke(150, 30, 150, 46), stroke(150, 74, 150, 110)]
    bus += [stroke(178, 60, 202, 60, 1.0), box(150, 60, "main"), box(230, 60, "meter", STYLES["current"][0])]
    for n, x in enumerate((75, 150, 225), 1):
        bus += [stroke(x, 110, x, 150), box(x, 164, f"F{n}")]
    return {
        "triangle": ("Power triangle", "P2 + Q2 = S2 without distortion,|less than S2 with it.", sides, SIZE),
        "balance": (
            "A bus with its main and feeders",
            "P of the main is the sum of the feeders.|A meter checks its breaker.",
            bus,
            200,
        ),
    }


def files() -> dict[str, str]:
    """Every file by its name under docs."""
    made = {"checks.md": markdown()}
    for name, check in BY_ID.items():
        note = NOTES / f"{name}.md"
        made[f"checks/{name}.md"] = page(check, note.read_text("utf-8") if note.is_file() else "")
    for name, text in pictures().items():
        made[f"checks/pictures/{name}.svg"] = text
    return made


def main() -> None:
    """Write all files, and take away pages of checks that are gone."""
    made = files()
    for old in (DOCS / "checks").rglob("*.*"):
        if old.relative_to(DOCS).as_posix() not in made:
            old.unlink()
    for name, text in made.items():
        path = DOCS / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
