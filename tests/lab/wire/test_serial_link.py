"""Serial RTU over a real pty pair: a pymodbus serial server and a hand-made unit at the other end.

Silence between frames: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.5.1.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Callable, Iterator

import pytest

from probe.model.device_map import SerialLine, Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome
from probe.model.profile import Quirks
from probe.wire.allowed import WriteRefused
from probe.wire.connect import link_to
from probe.wire.serial_link import SerialLink, silence_s
from probe.wire.system_clock import SystemClock

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pty")

STRICT = Quirks()
GOOD = bytes.fromhex("0306022B00000064")  # MODBUS Application Protocol Specification V1.1b3, 6.3


def rtu(unit: int, pdu: bytes = GOOD) -> bytes:
    from modbus_tk.utils import calculate_crc

    frame = bytes((unit,)) + pdu
    return frame + calculate_crc(frame).to_bytes(2, "big")


@pytest.fixture
def pty_pair() -> Iterator[tuple[int, str]]:
    """The bus end as a file descriptor, and the name of the port that the link opens."""
    import tty

    bus, port = os.openpty()
    tty.setraw(bus)
    tty.setraw(port)
    os.set_blocking(bus, False)
    yield bus, os.ttyname(port)
    for end in (bus, port):
        with contextlib.suppress(OSError):
            os.close(end)


@contextlib.asynccontextmanager
async def unit_on(
    bus: int, answer: Callable[[bytes, int], list[bytes | float]]
) -> AsyncIterator[list[bytes]]:
    """Answers on the bus end as told: bytes to send, or a pause; yields what it has seen."""
    loop = asyncio.get_running_loop()
    seen: list[bytes] = []
    tasks: set[asyncio.Task[None]] = set()

    async def play(steps: list[bytes | float]) -> None:
        for step in steps:
            if isinstance(step, float):
                await asyncio.sleep(step)
            else:
                os.write(bus, step)

    def readable() -> None:
        seen.append(os.read(bus, 512))
        tasks.add(asyncio.create_task(play(answer(seen[-1], len(seen)))))

    loop.add_reader(bus, readable)
    try:
        yield seen
    finally:
        loop.remove_reader(bus)
        await asyncio.gather(*tasks)


# A pty has no parity: Linux refuses to set it there, so the tests use two stop bits (V1.02, 2.5.1).
def link_of(port: str, strays) -> SerialLink:
    target = Target("", 502, 5, Framing.RTU, SerialLine(port=port, parity="none", stop_bits=2), "")
    link = link_to(target, SystemClock(), strays.append)
    assert isinstance(link, SerialLink)
    return link


async def test_units_on_one_port_share_one_link(pty_pair, strays, opened, ask):
    bus, port = pty_pair
    async with unit_on(bus, lambda frame, _: [rtu(frame[0])[:4], 0.02, rtu(frame[0])[4:]]) as seen:
        link = await opened(link_of(port, strays))
        for unit in (5, 6, 5):
            exchange = await link.exchange(ask(unit=unit), STRICT)
            assert (exchange.outcome, exchange.response) == (Outcome.DATA, rtu(unit))
        assert seen == [rtu(unit, ask().pdu) for unit in (5, 6, 5)]
        assert link.name == port
        assert strays == []


async def test_by_polling_as_on_windows(pty_pair, strays, opened, ask, monkeypatch):
    """Windows cannot wait for a serial port, so the transport polls it; that way is taken here too."""
    from pymodbus.transport.serialtransport import SerialTransport

    monkeypatch.setattr(SerialTransport, "force_poll", True)
    bus, port = pty_pair
    async with unit_on(bus, lambda frame, _: [rtu(frame[0])]):
        link = await opened(link_of(port, strays))
        for unit in (5, 6):
            assert (await link.exchange(ask(unit=unit), STRICT)).response == rtu(unit)
        assert not (await link.close()).by_peer


async def test_noise_is_a_fault_kept_and_the_port_stays_open(pty_pair, strays, opened, ask):
    bus, port = pty_pair
    noise = rtu(5)[:-1] + b"\x55"
    async with unit_on(bus, lambda frame, count: [noise] if count == 1 else [rtu(5)]):
        link = await opened(link_of(port, strays))
        exchange = await link.exchange(ask(timeout_s=0.3), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.BAD_CHECKSUM, noise)
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA


async def test_noise_before_a_request_is_a_stray_and_not_part_of_the_answer(
    pty_pair, strays, opened, ask, until
):
    bus, port = pty_pair
    async with unit_on(bus, lambda *_: [rtu(5)]):
        link = await opened(link_of(port, strays))
        os.write(bus, b"\x05\x03")
        await until(lambda: link._rest)
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [(s.outcome, s.data, s.host) for s in strays] == [(Outcome.BAD_FRAME, b"\x05\x03", port)]


async def test_late_answer_is_drained(pty_pair, strays, opened, ask):
    bus, port = pty_pair
    old = rtu(5, b"\x03\x06" + b"\xee" * 6)
    async with unit_on(bus, lambda _, count: [0.4, old] if count == 1 else [rtu(5)]):
        link = await opened(link_of(port, strays))
        assert (await link.exchange(ask(timeout_s=0.3), STRICT)).outcome is Outcome.NO_ANSWER
        assert (await link.exchange(ask(), STRICT)).response == rtu(5)
        assert [(s.outcome, s.data) for s in strays] == [(Outcome.LATE, old)]


async def test_noise_before_a_late_answer_never_shifts_the_answers(pty_pair, strays, opened, ask):
    """Noise ends the first request; its real answer comes when the next one, of the same length, waits."""
    bus, port = pty_pair
    old, new = rtu(5, b"\x03\x06" + b"\xee" * 6), rtu(5)

    def answer(_: bytes, count: int) -> list[bytes | float]:
        return [b"\xff\x00\x7e", 0.3, old] if count == 1 else [0.5, new]

    async with unit_on(bus, answer):
        link = await opened(link_of(port, strays))
        first = await link.exchange(ask(timeout_s=0.8), STRICT)
        second = await link.exchange(ask(bytes.fromhex("0300C80003"), timeout_s=5.0), STRICT)
    assert (first.outcome, first.response) == (Outcome.BAD_FRAME, b"\xff\x00\x7e")
    assert (second.outcome, second.response) == (Outcome.DATA, new)
    assert [(s.outcome, s.data) for s in strays] == [(Outcome.LATE, old)]


async def test_an_answer_of_wrong_length_does_not_shift_the_next_ones(pty_pair, strays, opened, ask):
    """A whole frame of another length comes first, the real answer when the next request waits."""
    bus, port = pty_pair
    short, old, new = rtu(5, b"\x03\x02\x00\x01"), rtu(5, b"\x03\x06" + b"\xee" * 6), rtu(5)

    def answer(_: bytes, count: int) -> list[bytes | float]:
        return [short, 0.3, old] if count == 1 else [0.5, new]

    async with unit_on(bus, answer):
        link = await opened(link_of(port, strays))
        first = await link.exchange(ask(timeout_s=0.8), STRICT)
        second = await link.exchange(ask(bytes.fromhex("0300C80003"), timeout_s=5.0), STRICT)
    assert (first.outcome, first.response) == (Outcome.SHORT, short)
    assert (second.outcome, second.response) == (Outcome.DATA, new)


async def test_a_line_that_is_never_silent_holds_nobody_up_for_ever(pty_pair, strays, opened, ask):
    """Something babbles without end: requests still end, as faults, and what was heard is kept."""
    bus, port = pty_pair

    async def babble() -> None:
        while True:
            with contextlib.suppress(BlockingIOError):
                os.write(bus, b"\xff\x55\x00")
            await asyncio.sleep(0.000_5)  # closer than the silence of the line

    link = await opened(link_of(port, strays))
    babbler = asyncio.create_task(babble())
    try:
        async with asyncio.timeout(20):
            outcomes = [(await link.exchange(ask(timeout_s=0.2), STRICT)).outcome for _ in range(3)]
    finally:
        babbler.cancel()
    assert outcomes == [Outcome.BAD_FRAME] * 3


async def test_the_adapter_is_pulled_while_we_wait(pty_pair, strays, opened, ask):
    bus, port = pty_pair
    link = await opened(link_of(port, strays))
    task = asyncio.create_task(link.exchange(ask(), STRICT))
    await asyncio.sleep(0.05)
    os.close(bus)
    assert (await task).outcome in (Outcome.RESET, Outcome.CLOSED)
    assert not link.is_open
    assert (await link.close()).by_peer


async def test_a_port_that_is_not_there_or_taken_is_no_port(pty_pair, strays, tmp_path):
    _, port = pty_pair
    connect = await link_of(str(tmp_path / "ttyUSB9"), strays).open(5.0)
    assert connect.outcome is ConnectOutcome.NO_PORT
    assert "ttyUSB9" in connect.detail
    first, second = link_of(port, strays), link_of(port, strays)
    assert (await first.open(5.0)).outcome is ConnectOutcome.OPEN
    assert (await second.open(5.0)).outcome is ConnectOutcome.NO_PORT
    assert (await first.close()).requests == 0
    async with asyncio.timeout(20):
        assert (await first.open(600.0)).outcome is ConnectOutcome.OPEN
    await first.close()


async def test_an_adapter_that_comes_back_under_another_name_is_told(pty_pair, strays, tmp_path, monkeypatch):
    """What the system tells of USB is made up, as a pty has none. The port is real, and then gone."""
    from types import SimpleNamespace

    from serial.tools import list_ports

    def usb(device: str) -> list[SimpleNamespace]:
        return [SimpleNamespace(device=device, vid=0x0403, pid=0x6001, serial_number="A10KX3")]

    _, port = pty_pair
    name = tmp_path / "adapter"
    name.symlink_to(port)
    monkeypatch.setattr(list_ports, "comports", lambda: usb(port))
    link = link_of(str(name), strays)
    assert (await link.open(20.0)).outcome is ConnectOutcome.OPEN
    await link.close()
    name.unlink()
    monkeypatch.setattr(list_ports, "comports", lambda: usb("/dev/ttyUSB7"))
    connect = await link.open(20.0)
    assert connect.outcome is ConnectOutcome.NO_PORT
    assert "its hardware is now /dev/ttyUSB7 (USB 0403:6001 A10KX3)" in connect.detail


@contextlib.contextmanager
def second_port(bus: int) -> Iterator[str]:
    """Another pty whose far end is joined to the bus, so that a server can open a port by name too."""
    import tty

    far, port = os.openpty()
    tty.setraw(far)
    tty.setraw(port)
    loop = asyncio.get_running_loop()
    loop.add_reader(bus, lambda: os.write(far, os.read(bus, 512)))
    loop.add_reader(far, lambda: os.write(bus, os.read(far, 512)))
    try:
        yield os.ttyname(port)
    finally:
        loop.remove_reader(bus)
        loop.remove_reader(far)
        os.close(far)
        os.close(port)


async def test_pymodbus_serial_server_is_read(pty_pair, strays, opened, ask):
    """A server of another implementation at the other end of the line: registers, an exception."""
    from pymodbus import FramerType
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    bus, port = pty_pair
    registers = SimData(100, values=[555, 0, 100] + [7] * 20, datatype=DataType.REGISTERS)
    with second_port(bus) as name:
        server = ModbusSerialServer(SimDevice(5, simdata=[registers]), framer=FramerType.RTU, port=name)
        await server.serve_forever(background=True)
        link = await opened(link_of(port, strays))
        data = await link.exchange(ask(bytes.fromhex("0300640003")), STRICT)
        refused = await link.exchange(ask(bytes.fromhex("0303E80001")), STRICT)
        await server.shutdown()
    assert (data.outcome, data.response[3:9]) == (Outcome.DATA, bytes.fromhex("022B00000064"))
    assert (refused.outcome, refused.exception_code) == (Outcome.EXCEPTION, 2)
    assert strays == []


async def test_no_function_outside_the_list_leaves_the_port(pty_pair, strays, ask, opened):
    """All 256 codes: the bus sees the four reads alone."""
    bus, port = pty_pair
    async with unit_on(bus, lambda frame, _: [rtu(5, bytes((frame[1], 1, 0)))]) as seen:
        link = await opened(link_of(port, strays))
        for function in range(256):
            pdu = bytes((function, 0, 0, 0, 1))
            with contextlib.nullcontext() if function in (1, 2, 3, 4) else pytest.raises(WriteRefused):
                await link.exchange(ask(pdu, timeout_s=0.2), STRICT)
        assert [frame[1] for frame in seen] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("baud", "ms"), [(9600, 4.0104), (19_200, 2.0052), (38_400, 1.750), (115_200, 1.750)]
)
def test_silence_between_frames(baud, ms):
    """t3.5 of V1.02, 2.5.1.1: 3.5 characters of 11 bits, fixed above 19,200 baud."""
    assert silence_s(baud) * 1e3 == pytest.approx(ms, abs=1e-4)
