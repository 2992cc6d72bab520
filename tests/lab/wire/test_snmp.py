"""SNMP sessions: a real snmpd on loopback, and agents that misbehave as agents in the field do."""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api, errind

from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_objects import BY_NAME
from probe.model.snmp_values import Oid, oid_of
from probe.wire.snmp import Agent, Credentials, Manner, Reply, SnmpSession, indication_outcome
from probe.wire.system_clock import SystemClock

V2 = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
COMMUNITY = Credentials(version="2c", community="tarn-hollow-reads")
USER = Credentials(
    version="3",
    user="auditor",
    auth="sha256",
    auth_key="authpass-tarn-hollow",
    privacy="aes128",
    privacy_key="privpass-tarn-hollow",
)
QUICK = Manner(timeout_s=0.5, gap_s=0.0, rest_s=0.05, rows=200)
COLUMN = oid_of("1.3.6.1.2.1.2.2.1.2")
NAME = (*BY_NAME["sysName"].oid, 0)


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


# --- a real agent ------------------------------------------------------------------------------------------


class Snmpd:
    """snmpd of Debian on a port of loopback; restarted as often as a test likes."""

    def __init__(self, path: str, directory: Path, engine: str) -> None:
        self._path, self._directory = path, directory
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._conf = directory / f"snmpd-{self.port}.conf"
        self._conf.write_text(
            f"agentaddress udp:127.0.0.1:{self.port}\n"
            f"rocommunity {COMMUNITY.community} 127.0.0.1\n"
            f'createUser auditor SHA-256 "{USER.auth_key}" AES "{USER.privacy_key}"\n'
            f"rouser auditor priv\nsysName SW-1\nengineID {engine}\n"
        )

    def start(self, *, forget: bool = False) -> None:
        """Start it; forget: as one whose memory of its boots was lost."""
        state = self._directory / f"state-{self.port}"
        if forget:
            shutil.rmtree(state, ignore_errors=True)
        self._process = subprocess.Popen(
            (self._path, "-f", "-Lf", "/dev/null", "-C", "-c", self._conf, "-p", self._directory / "pid"),
            env={**os.environ, "SNMP_PERSISTENT_DIR": str(state), "MIBS": ""},
        )

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Callable[..., Snmpd]]:
    path = shutil.which("snmpd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if path is None:
        pytest.skip("snmpd is not installed (Debian package snmpd)")
    made: list[Snmpd] = []

    def make(engine: str = "tarn-1") -> Snmpd:
        daemon = Snmpd(path, tmp_path, engine)
        made.append(daemon)
        daemon.start()
        return daemon

    yield make
    for daemon in made:
        daemon.stop()


def session(
    port: int, credentials: Credentials = COMMUNITY, manner: Manner = QUICK
) -> tuple[SnmpSession, list[SnmpAnswer]]:
    kept: list[SnmpAnswer] = []
    return SnmpSession(
        Agent("127.0.0.1", port, "SW-1"), credentials, SystemClock(), kept.append, manner
    ), kept


async def patient_get(talk: SnmpSession, bound_s: float = 30.0) -> tuple[Any, ...]:
    """Ask for the name until the agent has started."""
    end = time.monotonic() + bound_s
    found = await talk.get("system", (NAME,))
    while not found and time.monotonic() < end:
        found = await talk.get("system", (NAME,))
    return found


@pytest.mark.parametrize("credentials", [COMMUNITY, USER], ids=["v2c", "v3"])
async def test_a_real_agent_tells_what_the_system_has(snmpd: Any, credentials: Credentials) -> None:
    """Truth: the kernel's own list of interfaces."""
    talk, kept = session(snmpd().port, credentials, Manner(gap_s=0.0))
    try:
        (name,) = await patient_get(talk)
        rows = await talk.column("ifDescr", COLUMN)
    finally:
        await talk.close()
    assert name.value == b"SW-1"
    assert {row.value.decode() for row in rows} >= set(os.listdir("/sys/class/net"))  # noqa: PTH208
    assert kept[-1].request is SnmpRequest.BULK
    text = repr(kept)
    assert COMMUNITY.community not in text
    assert USER.auth_key not in text


async def test_wrong_keys_are_told_from_silence(snmpd: Any) -> None:
    daemon = snmpd()
    talk, _ = session(daemon.port)
    assert await patient_get(talk)
    await talk.close()
    outcomes = {}
    for word, credentials in {
        "key": Credentials(version="3", user="auditor", auth="sha256", auth_key="not-the-right-key"),
        "user": Credentials(version="3", user="nobody", auth="sha256", auth_key="not-the-right-key"),
        "community": Credentials(version="2c", community="not-the-right-one"),
    }.items():
        talk, kept = session(daemon.port, credentials)
        assert await talk.get("system", (NAME,)) == ()
        await talk.close()
        outcomes[word] = kept[-1].outcome
    assert outcomes == {
        "key": SnmpOutcome.WRONG_SECRET,
        "user": SnmpOutcome.WRONG_SECRET,
        "community": SnmpOutcome.NO_ANSWER,  # an agent drops it without a word
    }


async def test_an_agent_whose_engine_time_went_back_is_discovered_anew_once(snmpd: Any) -> None:
    """Fault N12: boots and time of the engine begin again (RFC 3414, from memory).

    Either the library sees it by itself, or the session begins anew; never more than once.
    """
    daemon = snmpd()
    for _ in range(2):  # so that its boots stand above those of an agent that has forgotten them
        other, _ = session(daemon.port)
        assert await patient_get(other)
        await other.close()
        daemon.stop()
        daemon.start()
    talk, kept = session(daemon.port, USER, Manner(timeout_s=1.0, gap_s=0.0))
    try:
        assert await patient_get(talk)
        daemon.stop()
        daemon.start(forget=True)
        other, _ = session(daemon.port)
        assert await patient_get(other)
        await other.close()
        kept.clear()
        (name,) = await talk.get("system", (NAME,))
    finally:
        await talk.close()
    assert name.value == b"SW-1"
    outcomes = [one.outcome for one in kept]
    assert outcomes[-1] is SnmpOutcome.DATA
    assert outcomes[:-1] in ([], [SnmpOutcome.ENGINE_CHANGED])


async def test_a_changed_engine_is_discovered_anew_once_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault N12: an agent whose engine never holds still."""
    talk, kept = session(9, USER, Manner(tries=2, gap_s=0.0))
    closed = []

    async def changed(_question: object) -> Reply:
        return Reply(SnmpOutcome.ENGINE_CHANGED, "notInTimeWindow", b"", ())

    async def close() -> None:
        closed.append(1)

    monkeypatch.setattr(talk, "_sent", changed)
    monkeypatch.setattr(talk, "close", close)
    assert await talk.get("system", (NAME,)) == ()
    assert await talk.get("system", (NAME,)) == ()
    assert len(closed) == 1
    assert len(kept) == 4
    assert talk.is_silent


async def test_two_agents_with_one_engine_id_do_not_disturb_each_other(snmpd: Any) -> None:
    talks = [session(snmpd("tarn-same").port, USER, Manner(gap_s=0.0)) for _ in range(2)]
    try:
        for talk, _ in talks:
            assert await patient_get(talk)
        engine = (*BY_NAME["snmpEngineID"].oid, 0)
        found = await asyncio.gather(*(talk.get("system", (engine,)) for talk, _ in talks for _ in range(5)))
    finally:
        for talk, _ in talks:
            await talk.close()
    assert len({one[0].value for one in found}) == 1


# --- agents that misbehave ---------------------------------------------------------------------------------


class Odd(asyncio.DatagramProtocol):
    """An agent of version 2c in the test's hand. answer: gets the request's PDU and kind; bytes or a PDU."""

    def __init__(self, answer: Callable[[Any, SnmpRequest], Any]) -> None:
        self.answer, self.asked = answer, 0

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, peer: Any) -> None:
        self.asked += 1
        message, _ = decoder.decode(data, asn1Spec=V2.Message())
        pdu = V2.apiMessage.get_pdu(message)
        kinds = {V2.GetNextRequestPDU: SnmpRequest.NEXT, V2.GetBulkRequestPDU: SnmpRequest.BULK}
        kind = next((k for form, k in kinds.items() if pdu.isSameTypeWith(form())), SnmpRequest.GET)
        told = self.answer(pdu, kind)
        if isinstance(told, bytes):
            self.transport.sendto(told, peer)
        elif told is not None:
            V2.apiMessage.set_pdu(message, told)
            self.transport.sendto(encoder.encode(message), peer)


def names_in(pdu: Any) -> list[Oid]:
    return [tuple(name) for name, _ in V2.apiPDU.get_varbinds(pdu)]


def response(pdu: Any, rows: list[tuple[Oid, Any]], status: int = 0) -> Any:
    """An answer to the PDU, whatever its kind (the parts that responses need stand at the same places)."""
    made = V2.ResponsePDU()
    V2.apiPDU.set_defaults(made)
    V2.apiPDU.set_request_id(made, pdu[0])
    V2.apiPDU.set_varbinds(made, [(V2.ObjectIdentifier(name), value) for name, value in rows])
    made.setComponentByPosition(1, status)
    made.setComponentByPosition(2, 1 if status else 0)
    return made


async def talk_to(answer: Callable[[Any, SnmpRequest], Any], manner: Manner = QUICK) -> tuple[Any, ...]:
    """An odd agent, a session with it, and what the session told."""
    loop = asyncio.get_running_loop()
    transport, agent = await loop.create_datagram_endpoint(lambda: Odd(answer), local_addr=("127.0.0.1", 0))
    talk, kept = session(transport.get_extra_info("sockname")[1], COMMUNITY, manner)
    return transport, agent, talk, kept


def whole(pdu: Any, kind: SnmpRequest, rows: int = 7) -> list[tuple[Oid, Any]]:
    """The next rows of a table of so many, as a good agent tells them."""
    table = [((*COLUMN, n), V2.OctetString(f"p{n}")) for n in range(1, rows + 1)]
    table.append(((*COLUMN[:-1], 99, 1), V2.Integer(1)))
    after = [row for row in table if row[0] > names_in(pdu)[0]]
    return after[: int(pdu[2]) if kind is SnmpRequest.BULK else 1] or [
        (names_in(pdu)[0], V2.EndOfMibView(""))
    ]


async def walked(
    answer: Callable[[Any, SnmpRequest], Any], manner: Manner = QUICK
) -> tuple[list[bytes], list[SnmpAnswer], int]:
    transport, agent, talk, kept = await talk_to(answer, manner)
    try:
        async with asyncio.timeout(60):
            rows = await talk.column("ifDescr", COLUMN)
    finally:
        await talk.close()
        transport.close()
    return [row.value for row in rows], kept, agent.asked


ALL = [f"p{n}".encode() for n in range(1, 8)]


async def test_a_good_agent_is_walked_in_one_request() -> None:
    rows, kept, asked = await walked(lambda pdu, kind: response(pdu, whole(pdu, kind)))
    assert rows == ALL
    assert asked == 1
    assert kept[0].outcome is SnmpOutcome.DATA


async def test_getbulk_that_silences_the_agent_is_not_sent_again() -> None:
    """Fault N13."""
    rows, kept, _ = await walked(
        lambda pdu, kind: None if kind is SnmpRequest.BULK else response(pdu, whole(pdu, kind))
    )
    assert rows == ALL
    assert {one.outcome for one in kept if one.request is SnmpRequest.BULK} == {SnmpOutcome.NO_ANSWER}
    assert sum(one.request is SnmpRequest.BULK for one in kept) <= QUICK.tries


async def test_an_agent_that_loops_at_getbulk_is_walked_with_getnext() -> None:
    """Fault N13."""

    def answer(pdu: Any, kind: SnmpRequest) -> Any:
        rows = whole(pdu, kind)
        return response(pdu, [*rows, rows[0]] if kind is SnmpRequest.BULK else rows)

    rows, kept, _ = await walked(answer)
    assert rows == ALL
    assert kept[0].outcome is SnmpOutcome.NOT_INCREASING


async def test_an_agent_that_always_loops_is_left() -> None:
    """Fault N13: the same name for ever."""
    rows, kept, asked = await walked(lambda pdu, kind: response(pdu, [((*COLUMN, 1), V2.OctetString("p1"))]))
    assert kept[-1].outcome is SnmpOutcome.NOT_INCREASING
    assert asked < 6
    assert len(rows) <= 1


async def test_a_table_without_end_is_cut() -> None:
    """Fault N13: names that rise for ever."""

    def answer(pdu: Any, kind: SnmpRequest) -> Any:
        last = names_in(pdu)[0]
        start = last[len(COLUMN)] if len(last) > len(COLUMN) else 0
        return response(pdu, [((*COLUMN, start + n), V2.OctetString("x")) for n in range(1, 21)])

    rows, kept, asked = await walked(answer)
    assert kept[-1].outcome is SnmpOutcome.CAPPED
    assert len(rows) <= QUICK.rows
    assert asked <= QUICK.rows / 20 + 2


async def test_variables_that_cannot_be_told_together_are_asked_one_by_one() -> None:
    def answer(pdu: Any, kind: SnmpRequest) -> Any:
        names = names_in(pdu)
        many = len(names) > 1
        return response(pdu, [(name, V2.OctetString("here")) for name in names], status=1 if many else 0)

    transport, _, talk, kept = await talk_to(answer)
    found = await talk.get("system", (NAME, (*BY_NAME["sysDescr"].oid, 0)))
    await talk.close()
    transport.close()
    assert [one.value for one in found] == [b"here", b"here"]
    assert [one.outcome for one in kept] == [SnmpOutcome.ERROR, SnmpOutcome.DATA, SnmpOutcome.DATA]
    assert kept[0].detail == "tooBig"


async def test_broken_answers_end_as_outcomes() -> None:
    """Replies cut, flipped, stretched and made up: no crash, nothing endless, each told."""
    luck = random.Random(62)
    good: list[bytes] = []

    def answer(pdu: Any, kind: SnmpRequest) -> Any:
        message = V2.Message()
        V2.apiMessage.set_defaults(message)
        V2.apiMessage.set_community(message, COMMUNITY.community)
        V2.apiMessage.set_pdu(message, response(pdu, whole(pdu, kind)))
        data = bytearray(encoder.encode(message))
        good.append(bytes(data))
        match luck.randrange(6):
            case 0:
                return bytes(data[: luck.randrange(len(data))])
            case 1:
                return luck.randbytes(luck.randrange(1, 200))
            case 2:
                return bytes(data) + luck.randbytes(9)
            case 3:
                data[0:2] = bytes((0x30, 0x84, 0x7F, 0xFF, 0xFF, 0xFF))
            case _:
                for _ in range(luck.randrange(1, 5)):
                    data[luck.randrange(len(data))] = luck.randrange(256)
        return bytes(data)

    manner = Manner(timeout_s=0.05, tries=1, gap_s=0.0, rest_s=0.0, rows=50)
    transport, agent, talk, kept = await talk_to(answer, manner)
    async with asyncio.timeout(60):
        for _ in range(12):
            await talk.column("ifDescr", COLUMN)
            await talk.get("system", (NAME,))
    await talk.close()
    transport.close()
    assert agent.asked >= 20
    assert {one.outcome for one in kept} >= {SnmpOutcome.MALFORMED}
    assert all(isinstance(one.outcome, SnmpOutcome) for one in kept)


def test_every_indication_of_the_library_has_an_outcome() -> None:
    """A class that the library adds shows here, not as a crash in the field."""
    left_out = {"ErrorIndication", "AccessAllowed", "OtherError", "SerializationError", "EncryptionError"}
    left_out |= {"TooBig", "LoopTerminated", "OidNotIncreasing", "NoSuchContext"}
    classes = [one for one in vars(errind).values() if isinstance(one, type)]
    unmapped = {
        one.__name__
        for one in classes
        if issubclass(one, errind.ErrorIndication) and indication_outcome(one.__name__) is SnmpOutcome.FAILED
    }
    assert unmapped <= left_out
