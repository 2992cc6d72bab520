"""Roles: what the database lets an agent do, as SQL for the one who administers it.

An agent takes and ends jobs of its own queue, tells that it lives, and delivers; it reads nothing of the
history, changes no job's content, and sees no other site. Row-level security keeps it to its rows.
Source: PostgreSQL 15 documentation, 5.8 (row security policies), 5.7 (privileges), 22.1 (roles).
"""

from __future__ import annotations

from collections.abc import Iterable

from probe.model.errors import InputError, Problem

GROUP = "bw_agents"
PREFIX = "bw_agent_"
LONGEST = 63 - len(PREFIX)  # PostgreSQL cuts names at 63 bytes: two long ones would be one role

_MINE = f"('{PREFIX}' || site) = current_user"
_MY_QUEUE = f"queue_name = 'site:' || substr(current_user, {len(PREFIX) + 1})"
_MY_JOBS = f"EXISTS (SELECT 1 FROM procrastinate_jobs job WHERE job.id = job_id AND {_MY_QUEUE})"

GRANTS = {
    "agent": "SELECT, INSERT, UPDATE",
    "delivery": "SELECT, INSERT",
    "piece": "SELECT (site, sha256, number), INSERT",
    "procrastinate_jobs": (
        "SELECT, UPDATE (status, worker_id, attempts, abort_requested, scheduled_at, priority, queue_name, "
        "lock)"
    ),
    "procrastinate_workers": "SELECT, INSERT, UPDATE (last_heartbeat), DELETE",
    "procrastinate_events": "SELECT, INSERT",
}
POLICIES = {
    "agent": _MINE,
    "delivery": _MINE,
    "piece": _MINE,
    "procrastinate_jobs": _MY_QUEUE,
    "procrastinate_workers": "holder = current_user",
    "procrastinate_events": _MY_JOBS,
}
SEQUENCES = ("procrastinate_events_id_seq",)


def role_of(site: str) -> str:
    """Name of the site's role. Raises InputError if PostgreSQL could not tell it from another."""
    if len(site) > LONGEST:
        raise InputError(
            [
                Problem(
                    file="",
                    what="the name of the site is too long for a role of the database",
                    field="agent",
                    found=f"{site} ({len(site)} letters)",
                    allowed=f"{LONGEST} letters",
                    remedy="give the site a shorter name",
                )
            ]
        )
    return PREFIX + site


def roles_sql(sites: Iterable[str]) -> str:
    """SQL that makes the roles and gives them what they need; run again, it changes nothing.

    Run it as the owner of the history's tables, who may also make roles. It holds no password.
    """
    parts = [_role_sql(GROUP, "NOLOGIN"), f"GRANT USAGE ON SCHEMA public TO {GROUP};"]
    for table, rights in GRANTS.items():
        parts += [
            f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY;",
            f"DROP POLICY IF EXISTS bw_own_site ON {table};",
            f"CREATE POLICY bw_own_site ON {table} TO {GROUP}",
            f"    USING ({POLICIES[table]}) WITH CHECK ({POLICIES[table]});",
            f"GRANT {rights} ON {table} TO {GROUP};",
        ]
    parts += [f"GRANT USAGE ON SEQUENCE {name} TO {GROUP};" for name in SEQUENCES]
    for site in sorted(set(sites)):
        role = role_of(site)
        parts += [_role_sql(role, "LOGIN INHERIT CONNECTION LIMIT 6"), f'GRANT {GROUP} TO "{role}";']
    return "\n".join(parts) + "\n"


def _role_sql(role: str, how: str) -> str:
    """CREATE ROLE has no IF NOT EXISTS."""
    return (
        f"DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{role}') THEN "
        f'CREATE ROLE "{role}" {how} NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS; '
        "END IF; END $$;"
    )
