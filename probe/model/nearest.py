"""The nearest name: what somebody probably meant by a word that is not on the list."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

#: Lists longer than this are cut in messages: nobody reads four hundred names.
SHOWN_AT_MOST = 24


def _fold(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_").replace(".", "_")


def nearest(word: str, choices: Iterable[str]) -> str:
    """The choice most like the word, "" if none is like it; case, hyphens and spaces count little."""
    by_fold: dict[str, str] = {}
    for choice in choices:
        by_fold.setdefault(_fold(choice), choice)
    folded = _fold(word)
    if folded in by_fold:
        return by_fold[folded]
    cutoff = 0.6 if len(folded) > 3 else 0.5  # of tags like M3 one character in two may be wrong
    close = difflib.get_close_matches(folded, by_fold, n=1, cutoff=cutoff)
    return by_fold[close[0]] if close else ""


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """``did you mean X?`` for a remedy, "" if nothing is near."""
    close = nearest(word, choices)
    return f"did you mean {close}?" if close else ""


def listed(choices: Iterable[str]) -> str:
    """The choices in one line, cut after two dozen: ``a, b, c and 9 more``."""
    names = list(choices)
    shown = ", ".join(names[:SHOWN_AT_MOST])
    return shown if len(names) <= SHOWN_AT_MOST else f"{shown} and {len(names) - SHOWN_AT_MOST} more"
