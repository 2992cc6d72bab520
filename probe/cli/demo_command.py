"""The demo command: a practice lineup on this computer, audited as if it were real.

The audit is the very one of ``audit``; only the gear is simulated, in a process of its own.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli.invocation import command
from probe.model.errors import InputError, Problem, RecordError
from probe.present.console import say

if TYPE_CHECKING:
    from probe.practice.scenario import Scenario

_PRACTICE = (
    "This is a practice lineup: simulated devices on this computer's loopback address. Nothing real is "
    "asked, nothing leaves this computer, and what it shows says nothing about real gear."
)


def demo(  # noqa: PLR0913 (one an option)
    *,
    healthy: bool = False,
    scenario: Path | None = None,
    serve: bool = False,
    witness: str = "",
    mood: str = "right",
    record: Path | None = None,
    dwell_s: float = 0.0,
    as_json: bool = False,
) -> int:
    """Start the practice lineup, audit it, save the record and say what to type next; the exit code.

    healthy: the bundled lineup with nothing wrong. scenario: a file of the user's own instead. serve: only
    keep the lineup running. witness: lead through this procedure, with a scripted operator at the gear who
    acts in that mood. Raises InputError for a wrong scenario or a folder that cannot be written.
    """
    if healthy and scenario is not None:
        raise InputError([_either()])
    healthy = healthy or (bool(witness) and scenario is None)
    played, name = _read(healthy=healthy, scenario=scenario)
    folder = _folder()
    say(_PRACTICE, error=as_json)
    say(f"Scenario: {played.title}. Its files are in {folder}", error=as_json)
    say(error=as_json)
    if serve:
        return _serve(played, folder)
    if witness:
        from probe.cli.demo_witness import lead

        return lead(name, folder, witness, mood, as_json=as_json)
    target = record if record is not None else folder / "MSB-1.audit.jsonl"
    code = _audit(name, folder, target, dwell_s, as_json=as_json)
    made = _report(target, as_json=as_json)
    _next_steps(target, made, healthy=healthy, as_json=as_json)
    return code


def _read(*, healthy: bool, scenario: Path | None) -> tuple[Scenario, str]:
    """The scenario, read and checked, and the name by which the lineup's process finds it."""
    from probe.practice.scenario import bundled_scenario, load_scenario
    from probe.practice.served import FILE

    if scenario is None:
        name = "healthy" if healthy else "handover"
        return bundled_scenario(name), name
    from probe.collect.inputs import read_bytes
    from probe.practice.lineup import check_scenario

    played = load_scenario(scenario.as_posix(), read_bytes(scenario))
    check_scenario(played)
    return played, f"{FILE}{scenario}"


def _folder() -> Path:
    """A new folder for this demo: here, or among the user's data where this place cannot be written."""
    import platformdirs

    name = datetime.now(UTC).strftime("buswitness-demo-%Y%m%dT%H%M%SZ")
    places = (Path.cwd(), platformdirs.user_data_path("buswitness", appauthor=False))
    for place in places:
        with suppress(OSError):
            return _new_folder(place, name)
    raise InputError([_no_folder(places)])


def _new_folder(place: Path, name: str) -> Path:
    """A folder of this name, or of the name with a number if it exists. Raises OSError."""
    place.mkdir(parents=True, exist_ok=True)
    for number in range(1, 100):
        folder = place / (name if number == 1 else f"{name}-{number}")
        with suppress(FileExistsError):
            folder.mkdir()
            return folder
    raise FileExistsError(name)


def _audit(scenario: str, folder: Path, record: Path, dwell_s: float, *, as_json: bool) -> int:
    """Serve the lineup apart and audit it; the audit's exit code."""
    from probe.cli import failure
    from probe.cli.audit_command import run_audit
    from probe.collect.inputs import open_lineup
    from probe.model.scope import Scope
    from probe.practice.served import LineupFailed, served_apart

    try:
        with served_apart(scenario, folder) as map_path:
            lineup, warnings = open_lineup(map_path)
            failure.warn_problems(warnings)
            tags = tuple(device.tag for device in lineup.map.devices)
            scope = Scope(tags=tags, dwell_s=dwell_s)
            return run_audit(lineup, scope, record_path=record, as_json=as_json, practice=True)
    except LineupFailed as failed:
        raise InputError([_not_started(failed)]) from failed


def _report(record: Path, *, as_json: bool) -> Path | None:
    """The turnover document of the record, made beside it (about a second); None if it could not be."""
    from probe.cli.report_command import make_file

    try:
        path = make_file(record)
    except (InputError, RecordError) as error:
        say(f"Report   none: {error}", error=as_json)
        return None
    say(f"Report   {_near(path)}", error=as_json)
    return path


def _next_steps(record: Path, made: Path | None, *, healthy: bool, as_json: bool) -> None:
    """What to type next, each with its reason."""
    path = str(_near(record))
    other, what = ((), "the same lineup on a bad day") if healthy else (("--healthy",), "with nothing wrong")
    steps = (
        (command("record", "show", path), "what was found, again and in full"),
        (command("record", "verify", path), "proves that the record is whole and unchanged"),
        *(
            (
                (
                    command("report", "--verify", str(_near(made))),
                    "proves that the report's pages came from it",
                ),
            )
            if made is not None
            else ()
        ),
        (command("demo", *other), what),
        (command("demo", "--serve"), "only the lineup, for audits of your own"),
    )
    say(error=as_json)
    for number, (typed, why) in enumerate(steps):
        say(f"{'Next' if number == 0 else '':8} {typed}", error=as_json)
        say(f"{'':12} {why}", error=as_json)


def _serve(scenario: Scenario, folder: Path) -> int:
    """Keep the lineup up until Ctrl-C; 0."""
    with suppress(KeyboardInterrupt):
        asyncio.run(_keep_up(scenario, folder))
    say("The practice lineup is down.")
    return 0


async def _keep_up(scenario: Scenario, folder: Path) -> None:
    from probe.practice.lineup import practice

    async with practice(scenario, directory=folder) as lineup:
        say(f"The practice lineup is up: {len(lineup.hosts)} addresses, {len(scenario.devices)} devices.")
        say("In another terminal, type:")
        say(f"  {command('audit', str(_near(lineup.map_path)))}")
        say("Ctrl-C here ends the lineup.")
        await asyncio.Event().wait()


def _near(path: Path) -> Path:
    """The path as seen from here where it is below."""
    with suppress(ValueError):
        return path.relative_to(Path.cwd())
    return path


def _either() -> Problem:
    return Problem(
        file="--healthy",
        what="--healthy and --scenario contradict each other: each names a scenario",
        remedy="leave one of them out",
    )


def _no_folder(places: tuple[Path, ...]) -> Problem:
    return Problem(
        file=str(places[0]),
        what="no folder can be made for the demo's files",
        found=f"neither {places[0]} nor {places[1]} can be written",
        remedy="change to a folder that you may write to",
    )


def _not_started(failed: Exception) -> Problem:
    return Problem(
        file="the practice lineup",
        what=f"it could not be started: {failed}",
        remedy="see whether this computer lets programs listen on its loopback address (127.0.0.1)",
    )
