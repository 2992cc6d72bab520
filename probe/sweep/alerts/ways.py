"""Ways to tell: e-mail, a webhook, syslog. Each raises ``Untold`` if the other side did not take it.

Source: RFC 5321 by the standard library; RFC 5424, 6 (syslog messages), RFC 5426 (over UDP), RFC 6587, 3.4.1
(over TCP, with octet counts).
"""

from __future__ import annotations

import os
import smtplib
import socket
import ssl
from collections.abc import Mapping
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Any
from urllib.parse import urlsplit

from probe.model.alerting import MAIL_PASSWORD, WEBHOOK_TOKEN, Channel, Mail, Syslog, Webhook
from probe.sweep.alerts.book import Message
from probe.sweep.alerts.texts import subject_of, text_of

TIMEOUT_S = 20.0


class Untold(Exception):  # noqa: N818 - says what happened
    """The other side did not take the message."""


def tell(channel: Channel, message: Message, environment: Mapping[str, str] = os.environ) -> None:
    """Tell the channel. Raises Untold."""
    try:
        if channel.mail is not None:
            _mail(channel.mail, message, environment)
        elif channel.webhook is not None:
            _webhook(channel.webhook, message, environment)
        elif channel.syslog is not None:
            _syslog(channel.syslog, message)
    except (OSError, smtplib.SMTPException, ssl.SSLError) as error:
        raise Untold(f"{type(error).__name__}: {error}") from error


def _mail(mail: Mail, message: Message, environment: Mapping[str, str]) -> None:
    letter = EmailMessage()
    letter["From"], letter["To"] = mail.sender, ", ".join(mail.to)
    letter["Subject"] = subject_of(message.body).replace("\n", " ").replace("\r", " ")
    letter["Date"] = datetime.fromtimestamp(message.made_ns / 1e9, UTC)
    # The same name at every attempt, so that a mail that was taken twice shows as one.
    letter["Message-ID"] = f"<{message.id}.{message.made_ns}@{mail.sender.partition('@')[2]}>"
    letter["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies
    letter.set_content(text_of(message.body))
    with _mail_server(mail) as server:
        if mail.security == "starttls":
            server.starttls(context=ssl.create_default_context())
        if mail.user is not None:
            password = environment.get(MAIL_PASSWORD, "")
            if not password:
                raise Untold(f"no password: put it into {MAIL_PASSWORD}")
            server.login(mail.user, password)
        server.send_message(letter)


def _mail_server(mail: Mail) -> smtplib.SMTP:
    """A connection; encrypted only to who can show that it is the server (smtplib alone would not look)."""
    if mail.security != "tls":
        return smtplib.SMTP(mail.server, mail.port, timeout=TIMEOUT_S)
    trusted = ssl.create_default_context()
    return smtplib.SMTP_SSL(mail.server, mail.port, timeout=TIMEOUT_S, context=trusted)


def _webhook(webhook: Webhook, message: Message, environment: Mapping[str, str]) -> None:
    import httpx

    headers = {"Idempotency-Key": f"{message.id}-{message.made_ns}"}
    if token := environment.get(WEBHOOK_TOKEN, ""):
        if not _is_private(webhook.url):
            raise Untold(f"{WEBHOOK_TOKEN} is sent over https only: the network could read it")
        headers["Authorization"] = f"Bearer {token}"
    try:
        answer = httpx.post(webhook.url, json=message.body, headers=headers, timeout=TIMEOUT_S)
    except httpx.HTTPError as error:
        raise Untold(f"{type(error).__name__}: {error}") from error
    if not answer.is_success:
        raise Untold(f"the other side says {answer.status_code}")


def _is_private(url: str) -> bool:
    """True if nobody on the way can read what is sent there: https, or this computer itself."""
    parts = urlsplit(url)
    return parts.scheme == "https" or parts.hostname in ("127.0.0.1", "::1", "localhost")


def _syslog(syslog: Syslog, message: Message) -> None:
    lines = [syslog_line(message, event) for event in _syslog_events(message.body)]
    if syslog.transport == "udp":
        kind, address = _address(syslog)
        with socket.socket(kind, socket.SOCK_DGRAM) as udp:
            for line in lines:
                udp.sendto(line, address)
        return
    with socket.create_connection((syslog.host, syslog.port), timeout=TIMEOUT_S) as tcp:
        for line in lines:
            tcp.sendall(b"%d %b" % (len(line), line))


def _address(syslog: Syslog) -> tuple[int, Any]:
    found = socket.getaddrinfo(syslog.host, syslog.port, type=socket.SOCK_DGRAM)[0]
    return found[0], found[4]


def _syslog_events(body: dict[str, Any]) -> list[tuple[int, str, str]]:
    """Severity (RFC 5424, table 2), kind and text of each line."""
    events = []
    for event in body["events"]:
        severity = 5 if event["event"] == "over" else 3 if event["verdict"] == "fail" else 4
        events.append((severity, event["event"], f"{body['lineup']}: {event['title']}"))
    return [*events, *((5, "changed", f"{body['lineup']}: {one}") for one in body["changed"])]


def syslog_line(message: Message, event: tuple[int, str, str]) -> bytes:
    """One RFC 5424 message: facility local0 (16), the event as message id, the text in UTF-8."""
    severity, kind, text = event
    at = datetime.fromtimestamp(message.made_ns / 1e9, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    host = _name(socket.gethostname(), 255)
    head = f"<{16 * 8 + severity}>1 {at} {host} buswitness {os.getpid()} {_name(kind, 32)} - "
    return head.encode("ascii") + b"\xef\xbb\xbf" + " ".join(text.split()).encode("utf-8")


def _name(text: str, longest: int) -> str:
    """A header field: printable ASCII without blanks, ``-`` for none (RFC 5424, 6)."""
    kept = "".join(sign for sign in text if 33 <= ord(sign) <= 126)
    return kept[:longest] or "-"
