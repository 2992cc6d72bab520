"""What an agent's role can do in a real PostgreSQL: its work, and nothing else; and that TLS is checked."""

from __future__ import annotations

import asyncio
import datetime as dt
import ipaddress
from pathlib import Path
from typing import Any

import pytest

from probe.history.store import open_history
from probe.sweep import engine
from probe.sweep.agent_roles import GRANTS, roles_sql
from probe.sweep.engine import Job
from probe.sweep.link import LinkLost, conninfo_of, open_link

psycopg = pytest.importorskip("psycopg")


@pytest.fixture(scope="module")
def database(postgres: Any) -> str:
    """A fleet's database with a job for each of two sites, and rows of the other site in every table."""
    name: str = postgres.new_database()
    history = open_history(postgres.url(name))
    engine.prepare(history)
    with history.writing() as connection:
        for site in ("tarn", "moor"):
            engine.defer(connection, Job(site, f"{site}-1", 1), site)
    history.close()
    postgres.sql(roles_sql(["tarn", "moor"]), roles_sql(["tarn", "moor"]), database=name)  # twice is once
    postgres.sql(
        "INSERT INTO agent VALUES ('moor', 't', '0', 1, 0, 0)",
        "INSERT INTO delivery (site, sweep, due_ns, form, job_id, state, begun_ns, offset_ns) "
        "VALUES ('moor', 'moor-1', 1, 1, 2, 'done', 0, 0)",
        "INSERT INTO piece VALUES ('moor', 'ab', 0, '')",
        "INSERT INTO lineup (site, name) VALUES ('Moor', 'MSB-1')",
        "INSERT INTO procrastinate_workers DEFAULT VALUES",
        database=name,
    )
    return name


def as_tarn(postgres: Any, database: str, statement: str) -> list[tuple[Any, ...]]:
    """What the statement gives to tarn's agent; it is rolled back."""
    with psycopg.connect(postgres.url(database, user="bw_agent_tarn")) as connection:
        told = connection.execute(statement)
        rows = told.fetchall() if told.description else [(told.rowcount,)]
        connection.rollback()
    return rows


WORK = {
    "take a job": ("SELECT args->>'sweep' FROM procrastinate_fetch_job_v2(NULL, NULL)", [("tarn-1",)]),
    "see its own jobs only": ("SELECT args->>'sweep' FROM procrastinate_jobs", [("tarn-1",)]),
    "see its own events only": ("SELECT count(*) FROM procrastinate_events", [(1,)]),
    "see no other's worker": ("SELECT count(*) FROM procrastinate_workers", [(0,)]),
    "no other's worker can be deleted": ("DELETE FROM procrastinate_workers", [(0,)]),
    "see no other's delivery": ("SELECT count(*) FROM delivery", [(0,)]),
    "see no other's pieces": ("SELECT count(number) FROM piece", [(0,)]),
    "see no other agent": ("SELECT count(*) FROM agent", [(0,)]),
    "change no other agent": ("UPDATE agent SET trouble = 'x'", [(0,)]),
    "finish no other's job": ("UPDATE procrastinate_jobs SET status = 'failed' WHERE id = 2", [(0,)]),
}


@pytest.mark.parametrize("what", WORK)
def test_the_role_can_do_its_work_on_its_own_rows(postgres: Any, database: str, what: str) -> None:
    statement, expected = WORK[what]
    assert as_tarn(postgres, database, statement) == expected


REFUSED = (
    *(f"SELECT * FROM {table}" for table in ("run", "lineup", "life", "change", "slot", "alert", "message")),
    "SELECT data FROM piece",
    "DELETE FROM piece",
    "DELETE FROM delivery",
    "UPDATE delivery SET state = 'done'",
    "INSERT INTO run DEFAULT VALUES",
    "INSERT INTO procrastinate_jobs (queue_name, task_name) VALUES ('site:tarn', 'sweep')",
    "INSERT INTO procrastinate_jobs (queue_name, task_name) VALUES ('site:moor', 'sweep')",
    "SELECT procrastinate_defer_jobs_v1('{\"(site:moor,sweep,0,,,{},)\"}'::procrastinate_job_to_defer_v1[])",
    "UPDATE procrastinate_jobs SET args = '{}'",
    "UPDATE procrastinate_jobs SET queue_name = 'site:moor'",
    "DELETE FROM procrastinate_jobs",
    "INSERT INTO agent VALUES ('moor', 't', '0', 1, 0, 0)",
    "INSERT INTO piece VALUES ('moor', 'cd', 0, '')",
    "INSERT INTO delivery VALUES ('moor', 'moor-1', 2, 1, 2, 'done', '', 0, 0, 0)",
    "CREATE TABLE mine (a int)",
    "CREATE ROLE mine",
    "ALTER TABLE piece DISABLE ROW LEVEL SECURITY",
    "SET ROLE bw_agent_moor",
    "SELECT pg_read_file('/etc/hostname')",
    "COPY piece TO PROGRAM 'true'",
)


@pytest.mark.parametrize("statement", REFUSED)
def test_the_role_can_do_nothing_else(postgres: Any, database: str, statement: str) -> None:
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_tarn(postgres, database, statement)


def test_tables_without_a_grant_are_closed_to_agents(postgres: Any, database: str) -> None:
    """Whatever table is added later: what is not in GRANTS has no right for any agent."""
    told = postgres.sql(
        "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace "
        "AND (has_any_column_privilege('bw_agent_tarn', oid, 'SELECT, INSERT, UPDATE') "
        "OR has_table_privilege('bw_agent_tarn', oid, 'DELETE, TRUNCATE, TRIGGER'))",
        database=database,
    )
    assert set(told.split()) == set(GRANTS)


# TLS --------------------------------------------------------------------------------------------------------


def certificates(folder: Path, name: str) -> dict[str, Path]:
    """A certificate authority of the test's own and a server certificate for 127.0.0.1; files in PEM."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    def named(common: str) -> Any:
        return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])

    now = dt.datetime.now(dt.UTC)
    ca_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())

    def begun(subject: Any, public: Any) -> Any:
        made = x509.CertificateBuilder().subject_name(subject).issuer_name(named(f"{name} CA"))
        made = made.public_key(public).serial_number(x509.random_serial_number())
        return made.not_valid_before(now - dt.timedelta(days=2)).not_valid_after(now + dt.timedelta(days=2))

    ca = begun(named(f"{name} CA"), ca_key.public_key()).add_extension(
        x509.BasicConstraints(ca=True, path_length=0), critical=True
    )
    server = begun(named("database"), key.public_key()).add_extension(
        x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    made = {
        "ca": ca.sign(ca_key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM),
        "cert": server.sign(ca_key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM),
        "key": private,
    }
    for what, data in made.items():
        (folder / f"{name}-{what}.pem").write_bytes(data)
    return {what: folder / f"{name}-{what}.pem" for what in made}


async def say_hello(where: str) -> int | None:
    async def nothing(*_: Any) -> None:
        pass

    async with open_link(where, "tarn", nothing, refused_s=1.0) as link:
        return await link.hello(token="t", version="0", wall_ns=0, waiting=0, trouble="")


def test_tls_is_checked_to_the_end(server_type: Any, tmp_path: Path) -> None:
    """Source: PostgreSQL 15 documentation, 34.19.1: verify-full checks the chain and the host's name."""
    server = server_type()
    try:
        database = server.new_database()
        history = open_history(server.url(database))
        engine.prepare(history)
        history.close()
        server.sql(roles_sql(["tarn"]), database=database)
        ours, foreign = certificates(tmp_path, "ours"), certificates(tmp_path, "foreign")
        for what in ("cert", "key"):
            copy = server.data / f"{what}.pem"
            copy.write_bytes(ours[what].read_bytes())
            server.own(copy)
        server.configure("ssl = on", "ssl_cert_file = 'cert.pem'", "ssl_key_file = 'key.pem'")
        server.let_in("hostnossl all all 127.0.0.1/32 reject")
        server.stop()
        server.start()
        plain = server.url(database)
        checked = f"{plain}?sslmode=verify-full&sslrootcert={ours['ca']}"
        assert "verify-full" in conninfo_of(checked, "tarn")
        assert asyncio.run(say_hello(checked)) is not None
        with pytest.raises(LinkLost, match="certificate verify failed"):
            asyncio.run(say_hello(f"{plain}?sslmode=verify-full&sslrootcert={foreign['ca']}"))
        with pytest.raises(LinkLost, match='does not match host name "localhost"'):
            asyncio.run(say_hello(checked.replace("127.0.0.1", "localhost")))
        with pytest.raises(LinkLost, match="no encryption"):
            asyncio.run(say_hello(f"{plain}?sslmode=disable"))
    finally:
        server.remove()
