"""``postgres``: a PostgreSQL server of the tests' own, from Debian's package, on a free port of loopback.

It is started when a test first asks for it and removed at the end. As root it runs as the package's user.
"""

from __future__ import annotations

import atexit
import itertools
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "wiretap"))
import read_only_wire
from read_only_wire import every_frame_is_a_read, pytest_terminal_summary  # noqa: F401 - fixture and hook

read_only_wire.start()

#: Locks of lineups lie there: runs of tests must not meet those of whoever works beside them.
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="bw-state-")
atexit.register(shutil.rmtree, os.environ["XDG_STATE_HOME"], ignore_errors=True)


def _program(name: str) -> str | None:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda path: int(path.parts[4]))
    return str(found[-1]) if found else shutil.which(name)


def why_no_postgres() -> str:
    """Why no server can be started here; empty if one can."""
    if os.name == "nt" or _program("initdb") is None:
        return "PostgreSQL is not installed (Debian: apt-get install postgresql)"
    if os.geteuid() == 0 and (shutil.which("runuser") is None or not Path("/var/lib/postgresql").exists()):
        return "as root, the server needs the package's user postgres and runuser"
    return ""


class Server:
    """One server. ``inside``: a command before its own, to run it in a network namespace."""

    def __init__(self, *, listen: str = "127.0.0.1", inside: Sequence[str] = (), port: int = 0) -> None:
        memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # spares a slow disk
        self.folder = Path(tempfile.mkdtemp(prefix="bw-pg-", dir=memory))
        self.data = self.folder / "data"
        self.host, self.port = listen, port or _free_port()
        self._inside = tuple(inside)
        self._numbers = itertools.count(1)
        if os.geteuid() == 0:
            shutil.chown(self.folder, "postgres", "postgres")
        try:
            self._as_user(_program("initdb"), "-D", self.data, "-A", "trust", "-U", "owner", "--no-sync")
            self.configure(
                f"listen_addresses = '{listen}'",
                f"port = {self.port}",
                f"unix_socket_directories = '{self.folder}'",
                "fsync = off",
                "shared_buffers = 32MB",
                "max_connections = 60",
            )
            self.start()
        except BaseException:
            self.remove()
            raise

    def configure(self, *lines: str) -> None:
        """Add lines to its configuration; they count from the next start."""
        with (self.data / "postgresql.conf").open("a") as file:
            file.write("".join(f"{line}\n" for line in lines))

    def let_in(self, *lines: str) -> None:
        """Let in who these lines of pg_hba.conf say, before all others."""
        path = self.data / "pg_hba.conf"
        path.write_text("".join(f"{line}\n" for line in lines) + path.read_text())

    def own(self, file: Path) -> None:
        """Make a file the server's alone, as it wants its keys."""
        file.chmod(0o600)
        if os.geteuid() == 0:
            shutil.chown(file, "postgres", "postgres")

    def start(self) -> None:
        """Start it; up when this returns."""
        log = self.folder / "server.log"
        self._as_user(_program("pg_ctl"), "-D", self.data, "-l", log, "-w", "-t", "60", "start")

    def stop(self, *, how: str = "fast") -> None:
        """Stop it. how: fast, or immediate (as a crash)."""
        self._as_user(_program("pg_ctl"), "-D", self.data, "-w", "-t", "60", "-m", how, "stop")

    def sql(self, *statements: str, database: str = "postgres") -> str:
        """Run statements as the owner, over the server's own socket."""
        command = ["psql", "-XqtA", "-v", "ON_ERROR_STOP=1", "-h", str(self.folder), "-p", str(self.port)]
        command += ["-U", "owner", "-d", database, "-f", "-"]
        told = subprocess.run(
            command, input=";\n".join(statements), capture_output=True, text=True, check=False, timeout=60
        )
        assert told.returncode == 0, told.stderr
        return told.stdout.strip()

    def new_database(self, *, like: str = "template0") -> str:
        """Make a database of the test's own; its name."""
        name = f"fleet{next(self._numbers)}"
        self.sql(f"CREATE DATABASE {name} TEMPLATE {like}")
        return name

    def url(self, database: str, *, user: str = "owner", host: str = "") -> str:
        """Address of a database for the tool."""
        return f"postgresql://{user}@{host or self.host}:{self.port}/{database}"

    def remove(self) -> None:
        """Stop it and remove all of it."""
        if (self.data / "postmaster.pid").exists():
            self.stop(how="immediate")
        shutil.rmtree(self.folder, ignore_errors=True)

    def _as_user(self, *command: object) -> None:
        words = [*self._inside, *(("runuser", "-u", "postgres", "--") if os.geteuid() == 0 else ())]
        words += [str(word) for word in command]
        with (self.folder / "told").open("w+") as told:  # a pipe would stay open in the server
            done = subprocess.run(
                words, stdout=told, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, cwd=self.folder,
                check=False, timeout=120,
            )  # fmt: skip
            told.seek(0)
            assert done.returncode == 0, told.read()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """A server for all tests of this worker."""
    if why := why_no_postgres():
        pytest.skip(why)
    server = Server()
    yield server
    server.remove()


@pytest.fixture(scope="session")
def server_type() -> type[Server]:
    """For tests that need a server for themselves."""
    if why := why_no_postgres():
        pytest.skip(why)
    return Server
