"""The survey command: choose interface and ranges, have them confirmed, run, show, propose.

The record is that of a run whose scope says that it looked at the network; ``record judge`` judges it again.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.network_evidence import OwnInterface
from probe.model.scope import Scope, SurveyScope

if TYPE_CHECKING:
    from probe.cli.audit_end import Ended
    from probe.cli.audit_start import Start, Wishes
    from probe.collect.events import AuditResult
    from probe.collect.survey.work import Survey

#: What asking a host for services takes at most, four at a time: three that keep silent for 1.5 s.
SERVICES_S = 4.5 / 4

#: What asking switches by SNMP takes beside the dwell, about.
_ASKING_S = 5.0

#: The word in place of a range: the map's own subnets on this interface.
MAP = "map"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How to look. interface: empty for the one in the map's subnet. ranges: as typed.

    rate: addresses asked a second. dwell_s: between the two readings of switches. failover: links to be
    pulled, and nothing else; then devices are asked each ``every_s``.
    """

    interface: str = ""
    listen_s: float = 35.0
    ranges: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    silent: bool = False
    rate: float = 25.0
    services: bool = False
    dwell_s: float = 15.0
    failover: tuple[str, ...] = ()
    every_s: float = 0.1


def survey(  # noqa: PLR0913 (one an option)
    file: Path,
    *,
    ways: Ways,
    propose: Path | None = None,
    topology: Path | None = None,
    record: Path | None = None,
    wishes: Wishes,
    profile_dirs: Sequence[Path] = (),
) -> int:
    """Survey the network of the lineup that the map file describes; the exit code, as of an audit.

    Raises InputError for a wrong map, interface, range or path, before anything is sent.
    """
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    for path, option in ((propose, "--propose"), (topology, "--topology")):
        if path is not None and path.exists():
            raise InputError([_there_already(path, option)])
    if ways.failover:
        from probe.cli.survey_failover import run_failover

        return run_failover(lineup, ways.failover, ways.every_s, wishes, record_path=record)
    return run_survey(lineup, ways, wishes, record_path=record, propose=propose, topology=topology)


def run_survey(
    lineup: Lineup,
    ways: Ways,
    wishes: Wishes,
    *,
    record_path: Path | None = None,
    propose: Path | None = None,
    topology: Path | None = None,
) -> int:
    """Survey from the choice of the interface to the summary; the exit code."""
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import make_ready
    from probe.cli.hold import holding
    from probe.present.console import console
    from probe.present.survey_face import SurveyFace

    with holding(lineup.map, "survey", practice=wishes.practice):
        scope, looking = prepared(lineup, ways, wishes)
        start = make_ready(lineup, scope, record_path, wishes)
        extra_s = seconds(looking) + (ways.dwell_s + _ASKING_S if looking.parts else 0.0)
        start = replace(start, plan=replace(start.plan, seconds=start.plan.seconds + extra_s))
        face = SurveyFace(console(sys.stderr if wishes.as_json else sys.stdout))
        ended = conduct(start, face, looking.around)
    code = finish(start, ended, propose)
    if topology is not None and ended.result is not None:
        _draw(topology, ended.result)
    return code


def _draw(path: Path, result: AuditResult) -> None:
    """Draw the network, expected against found, into a new file."""
    from probe.cli.new_file import make_new
    from probe.present.topology_svg import network_svg

    picture = network_svg(result.lineup.map, result.network).encode()
    make_new(path, lambda file: file.write(picture))


def prepared(lineup: Lineup, ways: Ways, wishes: Wishes) -> tuple[Scope, Survey]:
    """The scope and the work of the survey, its ranges confirmed. Raises InputError."""
    from probe.cli.selection import choose
    from probe.collect.survey.ground import Ground, hosts_of, interface_for, known_hosts, parse_range
    from probe.collect.survey.sweep import Pace
    from probe.collect.survey.switches import asked_by_snmp, switches_part
    from probe.collect.survey.work import Survey
    from probe.wire.interfaces import own_interfaces

    tags, left_out = choose(lineup.map, ways.only, ways.skip)
    if ways.silent:
        tags, left_out = (), tuple(lineup.map.by_tag)
    known = known_hosts(lineup.map, tags)
    interfaces = own_interfaces(0)
    chosen = interface_for(hosts_of(lineup.map), interfaces, ways.interface)
    ranges = () if ways.silent else confirmed_ranges(lineup, chosen, ways, wishes)
    survey_scope = SurveyScope(
        interface=chosen.name if chosen else "",
        listen_s=ways.listen_s,
        speak=not ways.silent,
        ranges=ranges,
        services=ways.services and not ways.silent,
    )
    ground = Ground(
        interface=chosen.name if chosen else "",
        address=_address_of(chosen),
        hardware_address=chosen.hardware_address if chosen else "",
        known=known,
        spared=frozenset(known_hosts(lineup.map, left_out)) - known.keys(),
        own=frozenset(one.address.partition("/")[0] for one in interfaces if one.address),
        ranges=tuple(parse_range(text) for text in ranges),
    )
    scope = Scope(tags=tags, left_out=left_out, survey=survey_scope)
    asked = () if ways.silent else asked_by_snmp(lineup.map, tags)
    parts = (switches_part(asked, ways.dwell_s),) if asked else ()
    return scope, Survey(scope=survey_scope, ground=ground, pace=Pace(ways.rate), parts=parts)


def seconds(looking: Survey) -> float:
    """How long the survey takes beside the asking of devices, about."""
    asked = len(looking.ground.asked) if looking.scope.speak and looking.ground.interface else 0
    services_s = SERVICES_S * len(looking.ground.known) if looking.scope.services else 0.0
    return looking.scope.listen_s + asked * looking.pace.gap_s + (3.0 if asked else 0.0) + services_s


def _address_of(chosen: OwnInterface | None) -> str:
    """Our IPv4 address on the interface with its prefix length, empty without one."""
    return chosen.address if chosen and ":" not in chosen.address else ""


# --- ranges ------------------------------------------------------------------------------------------------


def confirmed_ranges(
    lineup: Lineup, chosen: OwnInterface | None, ways: Ways, wishes: Wishes
) -> tuple[str, ...]:
    """The ranges that may be asked: those given, ``map`` resolved; or what the user confirms now.

    Without a terminal nothing beside the map's addresses is asked. Raises InputError for a wrong range.
    """
    from probe.collect.survey.ground import offered_ranges, parse_range

    offered = tuple(str(network) for network in offered_ranges(lineup.map, chosen))
    if ways.ranges:
        found: list[str] = []
        for text in ways.ranges:
            if text.strip().lower() == MAP:
                found += offered or _no_offer(lineup, chosen)
            else:
                parse_range(text)
                found.append(text.strip())
        return tuple(dict.fromkeys(found))
    if not offered or wishes.as_json or not sys.stdin.isatty():
        return ()
    return offered if _confirmed(offered) else ()


def _no_offer(lineup: Lineup, chosen: OwnInterface | None) -> tuple[str, ...]:
    """Raises InputError: the map has no subnet that could be asked whole."""
    subnets = ", ".join(str(network.subnet) for network in lineup.map.networks) or "none"
    where = f"{chosen.name} {chosen.address}" if chosen else "no interface in a subnet of the map"
    raise InputError(
        [
            Problem(
                file="--range",
                what="the map has no IPv4 subnet on this interface that is small enough to be asked whole",
                found=f"networks of the map: {subnets}; this computer: {where}",
                remedy="give the range itself, as 10.20.1.0/24",
            )
        ]
    )


def _confirmed(offered: Sequence[str]) -> bool:
    """Ask on the terminal whether all addresses of these subnets may be asked."""
    sys.stderr.write(
        f"Look for devices that are not on the map: ask every address of {', '.join(offered)}, gently and\n"
        "one after the other? Only addresses of the map are asked otherwise. Type yes, or Enter for no: "
    )
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in ("yes", "y")


def _there_already(path: Path, option: str) -> Problem:
    what = "there is a file of this name already"
    return Problem(file=str(path), what=what, field=option, remedy="give another name")


# --- the end -----------------------------------------------------------------------------------------------


def finish(start: Start, ended: Ended, propose: Path | None) -> int:
    """Show what was found on the right stream, write the proposal; the exit code."""
    from probe.cli.audit_end import exit_code

    code = exit_code(ended)
    try:
        _show(start, ended, propose)
        if start.as_json:
            _emit(start, ended, code)
    except BrokenPipeError:
        failure.silence_stdout()
    return code


def _show(start: Start, ended: Ended, propose: Path | None) -> None:
    from probe.cli.audit_end import next_commands
    from probe.present import summary, survey_page
    from probe.present.console import console
    from probe.present.survey_proposal import proposal
    from probe.record.seal import spoken

    people = console(sys.stderr if start.as_json else sys.stdout)
    closing = summary.Closing(
        record=str(start.path),
        code=spoken(ended.code) if ended.code else "",
        trouble=ended.trouble,
        commands=tuple(next_commands(start, ended)),
    )
    if ended.result is None:
        summary.show_cut_off(people, closing)
        return
    lines = proposal(ended.result)
    if lines and propose is not None:
        _write(propose, lines)
    survey_page.show(people, ended.result, closing, proposal=lines, written=str(propose or ""))


def _write(path: Path, text: str) -> None:
    from probe.cli.new_file import make_new

    make_new(path, lambda file: file.write(text.encode()))


def _emit(start: Start, ended: Ended, code: int) -> None:
    """The result as one object on stdout."""
    from probe.present import machine, survey_machine
    from probe.present.console import emit_json

    path = str(start.path)
    if ended.result is not None:
        emit_json(survey_machine.document(ended.result, record=path, code=ended.code, exit_code=code))
        return
    emit_json(
        machine.cut_off_document(
            start.plan.lineup,
            record=path,
            code=ended.code,
            trouble=ended.trouble,
            exit_code=code,
            form=survey_machine.FORMAT,
        )
    )
