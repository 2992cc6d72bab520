"""SNMP: one agent asked by GET, GETNEXT and GETBULK; every request is told as evidence. Nothing is ever set.

The library (pysnmp, in ``snmp_library``) makes and reads the messages and knows the security model; what
surrounds it is ours, because of what agents do in the field:

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
from typing import NamedTuple

from probe.model.clock import RunClock
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_values import BerError, Binding, Kind, Oid, oid_text
from probe.wire.failure import detail_of
from probe.wire.snmp_library import Agent, Credentials, Library, Manner, Reply, indication_outcome

__all__ = ["Agent", "Credentials", "Manner", "Reply", "SnmpSession", "indication_outcome"]

GENTLE = Manner()
_HARD_S = 3.0  # beyond the time-out: the library has a timer of its own, which is not trusted

_AGAIN = (SnmpOutcome.NO_ANSWER, SnmpOutcome.MALFORMED, SnmpOutcome.ENGINE_CHANGED)
_NO_WALK = (SnmpOutcome.NO_ANSWER, SnmpOutcome.MALFORMED, SnmpOutcome.ERROR, SnmpOutcome.NOT_INCREASING)


class Question(NamedTuple):
    """One request. name: of the object; turn: 0, or 1 after the dwell."""

    request: SnmpRequest
    name: str
    oids: tuple[Oid, ...]
    turn: int


class SnmpSession:
    """Asks one agent. keep: gets every request with its answer, as it ends."""

    def __init__(
        self,
        agent: Agent,
        credentials: Credentials,
        clock: RunClock,
        keep: Callable[[SnmpAnswer], object],
        manner: Manner = GENTLE,
    ) -> None:
        self._agent = agent
        self._credentials = credentials
        self._now_ns = clock.now_ns
        self._keep = keep
        self._manner = manner
        self._library: Library | None = None
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
                self._library = await Library.made(self._agent, self._credentials, self._manner)
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
