"""Two S3-style servers that are not ours, each in a process of its own on loopback.

``signing_store`` checks signatures and rights (moto 5, which forgets all when it ends); ``disk_store`` keeps
objects as files, over a restart, and checks no signatures (localbucket 1.2).
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

BOUND_S = 60.0
BUCKET = "switchgear"


class StoreServer:
    """A server that can be started, stopped, killed and held up. key, secret: what it lets in."""

    def __init__(self, words: list[str], log: Path, **environ: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.url = f"http://127.0.0.1:{self.port}"
        self.key, self.secret = "TARNHOLLOWKEY", "tarn-hollow-secret"
        self._words = [word.replace("PORT", str(self.port)) for word in words]
        self._environ = {**os.environ, **environ}
        self._log = log.open("ab")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start it; it answers when this returns."""
        self._process = subprocess.Popen(
            self._words, stdout=self._log, stderr=subprocess.STDOUT, env=self._environ
        )
        end = time.monotonic() + BOUND_S
        while True:
            try:
                urllib.request.urlopen(self.url, timeout=5).close()
                return
            except urllib.error.HTTPError as error:
                error.close()
                return
            except OSError:
                assert self._process.poll() is None, "the server ended"
                assert time.monotonic() < end, "the server does not answer"
                time.sleep(0.1)

    def stop(self) -> None:
        """Kill it."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def hold_up(self, *, held: bool) -> None:
        """Let it answer nothing, or go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP if held else signal.SIGCONT)

    def close(self) -> None:
        """End it."""
        self.hold_up(held=False)
        self.stop()
        self._log.close()


@pytest.fixture
def disk_store(tmp_path: Path) -> Iterator[tuple[StoreServer, Path]]:
    """A server and the folder that its bucket is."""
    data = tmp_path / "objects"
    (data / BUCKET).mkdir(parents=True)
    words = [sys.executable, "-m", "localbucket", str(data), "--host", "127.0.0.1", "--port", "PORT"]
    server = StoreServer(words, tmp_path / "objects.log")
    yield server, data / BUCKET
    server.close()


@pytest.fixture(scope="session")
def _signing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StoreServer]:
    words = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", "PORT"]
    server = StoreServer(words, tmp_path_factory.mktemp("moto") / "log")
    yield server
    server.close()


@pytest.fixture
def signing_store(_signing: StoreServer, monkeypatch: pytest.MonkeyPatch) -> tuple[StoreServer, Any]:
    """A server with one user who may do all with the bucket; gives it and a maker of users with rights."""
    import botocore.session

    _ask(_signing, "/moto-api/reset", b"")
    _ask(_signing, "/moto-api/reset-auth", b"1000")  # so many requests are not checked
    session = botocore.session.get_session()
    how = {
        "endpoint_url": _signing.url,
        "region_name": "us-east-1",
        "aws_access_key_id": "first",
        "aws_secret_access_key": "first",
    }
    people, objects = (session.create_client(name, **how) for name in ("iam", "s3"))
    objects.create_bucket(Bucket=BUCKET)

    def user(name: str, action: str) -> tuple[str, str]:
        rights = [{"Effect": "Allow", "Action": action, "Resource": "*"}]
        policy = json.dumps({"Version": "2012-10-17", "Statement": rights})
        people.create_user(UserName=name)
        people.put_user_policy(UserName=name, PolicyName=name, PolicyDocument=policy)
        made = people.create_access_key(UserName=name)["AccessKey"]
        return made["AccessKeyId"], made["SecretAccessKey"]

    _signing.key, _signing.secret = user("probe", "s3:*")
    reader = user("reader", "s3:ListBucket")
    _ask(_signing, "/moto-api/reset-auth", b"0")  # from now on, each is
    return _signing, reader


@pytest.fixture
def long_record(tmp_path: Path) -> Path:
    """A record of 12 MiB, which goes to a store in three parts."""
    from probe.model.evidence import Note
    from probe.model.scope import Scope
    from probe.record.header import Header, Instrument
    from probe.record.writer import RecordWriter

    here = Instrument(host_name="laptop-3", system="Linux", python="3.11", addresses=(), clock="")
    header = Header(
        tool_version="0.1.0", site="Tarn Hollow Water Works", lineup="MSB-1", map_texts=(), profile_texts=(),
        scope=Scope(tags=("MTR-M1",)), started_wall_ns=1_773_480_413_000_000_001, instrument=here,
    )  # fmt: skip
    path = tmp_path / "long.audit.jsonl"
    writer = RecordWriter.create(path, header)
    for number in range(192):
        writer.keep(Note(number, "load", hashlib.shake_128(bytes([number])).hexdigest(32 << 10)))
    writer.seal(complete=True, reason="")
    return path


def _ask(server: StoreServer, path: str, data: bytes) -> None:
    head = {"Content-Type": "text/plain"}  # a form would be taken apart
    request = urllib.request.Request(server.url + path, data=data, headers=head, method="POST")
    urllib.request.urlopen(request, timeout=30).close()
