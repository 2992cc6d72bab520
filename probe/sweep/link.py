"""Link: an agent's way to its database: jobs come, heartbeats and results go. One connection, at times two.

All times are the database's. Statements are those that the agent's role may do (``agent_roles``).
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy.engine import make_url

from probe.sweep import parcel
from probe.sweep.agent_roles import role_of
from probe.sweep.engine import (
    FORM,
    HEARTBEAT_S,
    TASK,
    Handler,
    need_engine,
    queue_of,
    worker_app,
)
from probe.sweep.journal import Entry

ALONE_S = 120  # an agent that was not heard for so long may be followed by another installation


class LinkLost(Exception):  # noqa: N818 - says what happened
    """The database cannot be reached, or refused; the text says why."""


class Doing(NamedTuple):
    """A job that the database holds as being done at this site."""

    job_id: int
    sweep: str
    due_ns: int


def conninfo_of(where: str, site: str) -> str:
    """Connection string of the site's agent: the fleet's address with the agent's own role.

    A dead link is found out after half a minute. Source: PostgreSQL 15 documentation, 34.1.2 (keepalives,
    tcp_user_timeout, sslmode).
    """
    from psycopg.conninfo import make_conninfo

    url = make_url(where).set(drivername="postgresql", username=role_of(site))
    return make_conninfo(
        url.render_as_string(hide_password=False),
        connect_timeout=10,
        keepalives_idle=10,
        keepalives_interval=5,
        keepalives_count=3,
        tcp_user_timeout=20_000,
        application_name=f"buswitness agent {site}",
    )


@asynccontextmanager
async def open_link(where: str, site: str, handler: Handler, *, refused_s: float) -> AsyncIterator[Link]:
    """A link that is up. Raises LinkLost."""
    need_engine()
    from psycopg import AsyncConnection

    conninfo = conninfo_of(where, site)
    app = worker_app(conninfo, handler, refused_s=refused_s)
    with _told():
        # First by hand: a pool tells of a refusal only that it waited.
        await (await AsyncConnection.connect(conninfo)).close()
        await app.open_async()
    try:
        yield Link(app, site)
    finally:
        with _quiet():
            await app.close_async()


class Link:
    """What an agent says to the database and hears from it. Every method raises LinkLost."""

    def __init__(self, app: Any, site: str) -> None:
        self._app = app
        self._site = site

    async def work(self, *, at_once: int, every_s: float) -> None:
        """Take jobs and hand them to the handler, until cancelled or the link is lost."""
        with _told():
            await self._app.run_worker_async(
                queues=[queue_of(self._site)],
                name=f"buswitness-{self._site}",
                concurrency=at_once,
                install_signal_handlers=False,
                # Polled, not listened to: time tables count in minutes, and it saves a connection an agent.
                listen_notify=False,
                fetch_job_polling_interval=every_s,
                update_heartbeat_interval=HEARTBEAT_S,
                stalled_worker_timeout=4 * HEARTBEAT_S,
            )

    async def hello(
        self, *, token: str, version: str, wall_ns: int, waiting: int, trouble: str
    ) -> int | None:
        """Tell that the agent lives: its clock less the database's, nanoseconds; None if another one does."""
        rows = await self._rows(
            "INSERT INTO agent AS a (site, token, version, form, seen_ns, offset_ns, waiting, trouble) "
            "SELECT %(site)s, %(token)s, %(version)s, %(form)s, now_ns, %(wall)s - now_ns, %(waiting)s, "
            "%(trouble)s FROM (SELECT (extract(epoch FROM clock_timestamp()) * 1e9)::bigint AS now_ns) AS c "
            "ON CONFLICT (site) DO UPDATE SET token = excluded.token, version = excluded.version, "
            "form = excluded.form, seen_ns = excluded.seen_ns, offset_ns = excluded.offset_ns, "
            "waiting = excluded.waiting, trouble = excluded.trouble "
            "WHERE a.token = excluded.token OR a.seen_ns < excluded.seen_ns - %(alone)s RETURNING offset_ns",
            site=self._site,
            token=token,
            version=version,
            form=FORM,
            wall=wall_ns,
            waiting=waiting,
            trouble=trouble,
            alone=ALONE_S * 10**9,
        )
        return rows[0][0] if rows else None

    async def doing(self) -> list[Doing]:
        """Jobs of the site that are held as being done."""
        rows = await self._rows(
            "SELECT id, args->>'sweep', (args->>'due_ns')::bigint FROM procrastinate_jobs "
            "WHERE queue_name = %(queue)s AND task_name = %(task)s AND status = 'doing'",
            queue=queue_of(self._site),
            task=TASK,
        )
        return [Doing(*row) for row in rows]

    async def silent_s(self) -> float:
        """So long the newest worker of this agent was not heard, by the database; 0 if there is none yet."""
        rows = await self._rows(
            "SELECT extract(epoch FROM now() - max(last_heartbeat))::float8 FROM procrastinate_workers "
            "WHERE holder = current_user"
        )
        return rows[0][0] or 0.0

    async def finish(self, job_id: int) -> None:
        """The job is over."""
        await self._rows("SELECT procrastinate_finish_job_v1(%(id)s, 'succeeded', false)", id=job_id)

    async def put_back(self, job_id: int) -> None:
        """The job was handed out but never arrived: hand it out again."""
        await self._rows("SELECT procrastinate_retry_job_v2(%(id)s, NULL, NULL, NULL, NULL)", id=job_id)

    async def wake(self) -> None:
        """Jobs that an older version of this agent refused need not wait any longer."""
        await self._rows(
            "UPDATE procrastinate_jobs SET scheduled_at = NULL WHERE queue_name = %(queue)s "
            "AND status = 'todo' AND scheduled_at IS NOT NULL AND (args->>'form')::int <= %(form)s "
            "RETURNING id",
            queue=queue_of(self._site),
            form=FORM,
        )

    async def deliver(self, entry: Entry, packed: Path | None, sha256: str, offset_ns: int) -> None:
        """Send the record's pieces that are not there yet, then how the start ended. Can be repeated."""
        known = await self._rows(
            "SELECT 1 FROM delivery WHERE site = %(site)s AND sweep = %(sweep)s AND due_ns = %(due_ns)s",
            site=self._site,
            sweep=entry.sweep,
            due_ns=entry.due_ns,
        )
        if known:
            return
        total = parcel.count(packed) if packed else 0
        if packed:
            there = await self._rows(
                "SELECT number FROM piece WHERE site = %(site)s AND sha256 = %(sha256)s",
                site=self._site,
                sha256=sha256,
            )
            for number, data in parcel.pieces(packed, sorted(set(range(total)) - {row[0] for row in there})):
                await self._rows(
                    "INSERT INTO piece (site, sha256, number, data) "
                    "VALUES (%(site)s, %(sha256)s, %(number)s, %(data)s) "
                    "ON CONFLICT (site, sha256, number) DO NOTHING RETURNING number",
                    site=self._site,
                    sha256=sha256,
                    number=number,
                    data=data,
                )
        row = {"sweep": entry.sweep, "due_ns": entry.due_ns, "job_id": entry.job_id, "state": entry.state}
        row |= {"why": entry.why, "exit_code": entry.exit_code, "begun_ns": entry.begun_ns}
        row |= {"site": self._site, "form": FORM, "offset_ns": offset_ns, "sha256": sha256, "pieces": total}
        names = ", ".join(row)
        values = ", ".join(f"%({name})s" for name in row)
        await self._rows(
            f"INSERT INTO delivery ({names}) VALUES ({values}) "
            "ON CONFLICT (site, sweep, due_ns) DO NOTHING RETURNING form",
            **row,
        )

    async def _rows(self, statement: str, **values: Any) -> list[Any]:
        with _told():
            async with self._app.connector.pool.connection() as connection:
                return list(await (await connection.execute(statement, values)).fetchall())


class _Told:
    """Turns what the libraries raise at a lost link into LinkLost."""

    def __init__(self, *, swallow: bool) -> None:
        self._swallow = swallow

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> bool | None:
        import psycopg
        import psycopg_pool
        from procrastinate.exceptions import ProcrastinateException

        kinds = (
            psycopg.Error,
            psycopg_pool.PoolTimeout,
            psycopg_pool.PoolClosed,
            ProcrastinateException,
            OSError,
        )
        if not isinstance(error, kinds):
            return False
        if self._swallow:
            return True
        raise LinkLost(
            " ".join(str(error.__cause__ or error).split())[:300] or type(error).__name__
        ) from error


def _told() -> _Told:
    return _Told(swallow=False)


def _quiet() -> _Told:
    return _Told(swallow=True)
