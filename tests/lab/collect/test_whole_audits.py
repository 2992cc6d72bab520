"""Whole audits over real sockets against gear that misbehaves: what is asked, kept and said."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from probe.collect.lanes import Lanes
from probe.model.evidence import Outcome, Purpose
from probe.model.finding import Verdict


def direct(gear: Any, tag: str = "M-1", unit: int = 255) -> str:
    return f"tag: {tag}, address: {{host: 127.0.0.1, port: {gear.port}, unit: {unit}}}"


async def test_healthy_gear_passes_and_the_record_holds(site: Any, gear: Any) -> None:
    def behave(frame: bytes, *_: int) -> Any:
        return gear.data(frame) if frame[6] == 255 else None

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)])
    assert audited.result.complete
    assert audited.found.holds
    assert audited.verdict("reach.answers", "M-1") is Verdict.PASS
    assert audited.verdict("proof.point", "M-1") is Verdict.PASS
    assert device.connections == 1
    assert device.ends == ["FIN"], "closed in good order"
    assert [e.purpose for e in audited.of("M-1")] == [
        Purpose.PROOF, Purpose.POLL, Purpose.ABSENT_UNIT,
    ]  # fmt: skip


async def test_a_server_that_answers_every_unit_is_found_out(site: Any, gear: Any) -> None:
    async with gear.Gear() as device:
        audited = await site.audit([direct(device, "M-1", 1), direct(device, "M-2", 2)])
    assert {f.verdict for f in audited.result.findings if f.check == "bus.absent_units"} == {Verdict.FAIL}
    assert device.units()[-2:] == [3, 246]


async def test_a_dead_unit_behind_a_gateway_does_not_starve_the_others(site: Any, gear: Any) -> None:
    def behave(frame: bytes, *_: int) -> Any:
        return {3: gear.refuse(frame, 0x0B)}.get(frame[6], gear.data(frame))

    async with gear.Gear(behave) as gate:
        lines = [direct(gate, "GW")]
        lines += [f"tag: U-{n}, address: {{via: GW, unit: {n}}}" for n in range(1, 7)]
        audited = await site.audit(lines, quick=True)
    units = [unit for unit in gate.units() if unit != 255]
    assert units[:6] == [1, 2, 3, 4, 5, 6]
    assert units.count(3) == 2, "one retry, as the profile says"
    assert all(units.count(n) == 3 for n in (1, 2, 4, 5, 6)), "proof, and two blocks: the line is slow"
    assert [e.attempt for e in audited.of("U-3")] == [1, 2]
    assert audited.verdict("reach.answers", "U-3") is Verdict.FAIL
    assert all(audited.verdict("reach.answers", f"U-{n}") is Verdict.PASS for n in (1, 2, 4, 5, 6))
    assert gate.connections == 1


async def test_silence_is_a_finding_and_the_connect_budget_stays_spent(site: Any, gear: Any) -> None:
    async with gear.Gear(lambda *_: None) as device:
        audited = await site.audit([direct(device)], quick=True)
    assert [(e.outcome, e.attempt) for e in audited.of("M-1")] == [
        (Outcome.NO_ANSWER, 1), (Outcome.NO_ANSWER, 2),
    ]  # fmt: skip
    assert device.connections == 1
    assert audited.verdict("reach.answers", "M-1") is Verdict.FAIL
    assert audited.result.complete


async def test_busy_gear_is_waited_for(site: Any, gear: Any) -> None:
    def behave(frame: bytes, number: int, _: int) -> Any:
        return gear.refuse(frame, 6) if number in (1, 2) else gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    first = [(e.outcome, e.attempt) for e in audited.of("M-1")][:3]
    assert first == [(Outcome.EXCEPTION, 1), (Outcome.EXCEPTION, 2), (Outcome.DATA, 3)]


async def test_a_hole_is_found_by_parting_the_block(site: Any, gear: Any) -> None:
    def behave(frame: bytes, *_: int) -> Any:
        start, count = int.from_bytes(frame[8:10]), int.from_bytes(frame[10:12])
        return gear.refuse(frame, 2) if start <= 190 < start + count else gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    spans = [(int.from_bytes(f[8:10]), int.from_bytes(f[10:12])) for f in device.requests]
    assert spans == [(107, 1), (107, 84), (107, 3), (190, 1)]
    outcomes = [e.outcome for e in audited.of("M-1")]
    assert outcomes == [Outcome.DATA, Outcome.EXCEPTION, Outcome.DATA, Outcome.EXCEPTION]


@pytest.mark.parametrize("after_s", [0.0, 0.01])
async def test_a_server_that_closes_after_each_answer_loses_nothing(
    site: Any, gear: Any, after_s: float
) -> None:
    class Closing(gear.Gear):  # type: ignore[name-defined,misc]
        async def _converse(self, reader: Any, writer: Any, connection: int) -> None:
            head = await reader.readexactly(6)
            frame = head + await reader.readexactly(6)
            self.requests.append(frame)
            writer.write(gear.data(frame))
            await writer.drain()
            await asyncio.sleep(after_s)

    async with Closing() as device:
        audited = await site.audit([direct(device)])
    exchanges = audited.of("M-1")
    assert sum(e.outcome is Outcome.DATA for e in exchanges) >= 2
    assert {e.outcome for e in exchanges} <= {Outcome.DATA, Outcome.CLOSED, Outcome.NOT_SENT, Outcome.RESET}
    assert audited.verdict("reach.answers", "M-1") is Verdict.PASS
    assert device.most_open == 1
    assert sum(e.outcome is not Outcome.DATA for e in exchanges) <= 1, "known after one connection"
    assert audited.verdict("reply.first_try", "M-1") is Verdict.PASS
    assert audited.verdict("reach.delay", "M-1") is Verdict.PASS
    assert audited.verdict("reply.complete", "M-1") is Verdict.PASS
    assert not [f for f in audited.result.findings if f.check == "reach.loss"]


async def test_a_device_that_hangs_up_while_it_waits_for_a_lane_keeps_none(
    site: Any, gear: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One lane, and the first device keeps it until after the second has hung up: that one is asked again."""
    monkeypatch.setattr("probe.collect.run.Lanes", lambda: Lanes(1))
    monkeypatch.setattr("probe.collect.lanes._REQUESTS_A_SECOND", 0)

    async def slow(frame: bytes, number: int, _: int) -> bytes:
        await asyncio.sleep(0.0 if number == 1 else 0.3)
        return bytes(gear.data(frame))

    class Leaving(gear.Gear):  # type: ignore[name-defined,misc]
        async def _converse(self, reader: Any, writer: Any, connection: int) -> None:
            if connection > 1:
                await super()._converse(reader, writer, connection)
            frame = await reader.readexactly(12)
            await asyncio.sleep(0.1)
            writer.write(gear.data(frame))
            await writer.drain()
            await asyncio.sleep(0.05)

    async with gear.Gear(slow) as first, Leaving() as second, asyncio.timeout(20):
        audited = await site.audit([direct(first), direct(second, "M-2")])
    assert audited.result.complete
    assert second.connections == 2
    for tag in ("M-1", "M-2"):
        assert audited.verdict("reply.complete", tag) is Verdict.PASS
        assert {e.outcome for e in audited.of(tag)} == {Outcome.DATA}


async def test_one_socket_only_held_by_another(site: Any, gear: Any) -> None:
    async with gear.Gear(most=1) as device:
        _, writer = await asyncio.open_connection("127.0.0.1", device.port)
        audited = await site.audit([direct(device)], quick=True)
        writer.close()
    assert audited.verdict("reach.answers", "M-1") is Verdict.FAIL
    assert device.most_open <= 2, "never more than one socket of ours"
    assert device.connections <= 1 + 3


async def test_resets_end_after_a_few_connections(site: Any, gear: Any) -> None:
    async with gear.Gear(lambda *_: "reset") as device:
        audited = await site.audit([direct(device)], quick=True)
    assert device.connections <= 3
    assert {e.outcome for e in audited.of("M-1")} == {Outcome.RESET}


async def test_a_late_answer_is_never_taken_for_the_next(site: Any, gear: Any) -> None:
    async def behave(frame: bytes, number: int, _: int) -> Any:
        if number == 1:
            await asyncio.sleep(0.5)  # longer than the time-out of 0.4 s
        return gear.data(frame)

    async with gear.Gear(behave) as device:
        audited = await site.audit([direct(device)], quick=True)
    outcomes = [e.outcome for e in audited.of("M-1")]
    assert outcomes == [Outcome.NO_ANSWER, Outcome.DATA, Outcome.DATA]
    for exchange in audited.of("M-1"):
        assert not exchange.response or exchange.response[:2] == exchange.request[:2]


async def test_nobody_listens(site: Any, gear: Any) -> None:
    async with gear.Gear() as device:
        port = device.port
    audited = await site.audit([f"tag: M-1, address: {{host: 127.0.0.1, port: {port}}}"], quick=True)
    assert audited.of("M-1") == []
    assert audited.verdict("reach.answers", "M-1") is Verdict.FAIL
    assert audited.result.complete


async def test_stopped_in_the_middle(site: Any, gear: Any) -> None:
    site.watcher.on_exchange = lambda _: site.stop.set()
    async with gear.Gear() as device:
        audited = await site.audit([direct(device)], dwell_s=3600.0)
    assert not audited.result.complete
    assert audited.found.holds
    assert not audited.found.complete
    assert len(device.requests) <= 2
    assert device.ends == ["FIN"]


async def test_cut_off_the_sockets_are_closed_all_the_same(site: Any, gear: Any) -> None:
    """The second Ctrl-C cancels the whole audit."""
    task: list[asyncio.Task[Any]] = []
    site.watcher.on_exchange = lambda _: task[0].cancel()
    async with gear.Gear() as device:
        task.append(asyncio.ensure_future(site.audit([direct(device)], dwell_s=3600.0)))
        with pytest.raises(asyncio.CancelledError):
            await task[0]
        await asyncio.sleep(0)
        assert len(device.requests) <= 2
    assert "RST" not in device.ends


async def test_the_record_is_full(site: Any, gear: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from probe.model.errors import Problem, RecordError
    from probe.record.writer import RecordWriter

    keep = RecordWriter.keep

    def full(self: RecordWriter, evidence: Any) -> int:
        if site.watcher.exchanges:
            raise RecordError(Problem(file="run", what="the disk is full"))
        return keep(self, evidence)

    monkeypatch.setattr(RecordWriter, "keep", full)
    async with gear.Gear() as device:
        audited = await site.audit([direct(device)], dwell_s=3600.0)
    assert not audited.result.complete
    assert "disk is full" in audited.result.why_incomplete
    assert len(device.requests) <= 2
    assert audited.found.holds
