"""Plain values to a pydantic model; every misfit becomes a Problem in our words, at its place in the file.

The second half of reading a map or profile. What is allowed (ranges, words, names of fields) is read from
the model's own JSON Schema, so that the messages cannot drift from the rules.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Collection, Mapping
from functools import lru_cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from probe.model.document import Document, Path, dotted, shown
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean, listed
from probe.model.schema_words import Schema, allowed_at, fields_at

Model = TypeVar("Model", bound=BaseModel)

#: What an imported map holds where the schedule could not tell; a person fills it in.
BLANK = "?"

_NO_HINTS: Mapping[str, str] = {}


def fit(
    document: Document,
    model: type[Model],
    *,
    path: Path = (),
    without: Collection[str] = (),
    hints: Mapping[str, str] = _NO_HINTS,
) -> tuple[Model | None, tuple[Problem, ...]]:
    """The model made from the values at the path, or None; and every problem found.

    without: top fields of the values that are left out (checked elsewhere).
    hints: words that people use instead of ours, to the right name (``ip`` to ``address.host``).
    """
    values = document.value(path)
    if without and isinstance(values, dict):
        values = {key: value for key, value in values.items() if key not in without}
    try:
        return model.model_validate(values), ()
    except ValidationError as error:
        details = error.errors(include_url=False)
    teller = _Teller(document, model, path, values, hints)
    return None, tuple(teller.problems(details))


def must_fit(
    document: Document, model: type[Model], *, path: Path = (), hints: Mapping[str, str] = _NO_HINTS
) -> Model:
    """The model made from the values at the path. Raises InputError with every problem found."""
    made, problems = fit(document, model, path=path, hints=hints)
    if made is None:
        raise InputError(problems)
    return made


def refuse(what: str, *, allowed: str = "", remedy: str = "", at: Path = ()) -> PydanticCustomError:
    """The error for a validator of ours to raise, in plain words.

    at: path of the faulty value below the one that is validated.
    """
    return PydanticCustomError(
        "refused", "{what}", {"what": what, "allowed": allowed, "remedy": remedy, "at": at}
    )


@lru_cache(maxsize=64)
def _schema(model: type[BaseModel]) -> Schema:
    return model.model_json_schema()


class _Teller:
    """Makes problems from pydantic's error details."""

    def __init__(
        self, document: Document, model: type[BaseModel], base: Path, values: Any, hints: Mapping[str, str]
    ) -> None:
        self._document = document
        self._schema = _schema(model)
        self._base = base
        self._values = values
        self._hints = hints

    def problems(self, details: list[ErrorDetails]) -> list[Problem]:
        """One problem a place: of a union's several complaints only the deepest are kept."""
        placed = [(self._resolve(detail["loc"], detail["input"]), detail) for detail in details]
        deeper = {path[:i] for path, _ in placed for i in range(len(path))}
        told: dict[Path, Problem] = {}
        for path, detail in placed:
            of_shape = detail["type"].endswith("_type") or detail["type"].endswith("_parsing")
            if path not in told and not (of_shape and path in deeper):
                told[path] = self._tell(path, detail)
        return sorted(told.values(), key=lambda problem: (problem.line, problem.column))

    def _resolve(self, loc: tuple[int | str, ...], found: Any) -> Path:
        """The path in the document that a pydantic location means (unions put their branch names in)."""
        exact = _match(self._values, loc, found)
        if exact is not None:
            return exact
        path: list[str | int] = []
        value = self._values
        for step in loc:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                continue
            path.append(step)
        return tuple(path)

    def _tell(self, path: Path, detail: ErrorDetails) -> Problem:
        kind = detail["type"]
        if kind == "missing":
            return self._missing(path)
        if kind == "extra_forbidden":
            return self._unknown(path)
        facts = _REFUSALS.get(kind, _not_allowed)(self, path, detail)
        at = facts.pop("at", ())
        full = (*self._base, *path, *at)
        facts.setdefault("allowed", allowed_at(self._schema, path))
        if detail["input"] == BLANK:
            facts.update(what=f"{_name(full)} is still to be filled in", found="")
        what = facts.pop("what")
        return self._document.problem(full, what, **facts)

    def _missing(self, path: Path) -> Problem:
        full, key = (*self._base, *path), path[-1]
        return self._document.problem(
            full,
            f"{key} is missing",
            allowed=allowed_at(self._schema, path),
            remedy=f"add a line `{key}: ...`{_inside(full[:-1])}",
        )

    def _unknown(self, path: Path) -> Problem:
        full, key = (*self._base, *path), str(path[-1])
        names = fields_at(self._schema, path[:-1])
        return self._document.problem(
            full,
            f"{shown(key)} is not a field here",
            found=shown(key),
            allowed=listed(names),
            remedy=self._meant(path[:-1], key, names) or "remove it, or correct the name",
            at_key=True,
        )

    def _meant(self, parent: Path, key: str, names: Collection[str]) -> str:
        """Where the unknown key belongs: one field deeper, a known synonym, or the nearest name."""
        hint = self._hints.get(key.casefold().replace("-", "_").replace(" ", "_"), "")
        if hint and hint.partition(".")[0] in names:
            return f"did you mean {hint}?"
        for name in names:
            if key in fields_at(self._schema, (*parent, name)):
                return f"{key} belongs under {name}, indented"
        return did_you_mean(key, names)


def _match(value: Any, loc: tuple[int | str, ...], found: Any) -> Path | None:
    """The path whose value is the very object that pydantic complains about, None if there is none."""
    if not loc:
        return () if value is found else None
    if len(loc) == 1 and isinstance(value, dict) and value is found and loc[0] not in value:
        return (loc[0],)  # missing: the input is the group in which it is missing
    step, rest = loc[0], loc[1:]
    within = step in value if isinstance(value, dict) else isinstance(value, list) and isinstance(step, int)
    if within and (isinstance(value, dict) or step < len(value)):  # type: ignore[operator]
        deeper = _match(value[step], rest, found)
        if deeper is not None:
            return (step, *deeper)
    return _match(value, rest, found)


def _name(path: Path) -> str:
    """The field as a sentence calls it: the last name, with its entry's number if it is a list's."""
    if not path:
        return "the file"
    if isinstance(path[-1], int):
        return f"entry {path[-1] + 1} of {_name(path[:-1])}"
    return shown(path[-1])


def _inside(path: Path) -> str:
    return f" to {dotted(path)}" if path else ""


Facts = dict[str, Any]


def _refused(teller: _Teller, path: Path, detail: ErrorDetails) -> Facts:
    context = detail.get("ctx", {})
    facts: Facts = {"what": context.get("what", ""), "at": tuple(context.get("at", ()))}
    facts["found"] = shown(detail["input"]) if isinstance(detail["input"], str) else ""
    facts["allowed"] = context.get("allowed", "")
    facts["remedy"] = context.get("remedy", "")
    return facts


def _own_words(teller: _Teller, path: Path, detail: ErrorDetails) -> Facts:
    found = shown(detail["input"]) if isinstance(detail["input"], str) else ""
    return {"what": str(detail.get("ctx", {}).get("error", detail["msg"])), "found": found, "allowed": ""}


def _not_a_choice(teller: _Teller, path: Path, detail: ErrorDetails) -> Facts:
    words = re.findall(r"'([^']*)'", str(detail.get("ctx", {}).get("expected", "")))
    found = shown(detail["input"])
    return {
        "what": f"{_name((*teller._base, *path))} is none of the allowed words",
        "found": found,
        "allowed": listed(words),
        "remedy": did_you_mean(found, words),
    }


def _not_allowed(teller: _Teller, path: Path, detail: ErrorDetails) -> Facts:
    name, value = _name((*teller._base, *path)), detail["input"]
    if value == "":
        return {"what": f"{name} has no value", "remedy": "give it a value, or remove the line"}
    words = _WHAT.get(detail["type"], "is not written as allowed")
    return {"what": f"{name} {words}", "found": shown(value)}


def _network(teller: _Teller, path: Path, detail: ErrorDetails) -> Facts:
    facts = _not_allowed(teller, path, detail)
    try:
        network = ipaddress.ip_network(str(detail["input"]), strict=False)
    except ValueError:
        return facts
    facts["what"] = f"{_name(path)} is an address inside a subnet, not the subnet's own address"
    facts["remedy"] = f"did you mean {network}?"
    return facts


_WHAT = {
    "int_parsing": "is not a whole number",
    "int_type": "is not a whole number",
    "int_from_float": "is not a whole number",
    "int_parsing_size": "is out of range",
    "float_parsing": "is not a number",
    "float_type": "is not a number",
    "finite_number": "is not a finite number",
    "bool_parsing": "is neither yes nor no",
    "bool_type": "is neither yes nor no",
    "greater_than": "is out of range",
    "greater_than_equal": "is out of range",
    "less_than": "is out of range",
    "less_than_equal": "is out of range",
    "multiple_of": "is out of step",
    "string_type": "must be one text",
    "string_too_long": "is too long",
    "string_too_short": "is too short",
    "string_pattern_mismatch": "is not written as allowed",
    "model_type": "must be a group of fields, each on its own line, indented",
    "model_attributes_type": "must be a group of fields, each on its own line, indented",
    "dict_type": "must be a group of fields, each on its own line, indented",
    "tuple_type": "must be a list: each entry begins with a dash",
    "list_type": "must be a list: each entry begins with a dash",
    "too_short": "has too few entries",
    "too_long": "has too many entries",
}

_REFUSALS: dict[str, Callable[[_Teller, Path, ErrorDetails], Facts]] = {
    "refused": _refused,
    "value_error": _own_words,
    "assertion_error": _own_words,
    "enum": _not_a_choice,
    "literal_error": _not_a_choice,
    "union_tag_invalid": _not_a_choice,
    "ip_v4_network": _network,
    "ip_v6_network": _network,
    "ip_any_network": _network,
}
