"""``map check``, ``map import`` and ``map schema``: device maps, before anything touches the wire."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from probe.cli.failure import PROBLEMS_FORMAT, Exit
from probe.collect.inputs import open_lineup
from probe.model.approval import approval_hash
from probe.model.editor_schema import map_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.present.console import emit_json, say

#: People are not helped by the thousandth complaint; ``--json`` shows all.
SHOWN_AT_MOST = 60


def check(file: Path, *, as_json: bool, profile_dirs: Sequence[Path] = ()) -> int:
    """Tell every problem of a map; 0 if there is none (warnings are told, and do not count), else 2."""
    try:
        lineup, problems = open_lineup(file, profile_dirs)
    except InputError as error:
        return _tell_wrong(file, error.problems, as_json=as_json)
    if as_json:
        emit_json(_object(file, problems, devices=len(lineup.map.devices)))
        return Exit.DONE
    _tell(problems)
    for line in _summary(file, lineup, problems):
        say(line)
    return Exit.DONE


def schema() -> int:
    """Print the JSON Schema of device maps."""
    emit_json(map_schema())
    return Exit.DONE


def _tell_wrong(file: Path, problems: Sequence[Problem], *, as_json: bool) -> int:
    if as_json:
        emit_json(_object(file, problems, devices=0))
        return Exit.INPUT_WRONG
    _tell(problems)
    say()
    say(f"{file}: {_counted(problems)}. Mend the errors and check again; nothing was sent to any device.")
    return Exit.INPUT_WRONG


def _object(file: Path, problems: Sequence[Problem], *, devices: int) -> dict[str, object]:
    return {
        "format": PROBLEMS_FORMAT,
        "file": file.as_posix(),
        "problems": [asdict(problem) for problem in problems],
        "devices": devices,
    }


def _tell(problems: Sequence[Problem]) -> None:
    for problem in problems[:SHOWN_AT_MOST]:
        say(str(problem))
    if len(problems) > SHOWN_AT_MOST:
        say(f"... and {len(problems) - SHOWN_AT_MOST} more; --json shows all.")


def _counted(problems: Sequence[Problem]) -> str:
    errors = sum(problem.severity == "error" for problem in problems)
    warnings = len(problems) - errors
    parts = [_plural(errors, "error")] if errors else []
    parts += [_plural(warnings, "warning")] if warnings else []
    return ", ".join(parts) or "nothing wrong"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _summary(file: Path, lineup: Lineup, problems: Sequence[Problem]) -> list[str]:
    """What the map holds, so that a person sees at once whether it is the right one."""
    kinds = Counter(device.kind.value for device in lineup.map.devices)
    parts = ", ".join(f"{count} {kind}" for kind, count in kinds.items())
    system = lineup.map.system
    digest = approval_hash(text.text for text in lineup.map_texts)
    approved = lineup.map.approved_sha256
    state = (
        "not approved" if approved is None else "approved" if approved == digest else "not the approved map"
    )
    return [
        *([""] if problems else []),
        f"{file}: {_counted(problems)}",
        f"    site      {lineup.map.site}",
        f"    lineup    {lineup.map.lineup}",
        f"    system    {system.voltage_v:g} V, {system.frequency_hz:g} Hz, {system.wiring}",
        f"    devices   {len(lineup.map.devices)}: {parts}",
        f"    sections  {len(lineup.map.sections)}: {', '.join(lineup.map.sections[:12])}",
        f"    files     {', '.join(text.name for text in lineup.map_texts)}",
        f"    hash      {digest} ({state})",
    ]
