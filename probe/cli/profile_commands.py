"""``profile list``, ``check``, ``import``, ``schema``: device profiles, before anything touches the wire."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from probe.cli.failure import PROBLEMS_FORMAT, Exit
from probe.cli.invocation import command
from probe.collect.inputs import bundled_profiles, open_library, read_text
from probe.collect.spreadsheet import read_sheet
from probe.model.editor_schema import editor_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import SourceText
from probe.model.profile import Profile
from probe.model.profile_document import PROFILE_FORMAT, ProfileDocument
from probe.model.profile_load import Checked, ProfileLibrary, profile_name
from probe.model.register_list import ImportedProfile, make_profile
from probe.present.console import emit_json, say

LIST_FORMAT = "buswitness-profiles/1"
IMPORT_FORMAT = "buswitness-profile-import/1"
#: People are not helped by the thousandth complaint; ``--json`` shows all.
SHOWN_AT_MOST = 60


def list_profiles(*, as_json: bool) -> int:
    """Print the profiles that come with the program; 0."""
    library = open_library()
    profiles = [library.get(name) for name in library.names()]
    if as_json:
        emit_json({"format": LIST_FORMAT, "profiles": [_object(profile) for profile in profiles]})
        return Exit.DONE
    width = max((len(profile.name) for profile in profiles), default=0)
    for profile in profiles:
        count = f"{len(profile.points)} points"
        say(f"{profile.name:<{width}}  {profile.kind.value:<9}  {count:>10}  {profile.title}")
    say()
    say(f"{len(profiles)} profiles in {bundled_profiles()}; a map may use its own (--profiles DIR).")
    return Exit.DONE


def _object(profile: Profile) -> dict[str, object]:
    return {
        "name": profile.name,
        "title": profile.title,
        "kind": profile.kind.value,
        "points": len(profile.points),
        "extends": list(profile.names),
        "sha256": profile.sha256,
    }


def check(file: Path, *, as_json: bool) -> int:
    """Tell every problem of a profile; 0 if none is an error, else 2.

    A profile that it extends is looked for beside it, then among the bundled ones.
    """
    checked = _checked(file)
    errors = bool(checked.errors)
    if as_json:
        emit_json(_check_object(file, checked))
        return Exit.INPUT_WRONG if errors else Exit.DONE
    _tell(checked.problems)
    if checked.problems:
        say()
    if checked.profile is None:
        say(f"{file}: {_counted(checked.problems)}. Mend the errors and check again.")
        return Exit.INPUT_WRONG
    say(f"{file}: {_counted(checked.problems)}")
    for line in _summary(checked.profile):
        say(line)
    return Exit.DONE


def _checked(file: Path) -> Checked:
    """The profile in the file, checked among its neighbours. Raises InputError if the file cannot be read."""
    own, name = read_text(file), profile_name(file.name)
    texts = {profile_name(path.name): path for path in sorted(bundled_profiles().glob("*.yaml"))}
    texts |= {profile_name(path.name): path for path in sorted(file.parent.glob("*.yaml"))}
    texts.pop(name, None)
    neighbours, unreadable = _readable(texts)
    checked = ProfileLibrary({name: own} | neighbours).check(name)
    for problem in checked.problems:
        if problem.field == "extends" and problem.found in unreadable:
            raise unreadable[problem.found]
    return checked


def _readable(paths: Mapping[str, Path]) -> tuple[dict[str, SourceText], dict[str, InputError]]:
    """The texts of the files by name, and what is wrong with those that are no text."""
    texts: dict[str, SourceText] = {}
    unreadable: dict[str, InputError] = {}
    for name, path in paths.items():
        try:
            texts[name] = read_text(path)
        except InputError as error:
            unreadable[name] = error
    return texts, unreadable


def _check_object(file: Path, checked: Checked) -> dict[str, object]:
    return {
        "format": PROBLEMS_FORMAT,
        "file": file.as_posix(),
        "problems": [asdict(problem) for problem in checked.problems],
        "profile": _object(checked.profile) if checked.profile else {},
    }


def _summary(profile: Profile) -> list[str]:
    """What the profile holds, so that a person sees at once whether it is the right one."""
    areas = {
        area: sum(point.area is area for point in profile.points) for area in dict.fromkeys(_areas(profile))
    }
    limits = profile.limits
    lines = [
        f"    title     {profile.title}",
        f"    kind      {profile.kind.value}",
        f"    extends   {', '.join(profile.names)}" if profile.names else "",
        f"    points    {len(profile.points)}: " + ", ".join(f"{n} {area}" for area, n in areas.items()),
        f"    proof     {', '.join(proof.point for proof in profile.proof)}" if profile.proof else "",
        f"    clock     {profile.clock.point}, {profile.clock.zone}" if profile.clock else "",
        f"    limits    {limits.registers} registers a request, {limits.sockets} sockets at most",
        f"    pauses    {limits.gap_s:g} s between requests; waits {limits.timeout_s:g} s for an answer",
    ]
    return [line for line in lines if line]


def _areas(profile: Profile) -> list[str]:
    return [point.area for point in profile.points]


def _tell(problems: Sequence[Problem], *, error: bool = False) -> None:
    for problem in problems[:SHOWN_AT_MOST]:
        say(str(problem), error=error)
    if len(problems) > SHOWN_AT_MOST:
        say(f"... and {len(problems) - SHOWN_AT_MOST} more; --json shows all.", error=error)


def _counted(problems: Sequence[Problem]) -> str:
    errors = sum(problem.severity == "error" for problem in problems)
    warnings = len(problems) - errors
    parts = [
        f"{count} {word}{'' if count == 1 else 's'}"
        for count, word in ((errors, "error"), (warnings, "warning"))
        if count
    ]
    return ", ".join(parts) or "nothing wrong"


def import_list(file: Path, *, output: Path | None, as_json: bool, addressing: str | None = None) -> int:
    """Make a profile from a register list (CSV or XLSX); 0 if it was made, else 2.

    output: never overwritten; None prints the profile on stdout, what was understood then goes to stderr.
    addressing: how the list's addresses count, where the list does not say it.
    """
    name = _free_name(output or file)
    made = make_profile(read_sheet(file), name, addressing=addressing)
    if made.text and output is not None:
        _write_new(output, made.text)
    if as_json:
        emit_json(_import_object(file, made, output))
        return Exit.DONE if made.text else Exit.INPUT_WRONG
    _say_import(file, made, output)
    if made.text and output is None:
        sys.stdout.write(made.text)
    return Exit.DONE if made.text else Exit.INPUT_WRONG


def _free_name(path: Path) -> str:
    """A profile name from a file's name: lower case letters, digits, hyphens."""
    name = "".join(char if char.isascii() and char.isalnum() else "-" for char in path.stem.lower())
    return "-".join(part for part in name.split("-") if part)[:60] or "imported"


def _write_new(path: Path, text: str) -> None:
    """Write a new file. Raises InputError if it is there already or cannot be made."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as target:
            target.write(text)
    except FileExistsError:
        what, remedy = "this file is there already, and is not overwritten", "choose another name"
        raise InputError([Problem(file=path.as_posix(), what=what, remedy=remedy)]) from None
    except OSError as error:
        what = f"the profile cannot be written: {error.strerror or error}"
        raise InputError([Problem(file=path.as_posix(), what=what)]) from None


def _import_object(file: Path, made: ImportedProfile, output: Path | None) -> dict[str, object]:
    return {
        "format": IMPORT_FORMAT,
        "file": file.as_posix(),
        "output": output.as_posix() if output and made.text else "",
        "points": made.points,
        "left_out": made.left_out,
        "columns": dict(made.columns),
        "unused_columns": list(made.unused),
        "blanks": list(made.blanks),
        "problems": [asdict(problem) for problem in made.problems],
        "profile": "" if output else made.text,
    }


def _say_import(file: Path, made: ImportedProfile, output: Path | None) -> None:
    """What was understood of the list, and what was not."""
    aside = output is None
    say(f"{file}: {made.points} points, {made.left_out} rows left out", error=aside)
    for field, heading in made.columns.items():
        say(f"    column    {heading!r} read as {field}", error=aside)
    for heading in made.unused:
        say(f"    column    {heading!r} not used", error=aside)
    _tell(made.problems, error=aside)
    for blank in made.blanks:
        say(f"    fill in   {blank}", error=aside)
    if output is not None and made.text:
        say(f"{output} is made. Next: {command('profile', 'check', output)}")


def schema() -> int:
    """Print the JSON Schema of profiles."""
    emit_json(profile_schema())
    return Exit.DONE


def profile_schema() -> dict[str, object]:
    """JSON Schema (draft 2020-12) of a profile, for editors."""
    return editor_schema(ProfileDocument, title=f"Device profile ({PROFILE_FORMAT})")
