"""Procedure text to a ``Procedure``, with every problem at its place; its texts with braces filled in."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache

from probe.model.document import Document, Path, parse
from probe.model.editor_schema import editor_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.nearest import did_you_mean
from probe.model.procedure import PROCEDURE_FORMAT, Procedure, Step, seconds_of
from probe.model.shape import must_fit

#: What a text may hold in braces, beside the procedure's own parameters.
PLACEHOLDERS = ("tag", "cubicle", "section", "description", "bus", "lineup", "site")
_BRACES = re.compile(r"\{([^{}]*)\}")
_HINTS = {"expects": "expect", "confirms": "confirm", "warnings": "cautions", "signal": "see", "on": "of"}


def load_procedure(name: str, data: bytes | str) -> Procedure:
    """The procedure in the text. Raises InputError with every problem, each at its line and column."""
    document = parse(name, data)
    procedure = must_fit(document, Procedure, hints=_HINTS)
    problems = list(_problems(document, procedure))
    if problems:
        raise InputError(problems)
    return procedure


@lru_cache(maxsize=256)
def procedure_of(text: SourceText) -> Procedure | None:
    """The procedure that a text of a record holds; None if it is another kind of sheet."""
    if f"format: {PROCEDURE_FORMAT}" not in text.text:
        return None
    return load_procedure(text.name, text.text)


def source_of(name: str, data: bytes) -> SourceText:
    """The text as a record keeps it. Raises InputError if it is no text."""
    document = parse(name, data)
    return SourceText(name=name, text=document.text, sha256=document.sha256)


def procedure_schema() -> dict[str, object]:
    """JSON Schema (draft 2020-12) of a procedure, for editors."""
    return editor_schema(Procedure, title=f"Procedure ({PROCEDURE_FORMAT})")


def filled(text: str, values: Mapping[str, str]) -> str:
    """The text with what stands in braces put in; unknown braces stay."""
    return _BRACES.sub(lambda match: values.get(match[1], match[0]), text)


def _problems(document: Document, procedure: Procedure) -> Iterator[Problem]:
    if not procedure.steps:
        yield document.problem(("steps",), "the procedure has no step", remedy="add a first step")
    yield from _twice(document, ("steps",), [step.id for step in procedure.steps])
    for name, parameter in procedure.parameters.items():
        if name in PLACEHOLDERS:
            what = f"{name} is filled in by the tool"
            yield document.problem(("parameters", name), what, remedy="give it another name", at_key=True)
        del parameter
    for number, step in enumerate(procedure.steps):
        yield from _of_step(document, ("steps", number), step, procedure)
    for number, text in enumerate(procedure.cautions):
        yield from _braces(document, ("cautions", number), text, procedure)


def _of_step(document: Document, path: Path, step: Step, procedure: Procedure) -> Iterator[Problem]:
    ids = [one.id for one in step.expect if one.id]
    yield from _twice(document, (*path, "expect"), [one.id or f"\0{n}" for n, one in enumerate(step.expect)])
    yield from _twice(document, (*path, "confirm"), [one.id for one in step.confirm])
    for field in ("title", "do"):
        yield from _braces(document, (*path, field), getattr(step, field), procedure)
    for number, text in enumerate(step.cautions):
        yield from _braces(document, (*path, "cautions", number), text, procedure)
    for number, asked in enumerate(step.confirm):
        yield from _braces(document, (*path, "confirm", number, "ask"), asked.ask, procedure)
        yield from _known(document, (*path, "confirm", number, "against"), asked.against, ids)
        yield from _lasting(document, (*path, "confirm", number, "within"), asked.within, procedure)
    for number, one in enumerate(step.expect):
        here = (*path, "expect", number)
        others = [other.id for other in step.expect[:number] if other.id]
        yield from _known(document, (*here, "after"), one.after, others)
        yield from _lasting(document, (*here, "within"), one.within, procedure)
        yield from _lasting(document, (*here, "stays"), one.stays, procedure)
    looked = [one.see for one in step.expect] + [one.see for one in step.before]
    if procedure.for_each != "bus" and any("{bus}" in see for see in looked):
        what = "{bus} has a meaning only where the steps are done for each bus"
        yield document.problem(path, what, allowed="for_each: bus", remedy="name the bus, as bus A")


def _twice(document: Document, path: Path, ids: Iterable[str]) -> Iterator[Problem]:
    seen: dict[str, int] = {}
    for number, one in enumerate(ids):
        if one in seen:
            what = f"the id {one} stands twice; first at {document.place((*path, seen[one], 'id'))}"
            remedy = "give one of them another id: the record tells them apart by it"
            yield document.problem((*path, number, "id"), what, found=one, remedy=remedy)
        seen.setdefault(one, number)


def _known(document: Document, path: Path, name: str | None, ids: list[str]) -> Iterator[Problem]:
    if name is not None and name not in ids:
        remedy = did_you_mean(name, ids) or "name one that stands before it in this step"
        what = f"nothing before it in this step has the id {name}"
        yield document.problem(path, what, found=name, allowed=", ".join(ids), remedy=remedy)


def _lasting(document: Document, path: Path, text: str | None, procedure: Procedure) -> Iterator[Problem]:
    if text is None:
        return
    try:
        seconds_of(text, {name: one.default for name, one in procedure.parameters.items()})
    except KeyError:
        known = list(procedure.parameters)
        what, remedy = f"there is no parameter {text}", did_you_mean(text[1:-1], known)
        yield document.problem(path, what, found=text, allowed=", ".join(known), remedy=remedy)
    except ValueError:
        what = f"the default of {text} is no duration"
        yield document.problem(path, what, allowed="a number with ms, s, min or h, as 5 s")


def _braces(document: Document, path: Path, text: str, procedure: Procedure) -> Iterator[Problem]:
    known = (*PLACEHOLDERS, *procedure.parameters)
    for name in _BRACES.findall(text):
        if name not in known:
            what = f"nothing is called {{{name}}}"
            remedy = did_you_mean(name, known)
            yield document.problem(path, what, found=f"{{{name}}}", allowed=", ".join(known), remedy=remedy)
