"""Profile texts to compiled profiles: the one place where a profile's name becomes a ``Profile``.

A library holds texts, compiles a profile when it is first asked for, and keeps it. A text is loaded with
the chain of those that it extends; every problem of the chain is told at once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from probe.model.device_map import Kind
from probe.model.document import parse
from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.nearest import did_you_mean, listed
from probe.model.profile import Profile
from probe.model.profile_check import check_points
from probe.model.profile_compile import compile_points
from probe.model.profile_document import HINTS, ProfileDocument
from probe.model.profile_layers import Layer, Stack
from probe.model.profile_rules import RuleCompiler
from probe.model.shape import fit


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What became of one profile: compiled if no problem is an error; all problems, warnings among them."""

    profile: Profile | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """Problems that stop the work."""
        return tuple(problem for problem in self.problems if problem.severity == "error")


def profile_name(file_name: str) -> str:
    """The profile's name by its file: ``profiles/meter-float.yaml`` holds ``meter-float``."""
    return (
        PurePosixPath(file_name.replace("\\", "/")).name.rpartition(".yaml")[0]
        or PurePosixPath(file_name).stem
    )


class ProfileLibrary:
    """Profiles by name, compiled when first asked for and kept."""

    def __init__(self, texts: Mapping[str, SourceText]) -> None:
        """texts: by profile name (``profile_name`` makes it from a file's name)."""
        self._texts = dict(texts)
        self._layers: dict[str, Layer | InputError] = {}
        self._checked: dict[str, Checked] = {}

    @classmethod
    def of(cls, texts: Iterable[SourceText]) -> ProfileLibrary:
        """A library of texts named by their files; of two with one name the first counts."""
        named: dict[str, SourceText] = {}
        for text in texts:
            named.setdefault(profile_name(text.name), text)
        return cls(named)

    def names(self) -> tuple[str, ...]:
        """All profile names, sorted."""
        return tuple(sorted(self._texts))

    def get(self, name: str) -> Profile:
        """The compiled profile, always the same object for a name.

        Raises InputError for an unknown name (with the nearest one), or with every problem of the profile.
        """
        if name not in self._texts:
            raise InputError([self._unknown(name)])
        checked = self.check(name)
        if checked.profile is None:
            raise InputError(checked.problems)
        return checked.profile

    def check(self, name: str) -> Checked:
        """The profile and all that is to be said of it, warnings included. Raises KeyError if unknown."""
        if name not in self._checked:
            self._checked[name] = self._compile(name)
        return self._checked[name]

    def texts_for(self, names: Iterable[str]) -> tuple[SourceText, ...]:
        """The texts that the named profiles are made from, those that they extend included; sorted.

        Raises InputError if one does not load.
        """
        needed = {layer for name in names for layer in self.get(name).names} | set(names)
        return tuple(self._texts[name] for name in sorted(needed))

    def _unknown(self, name: str) -> Problem:
        return Problem(
            file="",
            what=f"there is no profile {name}",
            found=name,
            allowed=listed(self.names()),
            remedy=did_you_mean(name, self.names()),
        )

    # -- reading ----------------------------------------------------------------------------------------

    def _layer(self, name: str) -> Layer:
        """One file, read and fitted. Raises InputError with its problems."""
        if name not in self._layers:
            try:
                self._layers[name] = self._read(name)
            except InputError as error:
                self._layers[name] = error
        layer = self._layers[name]
        if isinstance(layer, InputError):
            raise InputError(layer.problems)
        return layer

    def _read(self, name: str) -> Layer:
        text = self._texts[name]
        document = parse(text.name, text.text)
        written, problems = fit(document, ProfileDocument, hints=HINTS)
        if written is None:
            raise InputError(problems)
        if written.name != name:
            what = f"the file is called {name}, the profile {written.name}"
            remedy = f"write `name: {name}`, or rename the file to {written.name}.yaml"
            raise InputError([document.problem(("name",), what, found=written.name, remedy=remedy)])
        return Layer(document, written)

    def _chain(self, name: str) -> tuple[Layer, ...]:
        """The layers of a profile, nearest first. Raises InputError (cycle, unknown, unreadable)."""
        layers = [self._layer(name)]
        names = [name]
        while (below := layers[-1].written.extends) is not None:
            document = layers[-1].document
            if below in names:
                circle = " -> ".join([*names[names.index(below) :], below])
                what = f"profiles extend each other in a circle: {circle}"
                raise InputError([document.problem(("extends",), what, found=below)])
            if below not in self._texts:
                remedy = did_you_mean(below, self.names()) or f"known are {listed(self.names())}"
                what = f"there is no profile {below} to extend"
                raise InputError([document.problem(("extends",), what, found=below, remedy=remedy)])
            names.append(below)
            layers.append(self._layer(below))
        return tuple(layers)

    # -- compiling --------------------------------------------------------------------------------------

    def _compile(self, name: str) -> Checked:
        if name not in self._texts:
            raise KeyError(name)
        try:
            layers = self._chain(name)
        except InputError as error:
            return Checked(profile=None, problems=error.problems)
        stack = Stack(layers)
        points, problems = compile_points(stack)
        compiler = RuleCompiler(stack, points, frozenset(stack.points()))
        rules = compiler.rules()
        problems += _head(stack) + _removals(stack) + compiler.problems
        profile = _profile(stack, points, rules)
        problems += check_points(profile, stack)
        ordered = tuple(sorted(problems, key=lambda p: (_depth(p, layers), p.line, p.column)))
        broken = any(problem.severity == "error" for problem in ordered)
        return Checked(profile=None if broken else profile, problems=ordered)


def _depth(problem: Problem, layers: tuple[Layer, ...]) -> int:
    files = [layer.document.name for layer in layers]
    return files.index(problem.file) if problem.file in files else len(files)


def _head(stack: Stack) -> list[Problem]:
    """What must stand in some layer: title, kind, and at least one point."""
    problems = [
        stack.problem("", f"{field} is missing", remedy=f"add a line `{field}: ...`")
        for field in ("title", "kind")
        if stack.get(field) is None
    ]
    if not stack.points():
        problems.append(stack.problem("points", "the profile has no points", remedy="add at least one point"))
    return problems


def _removals(stack: Stack) -> list[Problem]:
    """Entries of ``remove`` that remove nothing."""
    problems = []
    for layer, index, name in stack.removals():
        known = {point for below in stack.below(layer) for point in below.written.points}
        if name not in known:
            remedy = did_you_mean(name, known) or "remove the entry"
            what = f"no extended profile has a point {name}"
            problems.append(layer.document.problem(("remove", index), what, found=name, remedy=remedy))
    return problems


def _profile(stack: Stack, points: Mapping[str, Any], rules: Mapping[str, Any]) -> Profile:
    digest = hashlib.sha256()
    for layer in stack.layers:
        digest.update(f"{layer.written.name} {layer.document.sha256}\n".encode())
    return Profile(
        name=stack.top.written.name,
        title=stack.get("title", ""),
        kind=stack.get("kind") or Kind.OTHER,
        points=tuple(points.values()),
        by_name=dict(points),
        names=tuple(layer.written.name for layer in stack.layers[1:]),
        sha256=digest.hexdigest(),
        **rules,
    )
