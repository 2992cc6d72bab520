"""Modbus TCP servers of the practice lineup, on pymodbus.

What pymodbus 3.16.1 does here: listening, cutting requests out of the stream, decoding them, calling the
data store for their values, building the answers (``framer.buildFrame``). Its own data store holds fixed
registers; ours is an object with the same two methods that makes each register when it is asked, so that
values are those of the instant of the answer.

What it cannot do, and is therefore done here on top of its request handler:

- device identification of its own for each server: its response takes one set of objects for the whole
  process, so 2B/0E is answered from the unit's own objects;
- take more than one request out of a segment, and keep what follows a request when it sends an answer (it
  clears its buffer): the loop in ``callback_data``, and answers written to the transport directly;
- misbehave on one connection (silence, RST, closing, frames that are wrong): ``Manner``, acted on here;
- end without leaving tasks behind: every answer is a task that belongs to its conversation.

A host is one TCP port. Behind it sits one device, or a gateway with a serial bus of units: the bus carries
one request at a time and takes the time that the characters take.
"""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol, runtime_checkable

from pymodbus.constants import ExcCodes, MoreData
from pymodbus.exceptions import ModbusIOException
from pymodbus.pdu import ExceptionResponse, ModbusPDU, ReadDeviceInformationRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.register_message import WriteMultipleRegistersResponse, WriteSingleRegisterResponse
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice
from pymodbus.transaction import TransactionManager

from probe.practice.manner import Manner, Sent


class Refusal(Exception):  # noqa: N818 (a device's answer, not an error of ours)
    """The device answers with a Modbus exception."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(code)


class Gone(Exception):  # noqa: N818 (what happened)
    """The device answers nothing from now on."""


class Registers(Protocol):
    """What a unit shows: an image of its tables and who it is."""

    def read(self, function: int, start: int, count: int) -> list[int] | list[bool]:
        """Registers or bits as they stand now. Raises Refusal."""
        ...

    def identification(self) -> Mapping[int, bytes]:
        """Objects of Read Device Identification, empty if the unit does not know the function."""
        ...


@runtime_checkable
class Settable(Protocol):
    """A unit some of whose registers can be written."""

    def write(self, function: int, start: int, words: Sequence[int]) -> None:
        """Take the registers. Raises Refusal."""
        ...


@dataclass(slots=True, kw_only=True)
class Unit:
    """One Modbus unit: what it shows, how it behaves, how often it was asked."""

    tag: str
    registers: Registers
    manner: Manner
    asked: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """The serial side of a gateway. timeout_s: how long it waits for a unit (0: see ``absent``).

    absent: exception for a unit that does not answer (0x0B), or for every unit when the path is not
    configured (0x0A).
    """

    baud: int = 19_200
    timeout_s: float = 0.3
    path_unavailable: bool = False

    def carry_s(self, request_bytes: int, answer_bytes: int) -> float:
        """Time on the wire of a request and its answer, with the silence after each.

        11 bits a character; 3.5 characters of silence, 1.75 ms above 19,200 baud.
        Source: MODBUS over Serial Line V1.02, 2.5.1 and 2.5.1.1.
        """
        character_s = 11 / self.baud
        silence_s = 3.5 * character_s if self.baud <= 19_200 else 0.00175
        return (request_bytes + answer_bytes) * character_s + 2 * silence_s


@dataclass(slots=True)
class Tally:
    """What a host has seen, for tests and benchmarks: every function code ever asked, too."""

    connects: int = 0
    turned_away: int = 0
    requests: int = 0
    functions: Counter[int] = field(default_factory=Counter)
    most_sockets: int = 0


@dataclass(slots=True, kw_only=True)
class Host:
    """One TCP port. own: the unit at the host's own address (255, and 0); units: behind its bus."""

    name: str
    own: Unit
    units: dict[int, Unit] = field(default_factory=dict)
    bus: Bus | None = None
    own_units: frozenset[int] = frozenset({0, 255})
    tally: Tally = field(default_factory=Tally)
    on_request: Callable[[], None] | None = None

    def unit(self, number: int) -> Unit | None:
        """The unit that answers to a number, None if nobody does."""
        if number in self.own_units or self.own.manner.any_unit:
            return self.own
        return self.units.get(number)


class PracticeServer(ModbusTcpServer):
    """One host on a port of loopback. ``await start()``, then ``port``; ``await stop()`` leaves nothing."""

    def __init__(self, host: Host, *, address: str, port: int, dice: random.Random) -> None:
        # The data store is never used (see ``_Conversation``); pymodbus insists on one.
        unused = SimDevice(0, simdata=[SimData(0, datatype=DataType.REGISTERS)])
        super().__init__(unused, address=(address, port))
        self.host = host
        self.dice = dice
        self.lock = asyncio.Lock()
        self.conversations: set[_Conversation] = set()

    @property
    def port(self) -> int:
        """The port that is listened to."""
        transport: Any = self.transport  # an asyncio.Server while listening
        return int(transport.sockets[0].getsockname()[1])

    async def start(self) -> None:
        """Listen. Raises OSError if the port is taken."""
        if not await self.listen():
            raise OSError(f"the port for {self.host.name} cannot be listened to")

    async def stop(self) -> None:
        """Stop listening, close every conversation, wait until all are gone."""
        listener: Any = self.transport
        talks = list(self.conversations)
        for talk in talks:
            talk.stop()
        await self.shutdown()  # type: ignore[no-untyped-call]
        if listener is not None:
            await listener.wait_closed()
        await asyncio.gather(*(talk.gone.wait() for talk in talks))

    def callback_new_connection(self) -> ServerRequestHandler:
        """A conversation for a new connection (called by pymodbus)."""
        return _Conversation(self)


class _Conversation(ServerRequestHandler):
    """One connection: requests in, answers out, as the manner of host and unit have it."""

    def __init__(self, server: PracticeServer) -> None:
        super().__init__(server, None, None, None)  # type: ignore[no-untyped-call]
        self.owner = server
        self.tasks: set[asyncio.Task[None]] = set()
        self.gone = asyncio.Event()

    # -- what pymodbus calls -------------------------------------------------------------------------

    def callback_connected(self) -> None:
        """Count the connection; turn it away when all sockets are taken."""
        super().callback_connected()
        host, tally = self.owner.host, self.owner.host.tally
        self.owner.conversations.add(self)
        tally.connects += 1
        tally.most_sockets = max(tally.most_sockets, len(self.owner.conversations))
        if len(self.owner.conversations) + host.own.manner.taken > host.own.manner.sockets:
            tally.turned_away += 1
            self.loop.call_soon(self.close)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the conversation, also when it was closed from this side."""
        super().connection_lost(exc)
        for task in self.tasks:
            task.cancel()
        self.owner.conversations.discard(self)
        self.gone.set()

    def callback_data(self, data: bytes, addr: tuple[Any, ...] | None = None) -> int:
        """Take every whole request out of the buffer and answer each in a task of its own."""
        used = 0
        while used < len(data):
            rest = data[used:]
            try:
                step = TransactionManager.callback_data(self, rest, addr)
            except ModbusIOException:
                return len(data)  # not a request that pymodbus knows: no answer, as from a simple device
            if not step:
                break
            used += step
            if self.last_pdu is not None:
                self._take(self.last_pdu)
        return used

    # -- answering -----------------------------------------------------------------------------------

    def _take(self, request: ModbusPDU) -> None:
        tally = self.owner.host.tally
        tally.requests += 1
        tally.functions[request.function_code] += 1
        if self.owner.host.on_request is not None:
            self.owner.host.on_request()
        task = asyncio.get_running_loop().create_task(self._serve(request))
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)

    async def _serve(self, request: ModbusPDU) -> None:
        host = self.owner.host
        unit = host.unit(request.dev_id)
        if unit is not None and (unit is host.own or host.bus is None):
            await self._speak(unit, request)
        elif host.bus is not None and not host.own.manner.silent:
            await self._carry(host.bus, unit, request)

    async def _carry(self, bus: Bus, unit: Unit | None, request: ModbusPDU) -> None:
        """A request through the gateway: one at a time, at the speed of the bus."""
        if bus.path_unavailable:
            self._send_all(self._frame(request, _exception(request, 0x0A)))
            return
        async with self.owner.lock:
            if unit is None or unit.manner.dead or unit.manner.drops.hits(unit.asked):
                if unit is not None:
                    unit.asked += 1
                await asyncio.sleep(bus.carry_s(8, 0) + bus.timeout_s)
                self._send_all(self._frame(request, _exception(request, 0x0B)))
                return
            await asyncio.sleep(bus.carry_s(8, 5 + 2 * min(request.count, 125)))
            await self._speak(unit, request)

    async def _speak(self, unit: Unit, request: ModbusPDU) -> None:
        """The unit's answer, or what its manner makes of it."""
        manner, number = unit.manner, unit.asked
        unit.asked += 1
        if manner.resets.hits(number):
            self.reset()
            return
        await asyncio.sleep(manner.reply_s * (1 + self.owner.dice.random() / 3))
        if manner.silent or manner.drops.hits(number):
            return
        if manner.busy.hits(number) or manner.exception:
            answer = _exception(request, manner.exception or 0x06)
        else:
            try:
                answer = await answer_of(unit.registers, request)
            except Gone:
                unit.manner = replace(manner, silent=True, dead=True)
                return
        frame = self._frame(request, answer)
        for sent in manner.twist(frame) if manner.twist else (Sent(0, frame),):
            if sent.pause_s:
                await asyncio.sleep(sent.pause_s)
            self._send_all(sent.frame)
        if manner.closes_after_reply:
            self.close()

    def _frame(self, request: ModbusPDU, answer: ModbusPDU) -> bytes:
        answer.transaction_id, answer.dev_id = request.transaction_id, request.dev_id
        return bytes(self.framer.buildFrame(answer))

    def _send_all(self, frame: bytes) -> None:
        """Write to the connection; a conversation that ended meanwhile takes nothing."""
        transport: Any = self.transport
        if transport is not None and not transport.is_closing():
            transport.write(frame)

    # -- ending --------------------------------------------------------------------------------------

    def reset(self) -> None:
        """End the connection with RST instead of FIN."""
        transport: Any = self.transport
        if transport is None:
            return
        # struct linger has two shorts on Windows, two ints elsewhere.
        linger = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        transport.abort()

    def stop(self) -> None:
        """Give up all answers under way and close in good order."""
        for task in self.tasks:
            task.cancel()
        self.close()


class _Store:
    """pymodbus's view of a unit: the two methods that its requests call on a data store."""

    def __init__(self, registers: Registers) -> None:
        self._registers = registers

    async def async_getValues(  # noqa: N802 (pymodbus's name)
        self, device_id: int, func_code: int, address: int, count: int = 1
    ) -> list[int] | list[bool] | ExcCodes:
        """Values as they stand now, or the exception."""
        try:
            return self._registers.read(func_code, address, count)
        except Refusal as refusal:
            return ExcCodes(refusal.code)

    async def async_setValues(self, *_unused: object) -> ExcCodes:  # noqa: N802 (pymodbus's name)
        """Nothing of the practice lineup can be written."""
        return ExcCodes.ILLEGAL_FUNCTION


async def answer_of(registers: Registers, request: ModbusPDU) -> ModbusPDU:
    """The right answer to a request: data, identification objects or a Modbus exception."""
    if isinstance(request, ReadDeviceInformationRequest):
        return _identification(registers, request)
    if request.function_code in (6, 16):
        return _written(registers, request)
    if request.function_code not in (1, 2, 3, 4):
        return _exception(request, 0x01)
    store: Any = _Store(registers)
    return await request.datastore_update(store, request.dev_id)


def _written(registers: Registers, request: ModbusPDU) -> ModbusPDU:
    """The answer to a write of registers: what was asked, or an exception (nothing but clocks can be set)."""
    words = list(request.registers)
    whole = request.function_code == 6 or len(words) == request.count
    if not isinstance(registers, Settable) or not whole:
        return _exception(request, 0x03 if isinstance(registers, Settable) else 0x01)
    try:
        registers.write(request.function_code, request.address, words)
    except Refusal as refusal:
        return _exception(request, refusal.code)
    if request.function_code == 6:
        return WriteSingleRegisterResponse(address=request.address, registers=words)
    return WriteMultipleRegistersResponse(address=request.address, count=len(words))


def _identification(registers: Registers, request: ReadDeviceInformationRequest) -> ModbusPDU:
    """Objects from the one asked for on, of the level asked for; pymodbus cuts and marks what follows.

    Source: MODBUS Application Protocol Specification V1.1b3, 6.21.
    """
    objects = registers.identification()
    if not objects:
        return _exception(request, 0x01)
    if request.read_code not in (1, 2, 3, 4):
        return _exception(request, 0x03)
    if request.read_code == 4:
        if request.object_id not in objects:
            return _exception(request, 0x02)
        chosen = {request.object_id: objects[request.object_id]}
    else:
        top = {1: 0x02, 2: 0x7F, 3: 0xFF}[request.read_code]
        first = request.object_id if request.object_id in objects else 0
        chosen = {number: text for number, text in objects.items() if first <= number <= top}
    return _Identification(read_code=request.read_code, information=dict(chosen))


class _Identification(ReadDeviceInformationResponse):
    """pymodbus's response, with the number of objects counted from zero each time it is encoded."""

    def encode(self) -> bytes:
        """Encode; ``more_follows`` and ``next_object_id`` are set by what fits."""
        self.number_of_objects, self.space_left = 0, 253 - 6
        self.more_follows, self.next_object_id = MoreData.NOTHING, 0
        return bytes(super().encode())


def _exception(request: ModbusPDU, code: int) -> ModbusPDU:
    return ExceptionResponse(request.function_code, code)
