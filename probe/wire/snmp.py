"""SNMP: one agent asked by GET, GETNEXT and GETBULK; every request is told as evidence. Nothing is ever set.

The library (pysnmp) makes and reads the messages and knows the security model; what surrounds it is ours,
because of what agents do in the field:

- one engine an agent: several agents of version 3 on one engine give time-outs that are none, and two agents
  with one engine id confuse each other's times;
- a walk must rise: an agent that answers with the same or a lower name goes round in circles. The walk then
  goes on with GETNEXT from the last good name, and ends if that does not rise either;
- no table has more rows than ``Manner.rows``: a walk that never ends is cut and told as cut;
- an agent that falls silent at GETBULK gets GETNEXT from then on;
- engine id or engine time that moved (an agent that restarted, or was set back): one fresh engine, which
  discovers anew, once a session.

Secrets are given by the caller, live in this session only and are in no evidence, no text and no ``repr``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from probe.model.clock import RunClock
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_values import BerError, Binding, Kind, Oid, bind, decode, oid_text
from probe.wire.failure import detail_of

_HARD_S = 3.0  # beyond the time-out: the library has a timer of its own, which is not trusted

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
_AGAIN = (SnmpOutcome.NO_ANSWER, SnmpOutcome.MALFORMED, SnmpOutcome.ENGINE_CHANGED)
_NO_WALK = (SnmpOutcome.NO_ANSWER, SnmpOutcome.MALFORMED, SnmpOutcome.ERROR, SnmpOutcome.NOT_INCREASING)


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


class Question(NamedTuple):
    """One request. name: of the object; turn: 0, or 1 after the dwell."""

    request: SnmpRequest
    name: str
    oids: tuple[Oid, ...]
    turn: int


class Reply(NamedTuple):
    """What the library gave for one request."""

    outcome: SnmpOutcome
    detail: str
    raw: bytes
    bindings: tuple[Binding, ...]


class SnmpSession:
    """Asks one agent. keep: gets every request with its answer, as it ends."""

    def __init__(
        self,
        agent: Agent,
        credentials: Credentials,
        clock: RunClock,
        keep: Callable[[SnmpAnswer], object],
        manner: Manner = Manner(),
    ) -> None:
        self._agent = agent
        self._credentials = credentials
        self._now_ns = clock.now_ns
        self._keep = keep
        self._manner = manner
        self._library: _Library | None = None
        self._bulk = True  # until the agent does not bear it
        self._answered = False
        self._asked = False
        self._renewed = False

    @property
    def is_silent(self) -> bool:
        """True while it was asked and nothing usable ever came."""
        return self._asked and not self._answered

    async def get(self, name: str, oids: Sequence[Oid], turn: int = 0) -> tuple[Binding, ...]:
        """The variables of these names that the agent has. turn: 0, or 1 after the dwell. Never raises.

        One request; if the agent cannot answer it as a whole (some cannot), one by one.
        """
        reply = await self._ask(Question(SnmpRequest.GET, name, tuple(oids), turn))
        if reply.outcome is SnmpOutcome.ERROR and len(oids) > 1:
            found: list[Binding] = []
            for oid in oids:
                one = await self._ask(Question(SnmpRequest.GET, name, (oid,), turn))
                found += one.bindings if one.outcome is SnmpOutcome.DATA else ()
            return tuple(binding for binding in found if binding.is_there)
        return tuple(binding for binding in reply.bindings if binding.is_there)

    async def column(self, name: str, oid: Oid, turn: int = 0) -> tuple[Binding, ...]:
        """All rows of one column of a table; fewer if the walk had to be ended. Never raises."""
        rows: list[Binding] = []
        last = oid
        while True:
            request = SnmpRequest.BULK if self._bulk else SnmpRequest.NEXT
            walk = _Walk(oid, last, self._manner.rows - len(rows))
            reply = await self._ask(Question(request, name, (last,), turn), walk)
            if reply.outcome is SnmpOutcome.DATA:
                fresh = walk.inside(reply.bindings)
                rows += fresh
                if walk.is_over(reply.bindings) or not fresh:
                    return tuple(rows)
                last = fresh[-1].oid
            elif request is SnmpRequest.BULK and reply.outcome in _NO_WALK:
                self._bulk = False
                if reply.outcome in (SnmpOutcome.NO_ANSWER, SnmpOutcome.MALFORMED):
                    await asyncio.sleep(self._manner.rest_s)
            else:
                return tuple(rows)

    async def close(self) -> None:
        """Give the socket back."""
        library, self._library = self._library, None
        if library is not None:
            await library.close()

    # -------------------------------------------------------------------------------------- one request

    async def _ask(self, question: Question, walk: _Walk | None = None) -> Reply:
        """One request, tried again as ``Manner`` says; each try is told."""
        attempt = 0
        while True:
            attempt += 1
            await asyncio.sleep(self._manner.gap_s)
            sent_ns = self._now_ns()
            reply = await self._sent(question)
            if walk is not None:
                reply = walk.judged(reply)
            self._tell(question, attempt, sent_ns, reply)
            if reply.outcome is SnmpOutcome.ENGINE_CHANGED and not self._renewed:
                self._renewed = True
                await self.close()
            elif reply.outcome not in _AGAIN or self._is_enough(question, attempt):
                return reply

    def _is_enough(self, question: Question, attempt: int) -> bool:
        """True after the last try; an agent that answers, but not to GETBULK, is not hit with it again."""
        hurt = question.request is SnmpRequest.BULK and self._answered
        return hurt or attempt >= self._manner.tries

    def _tell(self, question: Question, attempt: int, sent_ns: int, reply: Reply) -> None:
        self._asked = True
        if reply.outcome in (SnmpOutcome.DATA, SnmpOutcome.ERROR):
            self._answered = True
        self._keep(
            SnmpAnswer(
                host=self._agent.name,
                tag=self._agent.tag,
                object=question.name,
                round=question.turn,
                attempt=attempt,
                request=question.request,
                asked=" ".join(map(oid_text, question.oids)),
                sent_ns=sent_ns,
                received_ns=self._now_ns(),
                outcome=reply.outcome,
                detail=reply.detail,
                bindings=reply.raw,
            )
        )

    async def _sent(self, question: Question) -> Reply:
        """What the library gives for one message; the wall for all that it raises."""
        try:
            if self._library is None:
                self._library = await _Library.made(self._agent, self._credentials, self._manner)
            async with asyncio.timeout(self._manner.timeout_s + _HARD_S):
                return await self._library.ask(question.request, question.oids)
        except asyncio.CancelledError:
            raise
        except Exception as error:  # noqa: BLE001  the wall
            await self.close()
            outcome = _outcome_of(error)
            return Reply(outcome, self._clean(detail_of(error)), b"", ())

    def _clean(self, text: str) -> str:
        """The text, should a library have put a secret into it, without it."""
        secrets = (self._credentials.community, self._credentials.auth_key, self._credentials.privacy_key)
        for secret in secrets:
            if secret:
                text = text.replace(secret, "***")
        return text


class _Walk:
    """Judges the answers of one step of a walk: whether they rise, and where the column ends."""

    def __init__(self, column: Oid, after: Oid, room: int) -> None:
        self._column, self._after, self._room = column, after, room

    def judged(self, reply: Reply) -> Reply:
        """The reply, its outcome corrected if it goes round in circles or never ends."""
        if reply.outcome is not SnmpOutcome.DATA:
            return reply
        last = self._after
        for binding in reply.bindings:
            if binding.kind is Kind.END_OF_VIEW:
                break
            if binding.oid <= last:
                detail = f"{oid_text(binding.oid)} after {oid_text(last)}"
                return reply._replace(outcome=SnmpOutcome.NOT_INCREASING, detail=detail)
            last = binding.oid
        if len(self.inside(reply.bindings)) > self._room:
            return reply._replace(outcome=SnmpOutcome.CAPPED, detail="more rows than any table has")
        return reply

    def inside(self, bindings: Iterable[Binding]) -> list[Binding]:
        """The bindings that are rows of the column."""
        size = len(self._column)
        return [one for one in bindings if one.is_there and one.oid[:size] == self._column]

    def is_over(self, bindings: Sequence[Binding]) -> bool:
        """True if the answer reaches beyond the column, or the agent has nothing behind it."""
        return len(self.inside(bindings)) < len(bindings)


def _outcome_of(error: Exception) -> SnmpOutcome:
    """The outcome for anything that was raised on the way."""
    if isinstance(error, TimeoutError):
        return SnmpOutcome.NO_ANSWER
    if isinstance(error, BerError):
        return SnmpOutcome.MALFORMED
    if "Bad IPv" in str(error):  # the library's word for a name that does not resolve
        return SnmpOutcome.NO_NAME
    return SnmpOutcome.FAILED


def indication_outcome(name: str) -> SnmpOutcome:
    """The outcome for one of the library's error indications, by the name of its class."""
    return _BY_NAME.get(name, SnmpOutcome.FAILED)


class _Library:
    """The only place that knows pysnmp: an engine of its own, one transport, one set of credentials."""

    def __init__(self, engine: Any, target: Any, credentials: Any, manner: Manner) -> None:
        # Any: the library is imported where it is used, and not typed throughout.
        self._engine, self._target, self._credentials = engine, target, credentials
        self._manner = manner
        self._context = _api().ContextData()

    @classmethod
    async def made(cls, agent: Agent, credentials: Credentials, manner: Manner) -> _Library:
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
