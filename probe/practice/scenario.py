"""Scenario: which devices of the practice lineup play, and what is wrong with them.

    format: buswitness-scenario/1
    title: A believable bad day
    devices: [MC-1, 52-F1, 52-F2]      # all of the lineup when left out
    seed: 7                            # other loads and noise; the same seed gives the same lineup
    faults:
      - kind: clock-slow
        at: 52-F1
        seconds: 90

Errors name file, line, column and field, as for maps and profiles.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from typing import Annotated, Literal

from pydantic import Field

from probe.model.device_map import Line, Strict, Tag
from probe.model.document import Document, parse
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean, listed
from probe.model.shape import must_fit
from probe.practice.fault import Fault
from probe.practice.faults import FAULTS
from probe.practice.roster import roster

SCENARIO_FORMAT = "buswitness-scenario/1"
_ALWAYS = ("kind", "at")


class FaultEntry(Strict):
    """One fault as written. What each kind takes is in ``FAULTS``."""

    kind: Line
    at: Tag
    partner: Tag | None = None
    phase: Literal["a", "b", "c"] | None = None
    seconds: Annotated[float, Field(ge=-1e9, le=1e9)] | None = None
    every: Annotated[int, Field(ge=1, le=1000)] | None = None
    text: Line | None = None
    point: Line | None = None
    number: Annotated[float, Field(ge=-1e12, le=1e12)] | None = None


class ScenarioEntry(Strict):
    """A scenario file as written."""

    format: Literal["buswitness-scenario/1"]
    title: Line
    seed: Line = "1"
    devices: tuple[Tag, ...] = ()
    faults: tuple[FaultEntry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scenario ready to be played.

    name: its file, for problems. devices: tags in the order of the drawing, gateways included.
    """

    name: str
    title: str
    seed: str
    devices: tuple[str, ...]
    faults: tuple[Fault, ...]


def load_scenario(name: str, data: bytes) -> Scenario:
    """The scenario in a file's bytes. name: the file as the user named it. Raises InputError."""
    document = parse(name, data)
    entry = must_fit(document, ScenarioEntry)
    devices = _devices(entry.devices)
    problems = [*_device_problems(document, entry), *_fault_problems(document, entry, devices)]
    if problems:
        raise InputError(problems)
    faults = tuple(_fault(document, i, fault) for i, fault in enumerate(entry.faults))
    return Scenario(name=name, title=entry.title, seed=entry.seed, devices=devices, faults=faults)


def bundled_scenario(name: str) -> Scenario:
    """One of the scenarios that come with the program: ``healthy`` or ``handover``."""
    file = resources.files("probe.practice") / "scenarios" / f"{name}.yaml"
    return load_scenario(f"{name}.yaml", file.read_bytes())


def small_scenario(
    devices: Iterable[str], faults: Iterable[Fault] = (), *, seed: str = "1", title: str = "a small lineup"
) -> Scenario:
    """A scenario of a few devices, made in code (for tests). Gateways come along by themselves."""
    return Scenario(name="scenario", title=title, seed=seed, devices=_devices(devices), faults=tuple(faults))


def _devices(asked: Iterable[str]) -> tuple[str, ...]:
    """The tags in the order of the drawing, with the gateways that they need; all if none is asked."""
    drawn = roster()
    wanted = set(asked) or set(drawn)
    wanted |= {drawn[tag].via for tag in wanted if tag in drawn and drawn[tag].via}
    return tuple(tag for tag in drawn if tag in wanted)


def _device_problems(document: Document, entry: ScenarioEntry) -> list[Problem]:
    drawn = roster()
    return [
        document.problem(
            ("devices", i),
            f"{tag} is no device of the practice lineup",
            found=tag,
            allowed=listed(drawn),
            remedy=did_you_mean(tag, drawn),
        )
        for i, tag in enumerate(entry.devices)
        if tag not in drawn
    ]


def _fault_problems(document: Document, entry: ScenarioEntry, devices: tuple[str, ...]) -> list[Problem]:
    problems: list[Problem] = []
    for i, fault in enumerate(entry.faults):
        problems += _kind_problems(document, i, fault)
        for field, tag in (("at", fault.at), ("partner", fault.partner)):
            if tag is not None and tag not in devices:
                problems.append(
                    document.problem(
                        ("faults", i, field),
                        f"{tag} does not play in this scenario",
                        found=tag,
                        allowed=listed(devices),
                        remedy=did_you_mean(tag, devices) or "add it to devices",
                    )
                )
    return problems


def _kind_problems(document: Document, number: int, fault: FaultEntry) -> list[Problem]:
    kind = FAULTS.get(fault.kind)
    if kind is None:
        return [
            document.problem(
                ("faults", number, "kind"),
                f"{fault.kind} is no kind of fault",
                found=fault.kind,
                allowed=listed(FAULTS),
                remedy=did_you_mean(fault.kind, FAULTS),
            )
        ]
    given = fault.model_fields_set - set(_ALWAYS)
    problems = [
        document.problem(
            ("faults", number, field),
            f"{kind.name} takes no {field}",
            allowed=listed((*_ALWAYS, *kind.takes)),
            remedy="remove the line",
            at_key=True,
        )
        for field in sorted(given - set(kind.takes))
    ]
    return problems + [
        document.problem(("faults", number), f"{kind.name} needs {needed}", remedy=f"add {needed}: ...")
        for needed in kind.needs
        if getattr(fault, needed) is None
    ]


def _fault(document: Document, number: int, entry: FaultEntry) -> Fault:
    spot = document.spot(("faults", number))
    return Fault(
        line=spot.line,
        column=spot.column,
        kind=entry.kind,
        at=entry.at,
        partner=entry.partner or "",
        phase=entry.phase or "",
        seconds=entry.seconds,
        every=entry.every,
        text=entry.text or "",
        point=entry.point or "",
        number=entry.number,
    )
