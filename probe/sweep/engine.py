"""Engine: jobs for agents in queues on PostgreSQL, by procrastinate (docs/decisions/0014); known only here.

A queue a site, a lock a lineup, one job a start. A job says which sweep and which start, nothing else: what
that means stands in the agent's own fleet file, so the database can make no agent ask other gear.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

from sqlalchemy import Connection, insert, select, text

from probe.history.agent_tables import engine_step
from probe.history.store import History
from probe.model.errors import InputError, Problem

FORM = 1  # of the jobs that this version writes, and the newest that it reads
TASK = "sweep"
HEARTBEAT_S = 15.0
LOST_S = 60.0  # a worker that was not heard for so long has no link, or is dead


class Job(NamedTuple):
    """A start that an agent is to make."""

    site: str
    sweep: str
    due_ns: int

    @property
    def name(self) -> str:
        """Its unique name: there is one such job or none."""
        return f"{self.site}/{self.sweep}@{self.due_ns}"


class NewerForm(Exception):  # noqa: N818 - says what is there
    """The job was written by a newer centre; it is put back and waits."""


class AskedJob(NamedTuple):
    """A job in its queue. status: of the engine; silent_s: its worker was not heard for so long, or None."""

    id: int
    job: Job
    status: str
    started_s: float | None
    silent_s: float | None


def queue_of(site: str) -> str:
    """Name of the site's queue."""
    return f"site:{site}"


def need_engine() -> None:
    """Raises InputError if the packages for agents are not installed."""
    try:
        import procrastinate  # noqa: F401
        import psycopg_pool  # noqa: F401
    except ImportError as error:
        raise InputError(
            [
                Problem(
                    file="",
                    what="agents need packages that are not installed",
                    found=str(error),
                    remedy="pip install 'buswitness[fleet]'",
                )
            ]
        ) from error
    for name in ("procrastinate", "psycopg.pool"):  # its tracebacks at a lost link are told in our words
        logging.getLogger(name).setLevel(logging.CRITICAL)


def prepare(history: History) -> None:
    """Make the engine's tables, or bring them up to what the installed engine needs."""
    need_engine()
    from procrastinate.schema import SchemaManager, migrations_path

    names = sorted(path.name for path in migrations_path.glob("*.sql"))
    with history.reading() as connection:
        done = set(connection.execute(select(engine_step.c.name)).scalars())
    if done.issuperset(names):
        return
    with history.writing() as connection:
        connection.execute(text("LOCK TABLE engine_step IN ACCESS EXCLUSIVE MODE"))
        done = set(connection.execute(select(engine_step.c.name)).scalars())
        missing = [name for name in names if name not in done]
        raw = connection.connection.driver_connection
        assert raw is not None
        if not done:
            raw.execute(SchemaManager.get_schema())
            # So that a role sees only its own workers.
            raw.execute("ALTER TABLE procrastinate_workers ADD COLUMN holder name DEFAULT current_user")
        else:
            for name in missing:
                raw.execute((migrations_path / name).read_text(encoding="utf-8"))
        if missing:
            connection.execute(insert(engine_step), [{"name": name} for name in missing])


def defer(connection: Connection, job: Job, lineup: str, *, form: int = FORM) -> None:
    """Put the job into its site's queue, in the caller's transaction.

    lineup: jobs of one lineup are done one after the other.
    """
    from procrastinate import App, SyncPsycopgConnector

    app = App(connector=SyncPsycopgConnector())
    app.configure_task(
        TASK,
        queue=queue_of(job.site),
        lock=f"{job.site}/{lineup}",
        queueing_lock=job.name,
        connection=connection.connection.driver_connection,
    ).defer(form=form, sweep=job.sweep, due_ns=job.due_ns)


_ASKED = """
SELECT job.id, job.args, substr(job.queue_name, 6) AS site, job.status::text AS status,
       extract(epoch FROM now() - (SELECT max(at) FROM procrastinate_events event
           WHERE event.job_id = job.id AND event.type = 'started'))::float8 AS started_s,
       CASE WHEN job.status = 'doing' THEN coalesce(
           extract(epoch FROM now() - worker.last_heartbeat), 1e9) END::float8 AS silent_s
  FROM procrastinate_jobs job LEFT JOIN procrastinate_workers worker ON worker.id = job.worker_id
 WHERE job.status IN ('todo', 'doing') ORDER BY job.id
"""


def asked(connection: Connection) -> list[AskedJob]:
    """Jobs that wait or are being done."""
    return [
        AskedJob(
            row.id,
            Job(row.site, row.args["sweep"], row.args["due_ns"]),
            row.status,
            row.started_s,
            row.silent_s,
        )
        for row in connection.execute(text(_ASKED))
    ]


def call_off(connection: Connection, job_id: int) -> bool:
    """Take back a job; False if an agent has it already."""
    said = connection.execute(text("SELECT procrastinate_cancel_job_v1(:id, false, false)"), {"id": job_id})
    return said.scalar() is not None


def give_up(connection: Connection, job_id: int) -> None:
    """Mark a job as failed whose worker is gone."""
    connection.execute(
        text("UPDATE procrastinate_jobs SET status = 'failed' WHERE id = :id AND status = 'doing'"),
        {"id": job_id},
    )


def now_ns(connection: Connection) -> int:
    """The database's clock."""
    return int(connection.execute(text("SELECT (extract(epoch FROM now()) * 1e9)::bigint")).scalar_one())


def begun_ns(connection: Connection, job_id: int) -> int | None:
    """When the job was first handed out, by the database's clock."""
    wanted = (
        "SELECT (extract(epoch FROM max(at)) * 1e9)::bigint FROM procrastinate_events "
        "WHERE job_id = :id AND type = 'started'"
    )
    return connection.execute(text(wanted), {"id": job_id}).scalar()


def forget(connection: Connection, days: float) -> int:
    """Delete jobs that ended so long ago; how many. What became of them stands in the slot book."""
    wanted = """
    DELETE FROM procrastinate_jobs job WHERE status IN ('succeeded', 'failed', 'cancelled', 'aborted')
       AND NOT EXISTS (SELECT 1 FROM procrastinate_events event WHERE event.job_id = job.id
           AND event.at > now() - make_interval(secs => :seconds))
    """
    return connection.execute(text(wanted), {"seconds": days * 86_400}).rowcount


Handler = Callable[[int, int, str, int], Awaitable[None]]


def worker_app(conninfo: str, handler: Handler, *, refused_s: float) -> Any:
    """An application whose worker hands jobs to ``handler(job_id, form, sweep, due_ns)``.

    A handler that raises NewerForm has the job put back for so long; any other end ends the job: what touched
    gear is not repeated by itself.
    """
    from procrastinate import App, BaseRetryStrategy, JobContext, PsycopgConnector, RetryDecision
    from procrastinate.jobs import Job as EngineJob

    class PutBack(BaseRetryStrategy):
        def get_retry_decision(self, *, exception: BaseException, job: EngineJob) -> RetryDecision | None:
            return (
                RetryDecision(retry_in={"seconds": round(refused_s)})
                if isinstance(exception, NewerForm)
                else None
            )

    # Statements are not prepared: a pooler in transaction mode may stand between.
    unprepared = {"prepare_threshold": None}
    connector = PsycopgConnector(conninfo=conninfo, min_size=1, max_size=3, timeout=15.0, kwargs=unprepared)
    app = App(connector=connector)

    @app.task(name=TASK, pass_context=True, retry=PutBack())
    async def sweep(context: JobContext, /, **asked: Any) -> None:
        assert context.job.id is not None
        await handler(
            context.job.id, asked.get("form", 0), str(asked.get("sweep", "")), int(asked.get("due_ns", 0))
        )

    return app
