"""The one place that knows pysnmp: one message to one agent, by an engine of its own, and what came of it.

Its names and errors end here: outcomes and bindings are ours. What an agent does over several messages, and
what is asked again, is in ``snmp``. Credentials are in no text and no ``repr``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from probe.model.snmp_evidence import SnmpOutcome, SnmpRequest
from probe.model.snmp_values import Binding, Oid, bind, decode

#: Classes of the library's error indications, by name; the first that fits. A test walks all of them.
_INDICATIONS: dict[SnmpOutcome, frozenset[str]] = {
    SnmpOutcome.NO_ANSWER: frozenset({"RequestTimedOut"}),
    SnmpOutcome.ENGINE_CHANGED: frozenset({"NotInTimeWindow", "UnknownEngineID", "EngineIDMismatch"}),
    SnmpOutcome.WRONG_SECRET: frozenset(
        {
            "AuthenticationError",
            "AuthenticationFailure",
            "DecryptionError",
            "NoAuthentication",
            "NoEncryption",
            "UnknownCommunityName",
            "UnknownSecurityName",
            "UnknownUserName",
            "UnsupportedAuthProtocol",
            "UnsupportedPrivProtocol",
            "UnsupportedSecurityLevel",
            "UnsupportedSecurityModel",
            "WrongDigest",
            "NoAccessEntry",
            "NoGroupName",
            "NoSuchView",
            "NotInView",
        }
    ),
    SnmpOutcome.MALFORMED: frozenset(
        {
            "DataMismatch",
            "DeserializationError",
            "EmptyResponse",
            "InvalidMsg",
            "NonReportable",
            "ParseError",
            "ReportPduReceived",
            "UnknownPDUHandler",
            "UnsupportedMsgProcessingModel",
            "UnsupportedPDUtype",
        }
    ),
}
_BY_NAME = {name: outcome for outcome, names in _INDICATIONS.items() for name in names}


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Credentials:
    """How an agent is spoken to. version: "2c" or "3". auth, privacy: words of the map ("sha256", "none")."""

    version: str
    community: str = ""
    user: str = ""
    auth: str = "none"
    auth_key: str = ""
    privacy: str = "none"
    privacy_key: str = ""

    def __repr__(self) -> str:
        """Without the secrets."""
        return f"Credentials(version={self.version!r}, ...)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How gently an agent is asked. rows: more than any table of a switch has. rest_s: after a silence at
    GETBULK, for an agent that restarts."""

    timeout_s: float = 2.0
    tries: int = 2
    gap_s: float = 0.005
    rest_s: float = 1.0
    repetitions: int = 20
    rows: int = 8192


class Agent(NamedTuple):
    """Whom to ask: a numeric address or a name, the port, and the tag of the map."""

    host: str
    port: int
    tag: str

    @property
    def name(self) -> str:
        """``address:port`` of the agent."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


class Reply(NamedTuple):
    """What the library gave for one request."""

    outcome: SnmpOutcome
    detail: str
    raw: bytes
    bindings: tuple[Binding, ...]


def indication_outcome(name: str) -> SnmpOutcome:
    """The outcome for one of the library's error indications, by the name of its class."""
    return _BY_NAME.get(name, SnmpOutcome.FAILED)


class Library:
    """The only place that knows pysnmp: an engine of its own, one transport, one set of credentials."""

    def __init__(self, engine: Any, target: Any, credentials: Any, manner: Manner) -> None:
        # Any: the library is imported where it is used, and not typed throughout.
        self._engine, self._target, self._credentials = engine, target, credentials
        self._manner = manner
        self._context = _api().ContextData()

    @classmethod
    async def made(cls, agent: Agent, credentials: Credentials, manner: Manner) -> Library:
        """A fresh engine for one agent. Raises what the library raises."""
        api = _api()
        form = api.Udp6TransportTarget if ":" in agent.host else api.UdpTransportTarget
        target = await form.create((agent.host, agent.port), timeout=manner.timeout_s, retries=0)
        engine = api.SnmpEngine(msgAndPduDsp=_guarded_dispatcher())
        return cls(engine, target, _library_credentials(credentials), manner)

    async def ask(self, request: SnmpRequest, oids: Sequence[Oid]) -> Reply:
        """One message and its answer. Raises what the library raises, and BerError."""
        api = _api()
        names = [api.ObjectType(api.ObjectIdentity(oid)) for oid in oids]
        command = {
            SnmpRequest.GET: api.get_cmd,
            SnmpRequest.NEXT: api.next_cmd,
            SnmpRequest.BULK: api.bulk_cmd,
        }[request]
        counts = (0, self._manner.repetitions) if request is SnmpRequest.BULK else ()
        seen = self._engine.message_dispatcher.seen
        indication, status, _, found = await command(
            self._engine,
            self._credentials,
            self._target,
            self._context,
            *counts,
            *names,
            lookupMib=False,
        )
        if indication:
            outcome = indication_outcome(type(indication).__name__)
            if outcome is SnmpOutcome.NO_ANSWER and self._engine.message_dispatcher.seen > seen:
                return Reply(SnmpOutcome.MALFORMED, "what came is no answer to this request", b"", ())
            return Reply(outcome, str(indication)[:200], b"", ())
        if int(status):
            return Reply(SnmpOutcome.ERROR, status.prettyPrint()[:60], b"", ())
        raw = _raw(found)
        return Reply(SnmpOutcome.DATA, "", raw, decode(raw))

    async def close(self) -> None:
        """Close the socket and end the library's timer."""
        self._engine.close_dispatcher()
        await asyncio.sleep(0)  # the transport closes in its next turn


def _api() -> Any:
    """The library. Any: see ``_Library``."""
    from pysnmp.hlapi.v3arch import asyncio as api

    return api


def _guarded_dispatcher() -> Any:
    """A dispatcher that counts what comes, and that no bytes can make raise inside the event loop."""
    from pysnmp.proto.rfc3412 import MsgAndPduDispatcher

    class Guarded(MsgAndPduDispatcher):  # type: ignore[misc]  # the library is not typed
        seen = 0

        def receive_message(self, *arguments: Any) -> Any:
            self.seen += 1
            try:
                return super().receive_message(*arguments)
            except Exception:  # noqa: BLE001  hostile bytes: the request runs into its time-out and says so
                return b""

    return Guarded()


def _raw(found: Any) -> bytes:
    """The answer's bindings in BER, as the library read them. Any: the library's values."""
    from pyasn1.codec.ber import encoder

    return bind((tuple(name), encoder.encode(value)) for name, value in found)


_AUTH = {
    "none": "USM_AUTH_NONE",
    "md5": "USM_AUTH_HMAC96_MD5",
    "sha": "USM_AUTH_HMAC96_SHA",
    "sha224": "USM_AUTH_HMAC128_SHA224",
    "sha256": "USM_AUTH_HMAC192_SHA256",
    "sha384": "USM_AUTH_HMAC256_SHA384",
    "sha512": "USM_AUTH_HMAC384_SHA512",
}
_PRIVACY = {
    "none": "USM_PRIV_NONE",
    "des": "USM_PRIV_CBC56_DES",
    "aes128": "USM_PRIV_CFB128_AES",
    "aes192": "USM_PRIV_CFB192_AES_BLUMENTHAL",
    "aes256": "USM_PRIV_CFB256_AES_BLUMENTHAL",
}


def _library_credentials(credentials: Credentials) -> Any:
    """The credentials in the library's form. Any: its own classes."""
    api = _api()
    if credentials.version == "2c":
        return api.CommunityData("own", credentials.community, mpModel=1)
    auth, privacy = credentials.auth, credentials.privacy
    return api.UsmUserData(
        credentials.user,
        credentials.auth_key if auth != "none" else None,
        credentials.privacy_key if privacy != "none" else None,
        authProtocol=getattr(api, _AUTH[auth]),
        privProtocol=getattr(api, _PRIVACY[privacy]),
    )
