"""Link-loss tests with a person in the test's hand and a Modbus server on loopback that falls silent."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any

import pytest

from probe.collect.inputs import open_library
from probe.collect.journal import Journal
from probe.collect.roster import berths_by_link
from probe.collect.survey.failover import Failover, Tempo, tempo_for
from probe.judge.network.failover import Trial, gathered
from probe.model.evidence import Evidence
from probe.model.failover_evidence import Beat, LinkAct, LinkStep, Means
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.scope import Scope, SurveyScope
from probe.wire.echo import EchoRight
from probe.wire.system_clock import SystemClock

MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {{voltage_v: 480, frequency_hz: 60}}
links:
  - {{name: ring-1, ends: [{{tag: SW-1, port: p1}}, {{tag: 52-F1}}], redundancy: rstp}}
devices:
  - {{tag: SW-1, kind: switch, profile: managed-switch, section: A, address: {{host: 127.0.0.2, port: 9}}}}
  - {{tag: 52-F1, kind: meter, profile: meter-float, section: A, address: {{host: 127.0.0.1, port: {port}}}}}
"""
QUICK = Tempo(every_s=0.02, before_s=0.5, quiet_s=0.3, longest_s=20.0, answer_s=0.2)


class Gear:
    """A device that answers every read with zeros while it is ``alive``."""

    def __init__(self) -> None:
        self.alive = asyncio.Event()
        self.alive.set()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                transaction, _, size, unit = struct.unpack(">HHHB", await reader.readexactly(7))
                pdu = await reader.readexactly(size - 1)
                await self.alive.wait()
                body = bytes((pdu[0], 2 * pdu[4])) + bytes(2 * pdu[4])
                writer.write(struct.pack(">HHHB", transaction, 0, len(body) + 1, unit) + body)
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()


class Person:
    """Types what the test wrote down; acts between the question and the answer."""

    def __init__(self, *answers: str | None, act: Callable[[str], Any] = lambda question: None) -> None:
        self._answers, self._act = list(answers), act
        self.told: list[str] = []

    def tell(self, text: str) -> None:
        self.told.append(text)

    async def answer(self, question: str) -> str | None:
        self.told.append(question)
        done = self._act(question)
        if asyncio.iscoroutine(done):
            await done
        return self._answers.pop(0)


class Book:
    """A ledger that only remembers."""

    def __init__(self) -> None:
        self.kept: list[Evidence] = []

    def keep(self, evidence: Evidence) -> int:
        self.kept.append(evidence)
        return len(self.kept)

    def expect(self, expectations: Sequence[object]) -> None: ...
    def conclude(self, findings: Sequence[object], causes: Sequence[object]) -> None: ...
    def flush(self) -> None: ...

    @property
    def acts(self) -> list[LinkAct]:
        return [one.act for one in self.kept if isinstance(one, LinkStep)]

    @property
    def trial(self) -> Trial:
        return gathered(enumerate(self.kept))["ring-1"]


@asynccontextmanager
async def gear() -> AsyncIterator[tuple[Gear, Lineup]]:
    device = Gear()
    server = await asyncio.start_server(device.serve, "127.0.0.1", 0)
    text = MAP.format(port=server.sockets[0].getsockname()[1]).encode()
    lineup, _ = load_lineup("map.yaml", lambda name: text, open_library())
    try:
        yield device, lineup
    finally:
        device.alive.set()
        server.close()


async def run(lineup: Lineup, person: Person) -> Book:
    book = Book()
    scope = Scope(tags=("SW-1", "52-F1"), survey=SurveyScope(failover=("ring-1",)))
    plan = Failover(
        links=lineup.map.links,
        berths=berths_by_link(lineup, scope),
        person=person,
        operator="A. Tester",
        tempo=QUICK,
        right=lambda: EchoRight.NOT_PERMITTED,
    )
    async with plan.around(Journal(book, (), SystemClock())):
        pass
    return book


WHOLE = [
    LinkAct.ASKED,
    LinkAct.READY,
    LinkAct.PULL,
    LinkAct.PULLED,
    LinkAct.PLUG,
    LinkAct.PLUGGED,
    LinkAct.ENDED,
]


async def test_an_outage_is_timed_between_two_bounds() -> None:
    """Truth: the device is silent from when it is told to be until it may answer again, 0.6 s later."""
    loop = asyncio.get_running_loop()
    silent: list[float] = []
    async with gear() as (device, lineup):

        async def act(question: str) -> None:
            if question.startswith("Pull"):
                device.alive.clear()
                silent.append(loop.time())
                await asyncio.sleep(0.6)
                device.alive.set()
                silent.append(loop.time())

        book = await run(lineup, Person("ring-1", "", "", act=act))
    assert book.acts == WHOLE
    trial = book.trial
    lost, back = (trial.outage(("52-F1", Means.MODBUS), phase) for phase in trial.phases)
    assert lost is not None
    assert back is not None
    assert lost.is_over
    assert lost.seconds.high >= silent[1] - silent[0]
    assert lost.seconds.low > 0.1
    assert trial.before(("SW-1", Means.MODBUS)).answered == 0  # nobody serves there: told, not judged
    assert all(one.request for one in book.kept if isinstance(one, Beat) and one.outcome == "data")


@pytest.mark.parametrize(
    ("answer", "why"), [("", "nobody agreed"), ("ring-2", "nobody agreed"), (None, "nobody")]
)
async def test_without_agreement_nothing_is_asked(answer: str | None, why: str) -> None:
    async with gear() as (_, lineup):
        book = await run(lineup, Person(answer))
    assert book.acts == [LinkAct.ASKED, LinkAct.SKIPPED]
    assert not any(isinstance(one, Beat) for one in book.kept)
    assert why in book.trial.reason


async def test_cautions_come_before_the_question() -> None:
    async with gear() as (_, lineup):
        person = Person("")
        await run(lineup, person)
    told = " ".join(person.told[0].split())
    assert "whoever runs the plant has agreed" in told
    assert "kill by shock and arc flash" in told
    assert "2.0 s" in told


async def test_who_walks_away_is_told_to_put_it_back() -> None:
    async with gear() as (_, lineup):
        person = Person("ring-1", "", None)
        book = await run(lineup, person)
    assert book.acts[-2:] == [LinkAct.STOPPED, LinkAct.ENDED]
    assert "put it back now" in person.told[-1]
    assert book.trial.reason == "the test was broken off"


async def test_an_interruption_is_kept_and_told() -> None:
    async with gear() as (_, lineup):
        waiting = asyncio.Event()

        async def act(question: str) -> None:
            if question.startswith("Pull"):
                waiting.set()
                await asyncio.sleep(60)

        person = Person("ring-1", "", "", act=act)
        book = Book()
        scope = Scope(tags=("52-F1",), survey=SurveyScope(failover=("ring-1",)))
        plan = Failover(
            links=lineup.map.links,
            berths=berths_by_link(lineup, scope),
            person=person,
            operator="",
            tempo=QUICK,
            right=lambda: EchoRight.NOT_PERMITTED,
        )

        async def whole() -> None:
            async with plan.around(Journal(book, (), SystemClock())):
                pytest.fail("it went on")

        task = asyncio.ensure_future(whole())
        await waiting.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert book.acts[-1] is LinkAct.STOPPED
    assert "put it back now" in person.told[-1]


def test_many_devices_are_asked_less_often() -> None:
    assert tempo_for(10, 0.1).every_s == 0.1
    assert tempo_for(200, 0.1).every_s == 1.0  # 400 questions a second in all, two a device
