"""Objects in S3-style stores that are not ours: sent, proved, fetched, and what goes wrong in plain words.

Sources beside the checks: S3 API Reference, "Error responses" (codes and their XML).
"""

from __future__ import annotations

import hashlib
import logging
import os
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from probe.model.errors import InputError, RecordError
from probe.model.record_place import RecordPlace
from probe.sweep import objects as objects_module
from probe.sweep.object_troubles import StoreTrouble
from probe.sweep.objects import PART, ObjectStore, etags_of

KEY, SECRET = "TARNHOLLOWKEY", "tarn-hollow-secret"
SKEWED = (
    '<?xml version="1.0" encoding="UTF-8"?><Error><Code>RequestTimeTooSkewed</Code><Message>The difference '
    "between the request time and the server's time is too large.</Message><AWSAccessKeyId>"
    f"{KEY}</AWSAccessKeyId></Error>"
)


def store_at(url: str, key: str = KEY, secret: str = SECRET, **more: Any) -> ObjectStore:
    certificates = more.pop("certificates", None)
    place = RecordPlace.model_validate({"endpoint": url, "bucket": "switchgear", "prefix": "tarn/x"} | more)
    environ = {"BUSWITNESS_S3_KEY_ID": key, "BUSWITNESS_S3_SECRET_KEY": secret}
    return ObjectStore(place, certificates=certificates, environ=environ)


def file_of(folder: Path, size: int) -> Path:
    file = folder / f"{size}.bin"
    file.write_bytes(hashlib.shake_128(b"tarn").digest(size))
    return file


@pytest.mark.parametrize("size", [0, 1, PART - 1, PART, PART + 1, 2 * PART + 7])
def test_what_is_sent_is_there_once_and_comes_back(disk_store: Any, tmp_path: Path, size: int) -> None:
    server, folder = disk_store
    store, file = store_at(server.url), file_of(tmp_path, size)
    assert store.send("a.bin", file)
    assert not store.send("a.bin", file)  # it is there
    assert (folder / "tarn/x/a.bin").read_bytes() == file.read_bytes()
    store.fetch("a.bin", tmp_path / "back")
    assert (tmp_path / "back").read_bytes() == file.read_bytes()
    assert [one.size for one in store.names()] == [size]


def test_signatures_are_checked_and_each_refusal_has_its_words(
    signing_store: Any, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    server, reader = signing_store
    caplog.set_level(logging.DEBUG)
    file = file_of(tmp_path, PART + 9)
    right = store_at(server.url, server.key, server.secret)
    assert right.send("a.bin", file)
    there = right.look("a.bin")
    assert there is not None
    assert there.etag in etags_of(file)  # another implementation counts the same

    def refusal(store: ObjectStore, name: str) -> StoreTrouble:
        for work in (lambda: store.send(name, file), lambda: store.fetch("a.bin", tmp_path / "b")):
            with pytest.raises(StoreTrouble) as refused:
                work()
            assert not refused.value.passes
        text = f"{refused.value!r} {refused.value} {refused.value.__cause__} {refused.value.__context__!r}"
        assert not any(word in text for word in (server.key, server.secret, "wrong-secret", reader[1]))
        return refused.value

    told = refusal(store_at(server.url, server.key, "wrong-secret"), "b.bin")
    assert "the secret is another one" in told.line
    assert "does not know this key" in refusal(store_at(server.url, "NOSUCHKEY", "x"), "b.bin").line
    assert "does not allow this" in refusal(store_at(server.url, *reader), "b.bin").line
    told = refusal(store_at(server.url, server.key, server.secret, bucket="elsewhere"), "b.bin")
    assert "no such bucket" in told.line
    assert f"{server.url}/elsewhere" in str(told)
    assert server.secret not in caplog.text
    assert "wrong-secret" not in caplog.text
    assert right.look("b.bin") is None


def test_what_lies_there_is_never_written_over(disk_store: Any, tmp_path: Path) -> None:
    server, folder = disk_store
    store, file = store_at(server.url), file_of(tmp_path, 100)
    store.send("a.bin", file)
    (folder / "tarn/x/a.bin").write_bytes(b"?" * 100)
    with pytest.raises(RecordError, match="something else under this record's code"):
        store.send("a.bin", file)
    assert (folder / "tarn/x/a.bin").read_bytes() == b"?" * 100
    (folder / "tarn/x/a.bin").unlink()
    with pytest.raises(RecordError, match="does not have this record"):
        store.fetch("a.bin", tmp_path / "back")


def test_an_etag_that_is_no_md5_is_not_believed_the_content_is_read(
    disk_store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of stores that encrypt with keys of their own."""
    server, folder = disk_store
    monkeypatch.setattr(objects_module, "etags_of", lambda file: frozenset())
    store, file = store_at(server.url), file_of(tmp_path, PART + 3)
    assert store.send("a.bin", file)
    assert not store.send("a.bin", file)
    data = bytearray((folder / "tarn/x/a.bin").read_bytes())
    data[PART + 1] ^= 1
    (folder / "tarn/x/a.bin").write_bytes(data)
    with pytest.raises(RecordError, match="something else"):
        store.send("a.bin", file)


def test_what_was_changed_on_the_way_is_noticed(disk_store: Any, tmp_path: Path) -> None:
    """By the proof afterwards: this server does not check what was signed."""
    file = tmp_path / "a.bin"
    file.write_bytes(b"52-F1 closed" * 100)
    trusting, folder = disk_store
    changing = in_front(trusting.port, swap=(b"52-F1 closed", b"52-F1 opened"))
    with changing as port, pytest.raises(RecordError, match="not what was sent"):
        store_at(f"http://127.0.0.1:{port}").send("a.bin", file)
    assert (folder / "tarn/x/a.bin").read_bytes().startswith(b"52-F1 opened")  # it did get there


@contextmanager
def answering(status: int, text: str) -> Iterator[str]:
    """A server that answers each request alike; its address. Stands in for what no server here does."""

    class Handler(BaseHTTPRequestHandler):
        def answer(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            self.send_response(status)
            body = b"" if self.command == "HEAD" else text.encode()
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        do_GET = do_PUT = do_HEAD = do_POST = answer  # noqa: N815 - the library's names

        def log_message(self, *arguments: object) -> None:
            """Quiet."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


@pytest.mark.parametrize(
    ("status", "text", "words", "passes"),
    [
        (403, SKEWED, "clock", False),
        (301, "<Error><Code>PermanentRedirect</Code></Error>", "another region", False),
        (400, "<Error><Code>AuthorizationHeaderMalformed</Code></Error>", "another region", False),
        (400, "<Error><Code>ExpiredToken</Code></Error>", "session of this key is over", False),
        (503, "<Error><Code>SlowDown</Code></Error>", "cannot serve now", True),
        (500, "oops", "cannot serve now", True),
        (418, "<html>a kettle</html>", "refuses this", False),
    ],
)
def test_answers_as_documented(tmp_path: Path, status: int, text: str, words: str, passes: bool) -> None:
    file = file_of(tmp_path, 10)
    with answering(status, text) as url, pytest.raises(StoreTrouble) as refused:
        store_at(url).send("a.bin", file)
    assert words in refused.value.line
    assert refused.value.passes is passes
    assert KEY not in str(refused.value)


def test_ways_that_lead_nowhere(tmp_path: Path, disk_store: Any) -> None:
    server, _ = disk_store
    file = file_of(tmp_path, 10)

    def trouble(url: str, **more: Any) -> StoreTrouble:
        with pytest.raises(StoreTrouble) as met:
            store_at(url, **more).send("a.bin", file)
        return met.value

    assert "host is not known" in trouble("https://no-such-host.invalid").line
    assert "no TLS at that address" in trouble(server.url.replace("http:", "https:")).line
    server.stop()
    gone = trouble(server.url)
    assert "nothing answers" in gone.line
    assert gone.passes
    server.start()


def test_tls_trusts_only_who_is_vouched_for(tmp_path: Path, disk_store: Any) -> None:
    server, _ = disk_store
    authority, chain = certificates(tmp_path)
    file = file_of(tmp_path, 10)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(chain)
    with in_front(server.port, context) as port:
        with pytest.raises(StoreTrouble) as refused:
            store_at(f"https://localhost:{port}").send("a.bin", file)
        assert "certificate is not trusted" in refused.value.line
        assert store_at(f"https://localhost:{port}", certificates=authority).send("a.bin", file)
    with pytest.raises(InputError, match="certificates cannot be read"):
        store_at("https://localhost", certificates=tmp_path / "none.pem")


def certificates(folder: Path) -> tuple[Path, Path]:
    """An authority of our own, and a server's certificate by it with its key."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    now = datetime.now(UTC)
    keys = [ec.generate_private_key(ec.SECP256R1()) for _ in range(2)]
    names = [x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, one)]) for one in ("tarn", "localhost")]
    made = []
    for number, (key, name) in enumerate(zip(keys, names, strict=True)):
        builder = (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(names[0])
            .public_key(key.public_key())
            .serial_number(number + 1)
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=2))
            .add_extension(x509.BasicConstraints(ca=number == 0, path_length=None), critical=True)
            .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        )
        made.append(builder.sign(keys[0], hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
    private = keys[1].private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    authority, chain = folder / "authority.pem", folder / "server.pem"
    authority.write_bytes(made[0])
    chain.write_bytes(made[1] + private)
    return authority, chain


@contextmanager
def in_front(
    port: int, context: ssl.SSLContext | None = None, swap: tuple[bytes, bytes] | None = None
) -> Iterator[int]:
    """A way to a server, in threads; its port. context: it is an end of TLS. swap: what is changed on it."""
    import socket
    import socketserver

    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            try:
                inner = context.wrap_socket(self.request, server_side=True) if context else self.request
            except (ssl.SSLError, ConnectionError):
                return
            with inner, socket.create_connection(("127.0.0.1", port)) as outer:
                back = threading.Thread(target=_carry, args=(outer, inner), daemon=True)
                back.start()
                _carry(inner, outer, swap)
                back.join(10)

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True

    with Server(("localhost", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


def _carry(source: Any, target: Any, swap: tuple[bytes, bytes] | None = None) -> None:
    import socket
    from contextlib import suppress

    with suppress(OSError):
        while data := source.recv(65536):
            target.sendall(data.replace(*swap) if swap else data)
        target.shutdown(socket.SHUT_WR)


@pytest.mark.parametrize(
    ("environ", "words"),
    [
        ({}, "none of them"),
        ({"BUSWITNESS_S3_KEY_ID": KEY}, "BUSWITNESS_S3_KEY_ID without BUSWITNESS_S3_SECRET_KEY"),
        ({"BUSWITNESS_S3_SECRET_KEY": SECRET}, "without BUSWITNESS_S3_KEY_ID"),
        ({"BUSWITNESS_S3_SESSION_TOKEN": SECRET, "BUSWITNESS_S3_SECRET_KEY": SECRET}, "without BUSWITNESS"),
        ({"AWS_ACCESS_KEY_ID": KEY}, "without AWS_SECRET_ACCESS_KEY"),
    ],
)
def test_nothing_is_asked_unsigned(environ: dict[str, str], words: str) -> None:
    place = RecordPlace(endpoint="https://127.0.0.1:1", bucket="switchgear")
    with pytest.raises(InputError) as refused:
        ObjectStore(place, environ=environ)
    assert words in str(refused.value)
    assert SECRET not in str(refused.value)


def test_the_usual_names_in_the_environment_sign_too(signing_store: Any, tmp_path: Path) -> None:
    server, _ = signing_store
    place = RecordPlace(endpoint=server.url, bucket="switchgear")
    environ = {"AWS_ACCESS_KEY_ID": server.key, "AWS_SECRET_ACCESS_KEY": server.secret}
    assert ObjectStore(place, environ=environ).send("a.bin", file_of(tmp_path, 5))


def test_without_the_library_it_is_told_what_to_install(tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.yaml"
    fleet.write_text(
        "format: buswitness-fleet/1\nstore: {endpoint: 'https://127.0.0.1:1', bucket: switchgear}\n"
        "sweeps: [{name: a, map: a.yaml, at: 0 2 * * *}]\n"
    )
    for command in ("store", "run", "watch"):
        script = f"import sys; sys.modules['obstore.store'] = None; sys.argv[1:] = ['sweep', '{command}', "
        script += f"{str(fleet)!r}]\nfrom probe.cli.main import run; sys.exit(run())"
        environ = {
            **os.environ,
            "BUSWITNESS_S3_KEY_ID": KEY,
            "BUSWITNESS_S3_SECRET_KEY": SECRET,
        }
        told = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, check=False, env=environ
        )
        assert told.returncode == 2, told.stderr
        assert "pip install 'buswitness[store]'" in told.stderr
