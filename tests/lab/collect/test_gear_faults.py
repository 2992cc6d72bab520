"""Rows of the fault matrix that need gear of their own: servers on loopback that commit one fault each.

Every test looks at what the gear saw, what the user is told, the exit code, and that the record verifies and
holds a verdict for everything that was expected.
"""

from __future__ import annotations

import asyncio
import struct
from itertools import pairwise
from typing import Any

from probe.cli.audit_end import Ended, exit_code, with_required
from probe.collect.pacing import Pacing
from probe.model.evidence import Connect, ConnectOutcome, Disconnect, Outcome, Purpose
from probe.model.finding import Verdict
from probe.record.content import RecordContent, load


def direct(gear: Any, tag: str = "M-1", unit: int = 255) -> str:
    return f"tag: {tag}, address: {{host: 127.0.0.1, port: {gear.port}, unit: {unit}}}"


def proved(site: Any, audited: Any) -> tuple[int, RecordContent]:
    """Exit code and record of a run: it verifies, and nothing that was expected is lost."""
    content = load(site.folder / "run.audit.jsonl")
    assert audited.found.holds
    expected = {(one.check, one.subject) for one in content.expectations}
    assert expected
    assert expected <= {(one.check, one.subject) for one in content.findings}
    assert content.findings == tuple(audited.result.findings)
    result = with_required(audited.result, content.expectations)
    return exit_code(Ended(result=result, interrupted=False)), content


def told(audited: Any, check: str, tag: str) -> str:
    """All words of a check's findings on a tag."""
    found = [f for f in audited.result.findings if (f.check, f.subject) == (check, tag)]
    return " ".join(f"{f.title} {f.observed} {f.expected} {f.advice}" for f in found)


def crc(data: bytes) -> bytes:
    """Low byte first. Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 6.2.2."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


class Jealous:
    """A server with one connection: a new one throws the old one out."""

    def __init__(self, gear: Any) -> None:
        self.gear = gear
        self.thrown_out = 0
        self._one: asyncio.StreamWriter | None = None

    async def __aenter__(self) -> Jealous:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        if self._one is not None:
            self._one.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._one is not None and not self._one.is_closing():
            self._one.close()
            self.thrown_out += 1
        self._one = writer
        while head := await reader.read(6):
            frame = head + await reader.readexactly(struct.unpack(">H", head[4:])[0])
            writer.write(self.gear.data(frame))
        writer.close()


async def test_the_oldest_connection_is_thrown_out(site: Any, gear: Any) -> None:
    """D5: another master is thrown out once, never more; our one connection stands in the record."""
    async with Jealous(gear) as device:
        reader, other = await asyncio.open_connection("127.0.0.1", device.port)
        audited = await site.audit([direct(device)], quick=True)
        assert await reader.read() == b"", "the other master was dropped"
        other.close()
    code, content = proved(site, audited)
    assert code == 0
    assert device.thrown_out == 1
    assert [one.outcome for _, one in content.evidence[Connect]] == [ConnectOutcome.OPEN]


async def test_closed_while_idle_is_no_fault(site: Any, gear: Any) -> None:
    """D6: the gear hangs up while nothing is asked; the next request goes over a fresh connection."""

    class Idle(gear.Gear):  # type: ignore[name-defined,misc]
        async def _converse(self, reader: Any, writer: Any, connection: int) -> None:
            while True:
                head = await asyncio.wait_for(reader.readexactly(6), 0.15)
                frame = head + await reader.readexactly(6)
                self.requests.append(frame)
                writer.write(gear.data(frame))

        async def _serve(self, reader: Any, writer: Any) -> None:
            try:
                await super()._serve(reader, writer)
            except TimeoutError:
                writer.close()

    profile = gear.PROFILE.replace("limits: {", "limits: {gap_s: 0.4, ")
    async with Idle() as device:
        audited = await site.audit([direct(device)], profile=profile)
    code, content = proved(site, audited)
    assert code == 0
    assert device.connections >= 2
    assert len(content.evidence[Disconnect]) >= 1
    assert all(e.outcome in (Outcome.DATA, Outcome.NOT_SENT) for e in audited.of("M-1"))
    assert audited.verdict("reply.complete", "M-1") is Verdict.PASS
    assert audited.verdict("reply.first_try", "M-1") is Verdict.PASS


async def test_connections_keep_a_second_between_them(site: Any, gear: Any) -> None:
    """D7: with the pacing that users have, gear that resets everything sees no two connects in a second."""
    times: list[float] = []

    def behave(*_: Any) -> str:
        times.append(asyncio.get_running_loop().time())
        return "reset"

    site.pacing = Pacing()
    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    assert 2 <= len(times) == device.connections <= 3
    assert all(later - earlier > 0.95 for earlier, later in pairwise(times))


async def test_the_first_answer_may_take_longer(site: Any, gear: Any) -> None:
    """D9: the first answer takes longer than the usual time-out; no attempt is lost for it."""

    async def behave(frame: bytes, number: int, _: int) -> bytes:
        await asyncio.sleep(0.8 if number == 1 else 0)
        reply: bytes = gear.data(frame)
        return reply

    profile = gear.PROFILE.replace("first_timeout_s: 0.4", "first_timeout_s: 5")
    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True, profile=profile)
    code, _ = proved(site, audited)
    assert code == 1
    assert "Slow" in told(audited, "reach.delay", "M-1"), "its time counts; the site's limit is 0.4 s"
    assert [e.attempt for e in audited.of("M-1")] == [1] * len(device.requests)
    assert {e.outcome for e in audited.of("M-1")} == {Outcome.DATA}
    assert audited.verdict("reply.first_try", "M-1") is Verdict.PASS


async def test_the_pause_of_the_profile_is_kept(site: Any, gear: Any) -> None:
    """D10: between an answer and the next request, of whatever unit, also when one is repeated."""
    times: list[float] = []

    def behave(frame: bytes, number: int, _: int) -> Any:
        times.append(asyncio.get_running_loop().time())
        return gear.refuse(frame, 6) if number == 3 else gear.data(frame)

    profile = gear.PROFILE.replace("limits: {", "limits: {gap_s: 0.2, ")
    async with gear.Gear(behave) as gate:
        lines = [direct(gate, "GW"), *(f"tag: U-{n}, address: {{via: GW, unit: {n}}}" for n in (1, 2))]
        audited = await site.audit(lines, quick=True, profile=profile)
    code, _ = proved(site, audited)
    assert code == 0
    assert len(times) >= 6
    assert all(later - earlier >= 0.19 for earlier, later in pairwise(times))


async def test_a_hole_costs_its_own_value_only(site: Any, gear: Any) -> None:
    """D12: register 109 does not exist; its neighbours are read, and it alone is told as missing."""

    def behave(frame: bytes, *_: int) -> Any:
        start, count = struct.unpack(">HH", frame[8:12])
        return gear.refuse(frame, 2) if start <= 109 < start + count else gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    assert "3 of 4" in told(audited, "reply.complete", "M-1")
    assert "exception 02" in told(audited, "reply.exceptions", "M-1")
    assert audited.verdict("proof.point", "M-1") is Verdict.PASS


async def test_a_block_that_slips_is_found_by_the_proof_point(site: Any, gear: Any) -> None:
    """D13: a block that begins before register 107 loses one register on the way; read alone it is right."""

    def behave(frame: bytes, *_: int) -> Any:
        start, count = struct.unpack(">HH", frame[8:12])
        values = [{107: 555, 109: 100}.get(address, 0) for address in range(start, start + count + 1)]
        kept = values[1:] if count > 1 else values[:-1]  # what slips comes from one address further on
        return gear.framed(frame, bytes((3, 2 * count)) + struct.pack(f">{count}H", *kept))

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    assert audited.verdict("proof.point", "M-1") is Verdict.FAIL
    assert "read alone" in told(audited, "proof.point", "M-1")
    assert audited.verdict("values.range", "M-1") is not Verdict.PASS


async def test_a_smaller_block_is_learned_once(site: Any, gear: Any) -> None:
    """D14: the profile says 100 registers, the gear gives 50; refused once, then never asked for more."""

    def behave(frame: bytes, *_: int) -> Any:
        count = struct.unpack(">H", frame[10:12])[0]
        return gear.refuse(frame, 3) if count > 50 else gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], dwell_s=1.0)
    code, content = proved(site, audited)
    assert code == 1
    assert "exception 03" in told(audited, "reply.exceptions", "M-1")
    large = [frame for frame in device.requests if frame[7] == 3 and frame[6] == 255 and frame[11] > 50]
    assert len(large) == 1
    assert audited.verdict("reply.complete", "M-1") is Verdict.PASS
    assert content.exchanges >= 4


async def test_two_orders_of_words_in_one_device(site: Any, gear: Any) -> None:
    """D17: one float high word first, one low word first. 480.0 is 43F0 0000 (IEEE 754, check values 3.5)."""
    registers = {107: 555, 108: 0x43F0, 109: 0, 110: 0, 111: 0x43F0}

    def behave(frame: bytes, *_: int) -> Any:
        start, count = struct.unpack(">HH", frame[8:12])
        values = [registers.get(address, 0) for address in range(start, start + count)]
        return gear.framed(frame, bytes((3, 2 * count)) + struct.pack(f">{count}H", *values))

    head = gear.PROFILE.partition("  second:")[0]
    sort = "type: f32, unit: V, quantity: voltage_line, range: [400, 500]"
    both = f"  one: {{title: One, address: 108, phase: ab, {sort}}}\n"
    both += f"  two: {{title: Two, address: 110, phase: bc, order: CDAB, {sort}}}\n"
    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True, profile=head + both)
    code, _ = proved(site, audited)
    assert code == 0
    assert audited.verdict("values.range", "M-1") is Verdict.PASS
    assert audited.verdict("values.byte_order", "M-1") is Verdict.PASS


async def test_one_order_for_all_is_found_out(site: Any, gear: Any) -> None:
    """The twin of the test above: with one order for both, the other one cannot be a voltage."""

    def behave(frame: bytes, *_: int) -> Any:
        start, count = struct.unpack(">HH", frame[8:12])
        registers = {107: 555, 108: 0x43F0, 109: 0, 110: 0, 111: 0x43F0}
        values = [registers.get(address, 0) for address in range(start, start + count)]
        return gear.framed(frame, bytes((3, 2 * count)) + struct.pack(f">{count}H", *values))

    head = gear.PROFILE.partition("  second:")[0]
    sort = "type: f32, unit: V, quantity: voltage_line, range: [400, 500]"
    both = f"  one: {{title: One, address: 108, phase: ab, {sort}}}\n"
    both += f"  two: {{title: Two, address: 110, phase: bc, {sort}}}\n"
    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True, profile=head + both)
    code, _ = proved(site, audited)
    assert code == 1
    assert "Two" in told(audited, "values.range", "M-1") + told(audited, "values.byte_order", "M-1")


async def test_an_identification_without_end_is_left(site: Any, gear: Any) -> None:
    """D25: "more follows" for ever, always the same object (MODBUS Application Protocol V1.1b3, 6.21)."""

    def behave(frame: bytes, *_: int) -> Any:
        if frame[7] != 0x2B:
            return gear.data(frame)
        return gear.framed(frame, bytes((0x2B, 0x0E, 1, 0x81, 0xFF, 0, 1, 0, 2)) + b"QM")

    profile = gear.PROFILE.replace("proof:", "identity: {objects: {maker: 0}, expect: {maker: QM}}\nproof:")
    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True, profile=profile)
    code, _ = proved(site, audited)
    assert code == 0
    asked = [frame for frame in device.requests if frame[7] == 0x2B]
    assert 1 <= len(asked) <= 4
    assert audited.verdict("reply.complete", "M-1") is Verdict.PASS


async def test_one_dead_unit_of_thirty(site: Any, gear: Any) -> None:
    """G3: twenty-nine units are asked as often as without the thirtieth, which costs its attempts only."""

    def behave(frame: bytes, *_: int) -> Any:
        return None if frame[6] == 17 else gear.data(frame)

    async with gear.Gear(behave) as gate:
        lines = [direct(gate, "GW"), *(f"tag: U-{n}, address: {{via: GW, unit: {n}}}" for n in range(1, 31))]
        audited = await site.audit(lines, quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    units = gate.units()
    living = {units.count(n) for n in range(1, 31) if n != 17}
    assert len(living) == 1
    assert units.count(17) == 2
    assert max(units.index(n) for n in range(1, 31)) < 40, "everybody had a turn before anybody had many"
    failed = {
        f.subject for f in audited.result.findings if f.verdict is Verdict.FAIL and f.check == "reach.answers"
    }
    assert failed == {"U-17"}


async def test_a_gateway_more_patient_than_we_are(site: Any, gear: Any) -> None:
    """G8: for a unit that is not there the gateway says 0B after a second; our time-out is 0.4 s."""

    async def behave(frame: bytes, *_: int) -> Any:
        if frame[6] in (1, 255):
            return gear.data(frame)
        await asyncio.sleep(1.0)
        return gear.refuse(frame, 0x0B)

    async with gear.Gear(behave) as gate:
        audited = await site.audit([direct(gate, "GW"), "tag: U-1, address: {via: GW, unit: 1}"])
    code, _ = proved(site, audited)
    assert code == 0
    absent = [e for e in audited.of("GW") if e.purpose is Purpose.ABSENT_UNIT]
    assert absent
    assert audited.verdict("reach.answers", "U-1") is Verdict.PASS
    assert audited.verdict("bus.patience", "GW") in (Verdict.REVIEW, Verdict.NOT_TESTED)


async def test_rtu_where_the_map_says_modbus_tcp_is_named(site: Any, gear: Any) -> None:
    """G9: answers are whole RTU frames. Told in one line, with the bytes, after the time-outs."""

    def behave(frame: bytes, *_: int) -> bytes:
        pdu = gear.data(frame)[7:]
        body = bytes((frame[6],)) + pdu
        return body + crc(body)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    assert audited.verdict("reply.form", "M-1") is Verdict.FAIL
    words = told(audited, "reply.form", "M-1")
    assert "check port and framing (mbap or rtu)" in words or "check framing (mbap or rtu)" in words
    assert "FF 03" in words
    assert len(device.requests) <= 4


async def test_bytes_before_the_answer_are_shown(site: Any, gear: Any) -> None:
    """G10: six bytes of a hardware address stand before each answer."""

    def behave(frame: bytes, *_: int) -> bytes:
        reply: bytes = gear.data(frame)
        return bytes.fromhex("02005E100001") + reply

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    code, _ = proved(site, audited)
    assert code == 1
    words = told(audited, "reply.form", "M-1")
    assert "02 00 5E 10 00 01" in words
    assert "None of these bytes was taken for data" in words


async def test_a_gateway_that_goes_away_leaves_its_units_untested(site: Any, gear: Any) -> None:
    """G15: after ten requests nobody listens any more; what was not asked until then never passes."""

    class Going(gear.Gear):  # type: ignore[name-defined,misc]
        def leave(self, frame: bytes, number: int, _: int) -> Any:
            if number == 10:
                self._server.close()
            return gear.data(frame) if number < 10 else "reset"

    gate = Going()
    gate.behaviour = gate.leave
    async with gate:
        lines = [direct(gate, "GW"), *(f"tag: U-{n}, address: {{via: GW, unit: {n}}}" for n in range(1, 13))]
        audited = await site.audit(lines, quick=True)
    code, content = proved(site, audited)
    assert code in (1, 3)
    assert any(one.outcome is not ConnectOutcome.OPEN for _, one in content.evidence[Connect]), "tried again"
    last = [f for f in audited.result.findings if f.subject == "U-12" and f.check != "reach.answers"]
    assert last
    assert not [f for f in last if f.verdict is Verdict.PASS]
    assert [e for e in audited.of("U-1") if e.outcome is Outcome.DATA], "what was seen is kept"


async def test_a_half_open_connection_is_replaced(site: Any, gear: Any) -> None:
    """N3: after its third request the gear's connection is dead, and nobody says so; a new one works."""

    def behave(frame: bytes, number: int, connection: int) -> Any:
        return None if connection == 1 and number >= 3 else gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], dwell_s=3.0)
    code, _ = proved(site, audited)
    assert code == 1, "loss beyond what the map allows"
    outcomes = [e.outcome for e in audited.of("M-1")]
    assert Outcome.NO_ANSWER in outcomes
    assert device.connections == 2
    assert outcomes[-1] is Outcome.DATA


async def test_a_device_that_restarts_is_left_alone(site: Any, gear: Any) -> None:
    """D8: its time since start falls in the fourth round; then nothing is asked of it, others go on."""
    profile = gear.PROFILE.replace(
        "bank: {title: Far away, address: 190, type: u16, unit: none, quantity: counter}",
        "uptime: {title: Time since start, address: 190, type: u16, unit: s, quantity: uptime}\n"
        "  later: {title: Far away, address: 800, type: u16, unit: none, quantity: counter}\n"
        "uptime: uptime",
    )

    def behave_of(restarts_at: int) -> Any:
        asked = 0

        def behave(frame: bytes, *_: int) -> Any:
            nonlocal asked
            start, count = struct.unpack(">HH", frame[8:12])
            values = dict(zip((107, 108, 109), (555, 0, 100), strict=True))
            if start <= 190 < start + count:
                asked += 1
                values[190] = 5000 + asked if asked < restarts_at else asked - restarts_at
            data = struct.pack(f">{count}H", *(values.get(start + i, 0) for i in range(count)))
            return gear.framed(frame, bytes((3, 2 * count)) + data)

        return behave

    async with gear.Gear(behave_of(4)) as weak, gear.Gear(behave_of(1_000_000)) as sound:
        audited = await site.audit(
            [direct(weak), direct(sound, "M-2")], profile=profile, dwell_s=2.0, poll_pause_s=0.2
        )
    code, _ = proved(site, audited)
    assert code == 1
    last = struct.unpack(">HH", weak.requests[-1][8:12])
    assert last[0] <= 190 < last[0] + last[1], "the reading that shows it is the last thing asked"
    assert max(one.round for one in audited.of("M-1")) == 3 < max(one.round for one in audited.of("M-2"))
    assert audited.verdict("motion.restart", "M-1") is Verdict.FAIL
    assert "not asked any more" in told(audited, "motion.restart", "M-1")
    assert audited.verdict("motion.restart", "M-2") is Verdict.PASS


async def test_two_units_with_one_number_that_answer_in_turn(site: Any, gear: Any) -> None:
    """G11: they never collide; the serial number, read again behind a gateway, gives them away."""
    profile = gear.PROFILE.replace(
        "points:\n",
        "identity:\n  points: {serial: serial_number}\n"
        "points:\n  serial_number: {title: Serial number, address: 50, type: text, count: 2}\n",
    )
    asked = {2: 0, 3: 0}

    def behave(frame: bytes, *_: int) -> Any:
        unit, (start, count) = frame[6], struct.unpack(">HH", frame[8:12])
        if unit not in (255, 2, 3) or start != 50:
            return gear.data(frame) if unit in (255, 2, 3) else gear.refuse(frame, 0x0B)
        if unit in asked:
            asked[unit] += 1
        text = b"QM-X" if unit == 3 and asked[3] % 2 == 0 else b"QM-%d" % (unit % 10)
        return gear.framed(frame, bytes((3, 2 * count)) + text)

    async with gear.Gear(behave) as gate:
        lines = [direct(gate, "GW")]
        lines += [f"tag: U-{n}, address: {{via: GW, unit: {n}}}" for n in (2, 3)]
        audited = await site.audit(lines, profile=profile)
    code, _ = proved(site, audited)
    assert code == 0
    assert asked == {2: 2, 3: 2}, "one request more for each unit on the line"
    assert sum(one.purpose is Purpose.IDENTITY for one in audited.of("GW")) == 1
    assert audited.verdict("identity.steady", "GW") is None
    assert audited.verdict("identity.steady", "U-2") is Verdict.PASS
    assert audited.verdict("identity.steady", "U-3") is Verdict.REVIEW
    assert "QM-3 and QM-X" in told(audited, "identity.steady", "U-3")
    assert audited.verdict("values.range", "U-3") is not Verdict.PASS
