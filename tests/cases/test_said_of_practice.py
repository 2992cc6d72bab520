"""The practice lineup down from its registers (``said/practice.txt``), and the register of checks.

The page of practice shows every finding of the healthy lineup and of the one with faults (texts, numbers,
evidence), and the causes. The page ``said/register.txt`` shows how each check is registered, what each
sort of run must give a verdict on, and the limits: a changed danger, duty or limit is a decision, seen there.

``BUSWITNESS_GOLDEN=write .venv/bin/pytest tests/cases/test_said_of_practice.py`` makes the pages anew.
"""

from __future__ import annotations

import os
import pkgutil
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from inspect import getsource
from pathlib import Path

import pytest

import probe.judge
from probe.judge import expected
from probe.judge.check import Check, DeviceCheck, LineupCheck
from probe.judge.registry import BY_ID
from probe.model.finding import Verdict
from probe.model.scope import Scope, SurveyScope
from probe.practice.offline import Audited, Visit, audit_offline
from probe.practice.scenario import bundled_scenario
from tests.cases.said_page import HEAD, parts_of, told

FOLDER = Path(__file__).parent / "said"
WRITE = os.environ.get("BUSWITNESS_GOLDEN") == "write"
VISITS = {
    "healthy": ("healthy", Visit(at_s=100.0)),
    "healthy, several rounds": ("healthy", Visit(at_s=300.0, rounds=4, pause_s=20.0)),
    "handover": ("handover", Visit(at_s=100.0)),
    "handover, slow, several rounds": ("handover", Visit(at_s=400.0, reply_s=0.2, rounds=4, pause_s=20.0)),
}


@cache
def audited(name: str) -> Audited:
    scenario, visit = VISITS[name]
    return audit_offline(bundled_scenario(scenario), visit)


def said(name: str) -> str:
    """Every finding and cause of an audit of the practice lineup."""
    found = audited(name).conclusion
    brief = [f._replace(advice="") if f.verdict is Verdict.NOT_TESTED else f for f in found.findings]
    if name == "handover, slow, several rounds":
        brief = [f for f in brief if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    if name == "healthy, several rounds":
        brief = [f for f in brief if f.observed and f.check.startswith(("electrical", "motion", "lineup"))]
    return told(brief, found.causes)


def registration(check: Check) -> str:
    """A check in one line."""
    needs = ", ".join(need.name.lower() for need in check.needs)
    more = ""
    if isinstance(check, DeviceCheck):
        more = ", also unasked" if check.unasked else ""
    if isinstance(check, LineupCheck):
        more = f", required {check.required}, of all {check.of_all}"
    return f"danger {check.danger}, since {check.since}, needs {needs or 'nothing'}{more}"


def duties(scope: Scope) -> Iterator[str]:
    """What a run of the practice lineup must give a verdict on; in brackets what may be missing."""
    of: dict[str, list[str]] = {}
    for one in expected(audited("healthy").lineup, scope):
        of.setdefault(one.check, []).append(one.subject if one.required else f"({one.subject})")
    for check, subjects in of.items():
        yield f"{check}: {' '.join(subjects)}\n"


def limits() -> Iterator[str]:
    """Numbers that the judge's modules hold under a name, but for the clock engine's."""
    for found in pkgutil.walk_packages(probe.judge.__path__, "probe.judge."):
        if not found.ispkg and ".clock_" not in found.name:
            for name, value in vars(import_module(found.name)).items():
                if name.isupper() and is_number(value) and not is_borrowed(found.name, name):
                    yield f"{found.name.removeprefix('probe.judge.')} {name}: {value!r}\n"


def is_number(value: object) -> bool:
    """True for a number, and for a tuple of nothing but numbers or such tuples."""
    if isinstance(value, tuple):
        return bool(value) and all(map(is_number, value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def is_borrowed(module: str, name: str) -> bool:
    """True for a name that the module has from another one."""
    assigned = (line.partition("=")[0] for line in getsource(import_module(module)).splitlines())
    return not any(name in left.replace(",", " ").split() for left in assigned if left[:1] not in ("", " "))


def register() -> str:
    """The page of the register."""
    tags = tuple(device.tag for device in audited("healthy").lineup.map.devices)
    scopes = {
        "usual": Scope(tags=tags),
        "quick": Scope(tags=tags, quick=True),
        "an hour": Scope(tags=tags, dwell_s=3600.0),
        "clocks only": Scope(tags=tags, clocks_only=True),
        "settings only": Scope(tags=tags, settings_only=True),
        "patient": Scope(tags=tags, patient=True),
        "a retest": Scope(
            tags=tags, checks=(f"*@{tags[0]}", f"clock.skew@{tags[1]}", f"settings.*@{tags[2]}")
        ),
        "a survey": Scope(tags=tags, survey=SurveyScope(interface="eth0", services=True)),
        "some devices": Scope(tags=tags[:4], left_out=tags[4:]),
    }
    lines = [f"{HEAD}checks\n", *(f"{name}: {registration(check)}\n" for name, check in BY_ID.items())]
    lines += [f"{HEAD}limits\n", *limits()]
    for name, scope in scopes.items():
        lines += [f"{HEAD}duties of a run: {name}\n", *duties(scope)]
    return "".join(lines)


def put(name: str, text: str) -> None:
    (FOLDER / name).write_text(text, encoding="utf-8", newline="\n")


@pytest.mark.parametrize("name", VISITS)
def test_what_is_said_of_the_practice_lineup(name: str) -> None:
    if WRITE:
        put("practice.txt", "".join(f"{HEAD}{one}\n{said(one)}" for one in VISITS))
    page = parts_of((FOLDER / "practice.txt").read_text("utf-8"))
    assert page[name] == said(name)


def test_how_checks_are_registered_and_what_is_due() -> None:
    if WRITE:
        put("register.txt", register())
    page, made = parts_of((FOLDER / "register.txt").read_text("utf-8")), parts_of(register())
    assert page == made
