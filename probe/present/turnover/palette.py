"""Palette: the calm colours of the document, and the lamps of verdicts (sign, word, colour).

Colours of lamps are those of IEC 60073 as the trade uses them (from memory; common practice): red danger,
yellow caution, green normal, blue an action that must be taken. Sign and word stand beside every colour.
"""

from __future__ import annotations

from probe.model.finding import Verdict

INK = "#1d2733"
QUIET = "#5d6b7a"
RULE = "#c9d1d9"
FAINT = "#eef2f5"
ACCENT = "#24506f"

#: Sign, filling of the lamp, colour of the sign in it.
LAMPS = {
    Verdict.FAIL: ("✗", "#b3261e", "#ffffff"),
    Verdict.NOT_TESTED: ("?", "#1f5a9e", "#ffffff"),
    Verdict.REVIEW: ("!", "#f0b429", "#1d2733"),
    Verdict.PASS: ("✓", "#2f7d4f", "#ffffff"),
}
