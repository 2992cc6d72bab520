"""Signs, words and colours of verdicts and phases, for every face.

Colours are those of IEC 60073 as the trade uses them (from memory; common practice): red danger, yellow
caution, green normal, blue an action that must be taken, white and grey no meaning of their own. A sign or
word always stands beside the colour. Where the encoding or the terminal's font cannot carry our signs,
ASCII ones take their place.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.collect.events import Phase
from probe.model.finding import Verdict

#: Terminals whose built-in font is known to lack ticks and crosses (common practice, no source).
_BARE_TERMINALS = ("linux", "vt100", "vt102", "vt220", "ansi", "cons25")


@dataclass(frozen=True, slots=True)
class Lamp:
    """How a device or a verdict is shown: one cell of sign, a word, a style for text and one for the lamp."""

    sign: str
    word: str
    ink: str
    glow: str


@dataclass(frozen=True, slots=True)
class Signs:
    """One coherent set of signs. box: corner, tee and line signs of the drawing, by name."""

    verdicts: dict[Verdict, Lamp]
    waiting: Lamp
    working: Lamp
    bar_full: str
    bar_empty: str
    ellipsis: str
    dash: str
    box: dict[str, str]


def _verdict_lamps(passed: str, failed: str, review: str, untested: str) -> dict[Verdict, Lamp]:
    return {
        Verdict.FAIL: Lamp(failed, "fail", "bold red", "bold white on red"),
        Verdict.NOT_TESTED: Lamp(untested, "not tested", "bold blue", "bold white on blue"),
        Verdict.REVIEW: Lamp(review, "review", "bold yellow", "bold black on yellow"),
        Verdict.PASS: Lamp(passed, "pass", "green", "bold black on green"),
    }


def _box(signs: str) -> dict[str, str]:
    names = ("top_left", "top_tee", "top_right", "left", "cross", "right", "low_left", "low_tee", "low_right")
    return dict(zip((*names, "across", "down"), signs, strict=True))


FULL = Signs(
    verdicts=_verdict_lamps("✓", "✗", "!", "?"),
    waiting=Lamp("·", "waiting", "bright_black", "bright_black"),
    working=Lamp("»", "now", "", "white on bright_black"),
    bar_full="█",
    bar_empty="░",
    ellipsis="…",
    dash="–",
    box=_box("┌┬┐├┼┤└┴┘─│"),
)

ASCII = Signs(
    verdicts=_verdict_lamps("+", "X", "!", "?"),
    waiting=Lamp(".", "waiting", "bright_black", "bright_black"),
    working=Lamp(">", "now", "", "white on bright_black"),
    bar_full="#",
    bar_empty=".",
    ellipsis="~",
    dash="-",
    box=_box("+++++++++-|"),
)


def signs_for(encoding: str, terminal: str = "") -> Signs:
    """The richest set that the encoding and the terminal's own font can carry."""
    wanted = "✓✗·»█░…–" + "".join(FULL.box.values())
    try:
        wanted.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return ASCII if terminal.lower() in _BARE_TERMINALS else FULL


PHASE_WORDS = {
    Phase.WAITING: "waiting",
    Phase.CONNECTING: "connecting",
    Phase.IDENTITY: "identity",
    Phase.POLLING: "reading",
    Phase.WATCHING: "watching",
    Phase.DONE: "done",
}
