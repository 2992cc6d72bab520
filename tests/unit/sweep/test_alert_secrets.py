"""Passwords and tokens of alerts go to nobody who cannot show who they are, and stand in no text."""

from __future__ import annotations

import datetime as dt
import ipaddress
import socket
import ssl
import threading
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from pydantic import ValidationError

from probe.model.alerting import MAIL_PASSWORD, WEBHOOK_TOKEN, Channel, Mail
from probe.sweep.alerts.book import Message
from probe.sweep.alerts.ways import Untold, tell

SECRET = "tarn-hollow-night-heron"


def message() -> Message:
    body = {
        "lineup": "MSB-1",
        "site": "Tarn Hollow",
        "events": [],
        "changed": ["a thing"],
        "sweep": "msb-1",
        "open": [],
    }
    made_ns = 1_790_000_000 * 10**9
    return Message(id=1, channel="duty", made_ns=made_ns, body=body, tries=0, trouble="")


def own_certificate(folder: Path) -> Path:
    """A certificate that nobody but itself vouches for, with its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "mail of somebody else")])
    now = dt.datetime.now(dt.UTC)
    alternative = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now).not_valid_after(now + dt.timedelta(days=1))
        .add_extension(alternative, critical=False).sign(key, hashes.SHA256())
    )  # fmt: skip
    path = folder / "own.pem"
    pem = serialization.Encoding.PEM
    private = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    path.write_bytes(private + made.public_bytes(pem))
    return path


def test_a_mail_server_that_nobody_vouches_for_gets_nothing(tmp_path: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own_certificate(tmp_path))
    heard: list[bytes] = []

    def serve(listener: socket.socket) -> None:
        with listener, listener.accept()[0] as raw:
            raw.settimeout(20)
            try:
                with context.wrap_socket(raw, server_side=True) as talk:
                    talk.sendall(b"220 here\r\n")
                    heard.append(talk.recv(100))
            except OSError:
                return

    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(30)
    port = listener.getsockname()[1]
    thread = threading.Thread(target=serve, args=(listener,), daemon=True)
    thread.start()
    mail = {"to": ["duty@example.org"], "sender": "probe@example.org", "server": "127.0.0.1", "port": port}
    channel = Channel.model_validate({"name": "duty", "mail": {**mail, "security": "tls", "user": "probe"}})
    with pytest.raises(Untold, match=r"(?i)certificate") as told:
        tell(channel, message(), {MAIL_PASSWORD: SECRET})
    thread.join(30)
    assert not any(heard)
    assert SECRET not in str(told.value)


def test_no_password_without_encryption() -> None:
    with pytest.raises(ValidationError, match="readable to all"):
        Mail.model_validate(
            {
                "to": ["a@b.org"],
                "sender": "a@b.org",
                "server": "mail.example.org",
                "security": "none",
                "user": "x",
            }
        )


def test_no_token_over_a_readable_way() -> None:
    """198.51.100.0/24 is for documentation (RFC 5737, from memory); nothing is sent there."""
    channel = Channel.model_validate({"name": "ops", "webhook": {"url": "http://198.51.100.7/hook"}})
    with pytest.raises(Untold, match="over https only") as told:
        tell(channel, message(), {WEBHOOK_TOKEN: SECRET})
    assert SECRET not in str(told.value)
