"""Phrases: numbers and findings in the words that every face shares."""

from __future__ import annotations

import re

from probe.model.finding import Finding
from probe.present.row import NO_BREAK

#: A number with words of the judge's behind it, or a list that goes on: the unit belongs behind the number.
_BEFORE_WORDS = re.compile(r"(.*?[0-9])( (?:\([^()]*\)|against .*|and [0-9]+ more))$", re.DOTALL)


def time_phrase(seconds: float) -> str:
    """A span of time to be read at a glance: ``42 s``, ``3 min 05 s``, ``2 h 10 min``."""
    whole = max(round(seconds), 0)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def reply_phrase(milliseconds: float) -> str:
    """A reply time in at most six columns: ``<1 ms``, ``12 ms``, ``1.3 s``."""
    if milliseconds < 0.95:
        return "<1 ms"
    if milliseconds < 999.5:
        return f"{milliseconds:.0f} ms"
    return f"{milliseconds / 1000:.1f} s"


def finding_phrase(finding: Finding) -> str:
    """A finding in one line: title, then what was observed and what was expected."""
    said = comparison(finding)
    return f"{finding.title}: {said}" if said else finding.title


def comparison(finding: Finding) -> str:
    """Observed against expected with unit and uncertainty, empty where the finding holds neither."""
    observed = with_unit(finding.observed, finding.unit)
    if observed and finding.uncertainty:
        observed += f" ({_plus_minus(finding)})"
    expected = with_unit(finding.expected, finding.unit)
    if observed and expected:
        return f"{observed}; expected {expected}"
    return observed or (f"expected {expected}" if expected else "")


def with_unit(text: str, unit: str) -> str:
    """The text with its unit behind it, once."""
    if not unit or text.endswith(unit) or not any(sign.isdigit() for sign in text):
        return text  # words of the judge's have no unit
    number = _BEFORE_WORDS.match(text)
    if number is None:
        return f"{text}{NO_BREAK}{unit}"
    return f"{number[1]}{NO_BREAK}{unit}{number[2]}"


def _plus_minus(finding: Finding) -> str:
    """A bare number as plus or minus; words and ranges as the judge wrote them."""
    text = finding.uncertainty
    if not text.replace(".", "", 1).isdigit():
        return text
    return f"±{NO_BREAK}{with_unit(text, finding.unit)}"
