"""What the diagnosis says of drawn lineups with a known fault, word for word: ``said/trials.txt``.

Each part begins with what was put in (``probe.practice.trial`` draws it and knows nothing of the diagnosis)
and whether the cause that comes first is right; tests/property/test_trials.py counts how often it is. Of
each fault the first trial is shown whole, with what does not pass; of sound lineups all electrical findings.

``BUSWITNESS_GOLDEN=write .venv/bin/pytest tests/cases/test_said_of_trials.py`` makes the page anew.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.model.finding import Verdict
from probe.practice.trial.exam import DELTA, HEALTHY, OF_DELTA, OF_ONE_PHASE, ONE_PHASE, drawn, judged, marked
from probe.practice.trial.fault import FAULTS
from probe.practice.trial.lineup import Stock
from tests.cases.said_page import HEAD, of_cause, parts_of, told

PAGE = Path(__file__).parent / "said" / "trials.txt"
WRITE = os.environ.get("BUSWITNESS_GOLDEN") == "write"
PAIRS = ("byte order + reversed CT", "wye or delta + reversed CT", "scale + voltage missing")
SOUND = (HEALTHY, ONE_PHASE + HEALTHY, DELTA + HEALTHY)
TWO = (
    "address + currents rolled", "scale + reversed CT", "scale + currents swapped",
    "currents swapped + reversed CT", "reversed CT + currents rolled",
)  # fmt: skip
OTHERS = (*OF_ONE_PHASE, *OF_DELTA, *PAIRS, *TWO)
TURNS = ("second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")
NAMES = [
    *(f"{fault}, first" for fault in (*FAULTS, *SOUND, *OTHERS)),
    *(f"{fault}, {turn}" for turn in TURNS[:2] for fault in SOUND),
    *(f"{fault}, {turn}" for turn in TURNS for fault in (*FAULTS, *OTHERS)),
]


@cache
def stock() -> Stock:
    return Stock(open_library().get)


def said(name: str) -> str:
    """What is said of a trial: whether it was right, and the causes; of the first also what does not pass."""
    fault, _, seed = name.rpartition(", ")
    trial, truths, evidence = drawn(fault, f"page {seed}", stock())
    result = judged(trial, evidence)
    mark = marked(fault, trial, result, truths)
    put_in = "; ".join(f"{' or '.join(t.kinds)} at {', '.join(t.tags)}" for t in truths) or "nothing"
    head = f"put in: {put_in}; right: {mark.right}, blamed: {mark.alarms}\n"
    if seed != "first" and fault not in SOUND:
        return head + "".join(f"{next(of_cause(one))}\n" for one in result.causes)
    shown = [f for f in result.findings if f.check.startswith(("electrical.", "supply.", "lineup."))]
    if fault not in SOUND:
        shown = [f for f in shown if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    brief = [f._replace(advice="") for f in shown]
    return head + told(brief, result.causes)


@cache
def page() -> dict[str, str]:
    return parts_of(PAGE.read_text("utf-8"))


@pytest.mark.parametrize("name", NAMES)
def test_what_is_said_of_each_trial(name: str) -> None:
    if WRITE:
        pytest.skip("the page is being made")
    assert page()[name] == said(name)


def test_the_page_holds_just_the_trials_and_nearly_all_are_right() -> None:
    if WRITE:
        text = "".join(f"{HEAD}{name}\n{said(name)}" for name in NAMES)
        PAGE.write_text(text, encoding="utf-8", newline="\n")
    assert sorted(page()) == sorted(NAMES)
    first = [body.partition("\n")[0] for body in page().values()]
    assert sum("right: True, blamed: 0" in line for line in first) >= 0.95 * len(first)
