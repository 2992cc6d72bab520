"""Alerting: what people write of who is told, in a fleet file. No secrets: they come from the environment.

alerts:
  - name: duty
    mail: {to: [duty@example.org], sender: probe@example.org, server: mail.example.org, user: probe}
  - name: operations
    webhook: {url: "https://operations.example.org/hooks/switchgear"}
    least: fail
  - name: journal
    syslog: {host: 127.0.0.1, transport: udp}
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from probe.model.map_words import Line, Strict
from probe.model.shape import refuse

MAIL_PASSWORD = "BUSWITNESS_MAIL_PASSWORD"
WEBHOOK_TOKEN = "BUSWITNESS_WEBHOOK_TOKEN"

Address = Annotated[str, StringConstraints(pattern=r"^[^@\s<>,;]+@[^@\s<>,;]+$")]
Port = Annotated[int, Field(ge=1, le=65535)]


class Mail(Strict):
    """E-mail through a server. The password stands in BUSWITNESS_MAIL_PASSWORD."""

    to: Annotated[tuple[Address, ...], Field(min_length=1)]
    sender: Address
    server: Line
    port: Port = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: Line | None = None

    @model_validator(mode="after")
    def _no_open_password(self) -> Mail:
        if self.user is not None and self.security == "none":
            raise refuse(
                "a password would cross the network readable to all",
                allowed="security: starttls or tls where a user is given",
                remedy="choose starttls or tls, or leave the user out",
                at=("security",),
            )
        return self


class Webhook(Strict):
    """A POST of JSON. A token, if any, stands in BUSWITNESS_WEBHOOK_TOKEN and is sent as a bearer token."""

    url: Annotated[str, StringConstraints(pattern=r"^https?://[^\s@]+$")]


class Syslog(Strict):
    """Messages after RFC 5424 over UDP (RFC 5426) or TCP (RFC 6587, counted)."""

    host: Line
    port: Port = 514
    transport: Literal["udp", "tcp"] = "udp"


class Channel(Strict):
    """One who is told. least: the mildest verdict that is told. sweeps: only of these; all without it."""

    name: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
    mail: Mail | None = None
    webhook: Webhook | None = None
    syslog: Syslog | None = None
    least: Literal["fail", "review"] = "review"
    sweeps: tuple[Line, ...] = ()

    @model_validator(mode="after")
    def _one_way(self) -> Channel:
        ways = [name for name in ("mail", "webhook", "syslog") if getattr(self, name) is not None]
        if len(ways) != 1:
            raise refuse(
                "a channel has exactly one way to tell",
                allowed="one of mail, webhook, syslog",
                remedy="make a channel of each way",
            )
        return self
