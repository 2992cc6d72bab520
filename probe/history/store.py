"""Store: opens the history, on SQLite by a path or on PostgreSQL by a URL, and brings its tables up to date.

SQLite runs in WAL mode: a process killed at any moment leaves what was committed. It must not lie on a
network folder (WAL needs shared memory). Secrets stand in no URL: PostgreSQL takes the password from
``PGPASSWORD`` or ``~/.pgpass``. Source: SQLite documentation, "Write-Ahead Logging"; PostgreSQL 15
documentation, 34.15.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy import Connection, Engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, OperationalError

from probe.history.migrate import bring_up_to_date
from probe.model.errors import InputError, Problem

BUSY_MS = 30_000  # so long a writer waits for another one


class History:
    """An open history. Threads may share it; every use takes a connection of its own."""

    def __init__(self, engine: Engine, name: str) -> None:
        self.engine = engine
        self.name = name

    @property
    def is_sqlite(self) -> bool:
        """True for the default store."""
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection whose queries all see one state."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection in a transaction that writes: all of it is kept, or nothing."""
        with self.engine.connect().execution_options(writes=True) as connection, connection.begin():
            yield connection

    def close(self) -> None:
        """Give back all connections."""
        self.engine.dispose()


def open_history(where: str, *, create: bool = True) -> History:
    """The history at this path or URL, its tables as this version needs them.

    where: a file's path, ``sqlite:///...``, or ``postgresql://user@host/database``. create: False refuses a
    file that is not there. Raises InputError with what is wrong and the remedy (not there, no database, not
    reachable, damaged, of a newer version).
    """
    url = _url(where)
    if url.get_backend_name() == "sqlite":
        _ensure_place(Path(url.database or ""), create=create)
    engine = _engine(url)
    try:
        if engine.dialect.name == "sqlite":
            _ensure_whole(engine, where)
        bring_up_to_date(engine, where)
    except BaseException as error:  # whatever stopped it: no connection is left open
        engine.dispose()
        if isinstance(error, DatabaseError):
            raise InputError((_trouble(where, error),)) from error
        # What SQLite says of damage can quote it, and it wants memory for a size that is none.
        if isinstance(error, UnicodeDecodeError | MemoryError):
            raise InputError((_damaged(where, "bytes that mean nothing"),)) from error
        raise
    return History(engine, where)


def _url(where: str) -> sqlalchemy.URL:
    if "://" not in where:
        return sqlalchemy.URL.create("sqlite", database=str(Path(where).expanduser()))
    try:
        url = make_url(where)
        backend = url.get_backend_name()
    except ArgumentError as error:
        raise InputError((_bad_url(where, "an address that cannot be read"),)) from error
    if backend not in ("sqlite", "postgresql"):
        raise InputError((_bad_url(where, f"a database of kind {backend}"),))
    if backend == "sqlite":
        return url.set(drivername="sqlite")
    if url.password or "password" in url.query:
        raise InputError(
            (
                Problem(
                    file=url.set(query={}).render_as_string(hide_password=True),
                    what="the history's address holds a password",
                    field="history",
                    found="a password in the address",
                    allowed="an address without one",
                    remedy="leave the password out and put it into PGPASSWORD or the file .pgpass",
                ),
            )
        )
    return url.set(drivername="postgresql+psycopg")


def _bad_url(where: str, found: str) -> Problem:
    return Problem(
        file=where.rpartition("@")[2].partition("?")[0],
        what="the history's address is none",
        field="history",
        found=found,
        allowed="a file's path, or postgresql://USER@HOST/DATABASE",
        remedy="write the address so",
    )


def _ensure_place(path: Path, *, create: bool) -> None:
    if path.exists() and not path.is_file():
        found, remedy = "a folder" if path.is_dir() else "no plain file", "name a file in it"
    elif not path.exists() and not create:
        found, remedy = "no such file", "run a sweep first, or import records: buswitness sweep import"
    elif not path.parent.is_dir():
        found, remedy = f"no folder {path.parent}", "make the folder, or name another file"
    else:
        return
    raise InputError(
        (
            Problem(
                file=str(path),
                what="there is no history",
                field="history",
                found=found,
                allowed="a history file",
                remedy=remedy,
            ),
        )
    )


def _engine(url: sqlalchemy.URL) -> Engine:
    if url.get_backend_name() == "sqlite":
        engine = sqlalchemy.create_engine(url, connect_args={"timeout": BUSY_MS / 1000})
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return sqlalchemy.create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 10})
    except ImportError as error:
        raise InputError((_no_driver(url, error),)) from None


def _no_driver(url: sqlalchemy.URL, error: ImportError) -> Problem:
    return Problem(
        file=url.set(query={}).render_as_string(hide_password=True).replace("+psycopg", ""),
        what="a history on PostgreSQL needs a package that is not installed here",
        field="history",
        found=f"no {error.name or 'psycopg'} ({error})",
        allowed="Buswitness with its extra fleet, or a history in a file",
        remedy="install it: pip install 'buswitness[fleet]'; or write history: history.sqlite",
    )


def _prepare_sqlite(connection: Any, _: object) -> None:
    """WAL; a commit need not wait for the disk (a power loss may lose the last ones, never damages)."""
    connection.isolation_level = None  # transactions are begun by ``_begin_sqlite``, not by the driver
    for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON", "temp_store=MEMORY"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    """A writer takes its place at once, so that it never has to give up half-way."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _ensure_whole(engine: Engine, where: str) -> None:
    """Raises InputError if SQLite finds damage (a quick look: pages and their order, not every index)."""
    with engine.connect() as connection:
        said = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
    if said != "ok":
        raise InputError((_damaged(where, str(said)),))


def _damaged(where: str, said: str) -> Problem:
    return Problem(
        file=where,
        what="the history cannot be read",
        field="history",
        found=f"a damaged database ({' '.join(said.split())})",
        allowed="a whole one",
        remedy="buswitness sweep rebuild: sets it aside and makes it again from the records",
    )


def _trouble(where: str, error: DatabaseError) -> Problem:
    said = " ".join(str(error.orig).split()) if error.orig else str(error)
    text = said.lower()
    if "malformed" in text or "not a database" in text or "disk i/o" in text:
        return _damaged(where, said)
    remedy = "look whether the address is right, the server runs and the user may use the database"
    if "readonly" in text or "unable to open" in text:
        remedy = "make the file and its folder writable, or name another file"
    if "disk is full" in text or "no space" in text:
        remedy = "make room on the disk; nothing that was kept is lost"
    kind = "not reachable" if isinstance(error, OperationalError) else "refused"
    return Problem(
        file=where,
        what="the history cannot be used",
        field="history",
        found=f"{kind}: {said}",
        allowed="a history",
        remedy=remedy,
    )
