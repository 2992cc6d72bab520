"""The sweep commands for many places: agent, agents, roles."""

from __future__ import annotations

import sys
from pathlib import Path

from probe.cli.sweep_commands import logging_plainly, stopping
from probe.present.console import emit_json, say
from probe.sweep.agent import Agent, need_database
from probe.sweep.agent_roles import roles_sql
from probe.sweep.centre import AgentSeen, Centre
from probe.sweep.engine import AskedJob
from probe.sweep.place import open_fleet

SILENT_S = 120.0
CLOCK_S = 10.0


def agent(fleet: Path, site: str) -> int:
    """Make the runs of a site until a signal; 0. Raises InputError if the fleet has none for it."""
    place = open_fleet(fleet)
    with logging_plainly(), stopping() as stop:
        Agent(place, site, stop=stop.is_set).run()
    return 0


def agents(fleet: Path, *, as_json: bool) -> int:
    """Show every site's agent: when it was heard, its clock, what it has to do; 0, or 3 if one is missing."""
    place = open_fleet(fleet)
    need_database(place)
    history = place.open_history()
    try:
        centre = Centre(place, history)
        seen = {one.site: one for one in centre.agents()}
        asked = centre.asked()
    finally:
        history.close()
    sites = sorted({one.agent for one in place.fleet.sweeps if one.agent} | set(seen))
    if as_json:
        data = [_as_data(site, seen.get(site), asked) for site in sites]
        emit_json({"format": "buswitness-agents/1", "agents": data})
    else:
        for site in sites:
            say(_line(site, seen.get(site), asked))
    return 3 if any(_is_missing(seen.get(site)) for site in sites) else 0


def roles(fleet: Path) -> int:
    """Print the SQL that makes the roles of the fleet's agents; 0."""
    place = open_fleet(fleet)
    need_database(place)
    sites = [one.agent for one in place.fleet.sweeps if one.agent]
    sql = roles_sql(sites)  # first: a name that is too long changes nothing
    history = place.open_history()
    try:
        Centre(place, history)  # the tables that the roles are given
    finally:
        history.close()
    sys.stdout.write(sql)
    say(
        "Run this once as the owner of the database, then give each role a way to sign in: a client "
        "certificate, or a password that only its site knows (\\password in psql).",
        error=True,
    )
    return 0


def _is_missing(seen: AgentSeen | None) -> bool:
    return seen is None or seen.silent_s > SILENT_S


def _counts(site: str, asked: list[AskedJob]) -> tuple[int, int]:
    mine = [one.status for one in asked if one.job.site == site]
    return mine.count("todo"), mine.count("doing")


def _line(site: str, seen: AgentSeen | None, asked: list[AskedJob]) -> str:
    waiting, doing = _counts(site, asked)
    work = f"{waiting} waiting, {doing} being done"
    if seen is None:
        return f"{site}: never heard of; {work}"
    heard = f"not heard for {seen.silent_s / 60:.0f} min" if _is_missing(seen) else "works"
    words = [f"{site}: {heard}, version {seen.version}; {work}, {seen.undelivered} to be delivered"]
    if abs(seen.clock_s) > CLOCK_S:
        words.append(f"its clock is wrong by {seen.clock_s:+.0f} s")
    return "; ".join([*words, seen.trouble] if seen.trouble else words)


def _as_data(site: str, seen: AgentSeen | None, asked: list[AskedJob]) -> dict[str, object]:
    waiting, doing = _counts(site, asked)
    told: dict[str, object] = {
        "site": site,
        "works": not _is_missing(seen),
        "waiting": waiting,
        "doing": doing,
    }
    return told | (
        {
            "version": seen.version,
            "silent_s": round(seen.silent_s, 1),
            "clock_offset_s": round(seen.clock_s, 3),
            "undelivered": seen.undelivered,
            "trouble": seen.trouble,
        }
        if seen
        else {}
    )
