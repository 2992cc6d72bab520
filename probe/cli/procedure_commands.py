"""Procedures by themselves: which there are, whether one is right, how many steps each has in a lineup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup, SourceText
from probe.model.procedure import Procedure
from probe.model.scope import Scope
from probe.present.console import say


def opened(names: Sequence[str]) -> list[tuple[Procedure, SourceText]]:
    """Procedures by name or file, with their texts. Raises InputError if one is wrong or stands twice."""
    from probe.collect.procedures import open_procedure

    found = [open_procedure(name) for name in names]
    twice = {p.name for p, _ in found if sum(q.name == p.name for q, _ in found) > 1}
    if twice:
        what = "a procedure can stand once in a run"
        raise InputError([Problem(file="PROCEDURE", what=what, found=", ".join(sorted(twice)))])
    return found


def list_procedures(*, as_json: bool) -> int:
    """Print the procedures that come with the tool."""
    from probe.collect.procedures import bundled_names, open_procedure
    from probe.present.console import emit_json

    found = [open_procedure(name)[0] for name in bundled_names()]
    if as_json:
        emit_json(
            {
                "format": "buswitness-procedures/1",
                "procedures": [
                    {"name": p.name, "title": p.title, "for_each": p.for_each, "steps": len(p.steps)}
                    for p in found
                ],
            }
        )
        return Exit.DONE
    for one in found:
        say(f"{one.name:<24} {one.title} ({len(one.steps)} steps for each {one.for_each})")
    return Exit.DONE


def check_procedure(file: str, *, as_json: bool) -> int:
    """Check a procedure file; prints what is wrong. Raises InputError with every problem."""
    from probe.collect.procedures import open_procedure
    from probe.present.console import emit_json

    procedure, text = open_procedure(file)
    if as_json:
        facts = {"file": text.name, "name": procedure.name, "steps": len(procedure.steps)}
        emit_json({"format": "buswitness-procedure-check/1", **facts})
    else:
        say(f"{text.name}: nothing wrong ({len(procedure.steps)} steps for each {procedure.for_each})")
    return Exit.DONE


def schema() -> int:
    """Print the JSON Schema of procedures."""
    from probe.model.procedure_load import procedure_schema
    from probe.present.console import emit_json

    emit_json(procedure_schema())
    return Exit.DONE


def overview(lineup: Lineup, file: Path, *, as_json: bool) -> int:
    """Which procedures have steps in this lineup."""
    from probe.collect.procedures import bundled_names
    from probe.judge.witness.plan import WitnessPlan
    from probe.present.console import emit_json

    shelf = opened(bundled_names())
    whole = replace(lineup, sheet_texts=tuple(text for _, text in shelf))
    names = tuple(procedure.name for procedure, _ in shelf)
    plan = WitnessPlan(whole, Scope(tags=tuple(d.tag for d in lineup.map.devices), sheets=names))
    many = {name: sum(item.procedure.name == name for item in plan.items) for name in names}
    if as_json:
        rows = [{"name": p.name, "title": p.title, "steps": many[p.name]} for p, _ in shelf]
        emit_json({"format": "buswitness-procedures/1", "lineup": lineup.map.lineup, "procedures": rows})
        return Exit.DONE
    say(f"{lineup.map.lineup}, {lineup.map.site}: procedures and their steps here")
    for procedure, _ in shelf:
        say(f"  {many[procedure.name]:>4}  {procedure.name:<22} {procedure.title}")
    say()
    say("Lead through one, on one breaker:")
    say(f"  {command('witness', str(file), names[0] if names else 'PROCEDURE', '--only', 'TAG')}")
    return Exit.DONE
