"""Our link against four Modbus TCP servers that other people wrote; all must be read alike.

pymodbus, pyModbusTCP and modbus-tk are Python packages of the development set; libmodbus is the C library of
Debian (package libmodbus5), driven through ctypes in a process of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes.util
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator

import pytest

from probe.model.device_map import Target
from probe.model.evidence import Framing, Outcome
from probe.model.pdu import identification, pdu_of
from probe.model.profile import Quirks
from probe.wire.connect import link_to
from probe.wire.system_clock import SystemClock

STRICT = Quirks()
REGISTERS = [555, 0, 100]  # at 107, as in MODBUS Application Protocol Specification V1.1b3, 6.3

LIBMODBUS_SERVER = """
import ctypes, ctypes.util, os, socket
lib = ctypes.CDLL(ctypes.util.find_library("modbus"))
class Mapping(ctypes.Structure):
    _fields_ = [*((n, ctypes.c_int) for n in ("nb_bits", "start_bits", "nb_input_bits", "start_input_bits",
                  "nb_input_registers", "start_input_registers", "nb_registers", "start_registers")),
                ("bits", ctypes.POINTER(ctypes.c_uint8)), ("input_bits", ctypes.POINTER(ctypes.c_uint8)),
                ("input_registers", ctypes.POINTER(ctypes.c_uint16)),
                ("registers", ctypes.POINTER(ctypes.c_uint16))]
lib.modbus_new_tcp.restype = ctypes.c_void_p
lib.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
context = ctypes.c_void_p(lib.modbus_new_tcp(b"127.0.0.1", 0))
mapping = lib.modbus_mapping_new(200, 200, 200, 200)
for i, value in enumerate((555, 0, 100)):
    mapping.contents.registers[107 + i] = value
    mapping.contents.input_registers[107 + i] = value
for i in range(20):
    mapping.contents.bits[i] = i % 3 == 0
listener = ctypes.c_int(lib.modbus_tcp_listen(context, 5))
print(socket.socket(fileno=os.dup(listener.value)).getsockname()[1], flush=True)
query = (ctypes.c_uint8 * 260)()
while True:
    lib.modbus_tcp_accept(context, ctypes.byref(listener))
    while (size := lib.modbus_receive(context, query)) != -1:
        lib.modbus_reply(context, query, size, mapping)
    lib.modbus_close(context)
"""


@contextlib.contextmanager
def libmodbus() -> Iterator[int]:
    if ctypes.util.find_library("modbus") is None:
        pytest.skip("libmodbus is not installed (Debian: libmodbus5)")
    process = subprocess.Popen([sys.executable, "-c", LIBMODBUS_SERVER], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield int(process.stdout.readline())
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


@contextlib.contextmanager
def py_modbus_tcp() -> Iterator[int]:
    from pyModbusTCP.server import DataBank, ModbusServer

    bank = DataBank(coils_size=200, h_regs_size=200, i_regs_size=200)
    bank.set_holding_registers(107, REGISTERS)
    bank.set_input_registers(107, REGISTERS)
    bank.set_coils(0, [i % 3 == 0 for i in range(20)])
    server = ModbusServer(host="127.0.0.1", port=free_port(), no_block=True, data_bank=bank)
    server.start()
    try:
        yield server.port
    finally:
        server.stop()


@contextlib.contextmanager
def modbus_tk() -> Iterator[int]:
    from modbus_tk import defines
    from modbus_tk.modbus_tcp import TcpServer

    server = TcpServer(port=free_port(), address="127.0.0.1")
    unit = server.add_slave(5)
    for name, area, size in (
        ("coils", defines.COILS, 200),
        ("holding", defines.HOLDING_REGISTERS, 200),
        ("input", defines.ANALOG_INPUTS, 200),
    ):
        unit.add_block(name, area, 0, size)
    unit.set_values("holding", 107, REGISTERS)
    unit.set_values("input", 107, REGISTERS)
    unit.set_values("coils", 0, [int(i % 3 == 0) for i in range(20)])
    server.start()
    wait_for(server._sa[1])
    try:
        yield server._sa[1]
    finally:
        server.stop()


@contextlib.asynccontextmanager
async def pymodbus() -> AsyncIterator[int]:
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    words = SimData(0, values=[0] * 107 + REGISTERS + [0] * 90, datatype=DataType.REGISTERS)
    bits = SimData(0, values=[i % 3 == 0 for i in range(208)], datatype=DataType.BITS)
    device = SimDevice(5, simdata=([bits], [bits], [words], [words]))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()


def free_port() -> int:
    """A port that was free a moment ago, for servers that cannot say which one they got."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return probe.getsockname()[1]


def wait_for(port: int) -> None:
    """Returns when the server's own thread has come so far as to listen."""
    for _ in range(1000):
        with contextlib.suppress(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), timeout=20).close()
            return
        time.sleep(0.02)


@contextlib.asynccontextmanager
async def running(server) -> AsyncIterator[int]:
    made = server()
    if hasattr(made, "__aenter__"):
        async with made as port:
            yield port
    else:
        with made as port:
            yield port


@pytest.mark.parametrize("server", [libmodbus, py_modbus_tcp, modbus_tk, pymodbus], ids=lambda s: s.__name__)
@pytest.mark.filterwarnings("ignore:isSet:DeprecationWarning")  # inside modbus-tk's server
async def test_other_servers_are_read(server, strays, opened, ask):
    async with running(server) as port:
        link = await opened(
            link_to(Target("127.0.0.1", port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append)
        )
        for function in ("03", "04"):
            exchange = await link.exchange(ask(bytes.fromhex(function + "006B0003")), STRICT)
            assert exchange.outcome is Outcome.DATA
            assert exchange.response[9:] == bytes.fromhex("022B00000064")
        bits = await link.exchange(ask(bytes.fromhex("0100000013")), STRICT)
        assert (bits.outcome, bits.response[9:]) == (Outcome.DATA, bytes.fromhex("499204"))
        refused = await link.exchange(ask(bytes.fromhex("03EA600001")), STRICT)
        assert (refused.outcome, refused.exception_code) == (Outcome.EXCEPTION, 2)
        for _ in range(50):
            assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        disconnect = await link.close()
        assert (disconnect.requests, disconnect.by_peer) == (54, False)
        assert strays == []


async def test_identification_from_pymodbus_with_more_to_follow(strays, opened, ask):
    """A server that splits its objects over several replies; the loop ends by itself."""
    from pymodbus import ModbusDeviceIdentification
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    from probe.model.pdu import following_request, identification_request

    who = {"VendorName": "Q" * 200, "ProductCode": "P" * 100, "MajorMinorRevision": "2.11"}
    device = SimDevice(5, simdata=[SimData(0, values=[1, 2], datatype=DataType.REGISTERS)])
    server = ModbusTcpServer(
        device, identity=ModbusDeviceIdentification(info_name=who), address=("127.0.0.1", 0)
    )
    await server.serve_forever(background=True)
    try:
        port = server.transport.sockets[0].getsockname()[1]
        link = await opened(
            link_to(Target("127.0.0.1", port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append)
        )
        objects: dict[int, bytes] = {}
        following: bytes | None = identification_request()
        asked = 0
        while following is not None:
            exchange = await link.exchange(ask(following), STRICT)
            assert exchange.outcome is Outcome.DATA
            reply = pdu_of(exchange.response, Framing.MBAP)
            objects.update(identification(reply).objects)
            following = following_request(following, reply)
            asked += 1
        assert asked > 1
        assert objects == {0: b"Q" * 200, 1: b"P" * 100, 2: b"2.11"}
    finally:
        await server.shutdown()


async def test_two_hundred_links_at_once(strays, ask):
    """Many links on one loop, each with its own ids and timer."""
    async with pymodbus() as port:
        target = Target("127.0.0.1", port, 5, Framing.MBAP, None, "")
        links = [link_to(target, SystemClock(), strays.append) for _ in range(200)]
        await asyncio.gather(*(link.open(20.0) for link in links))
        exchanges = await asyncio.gather(*(link.exchange(ask(), STRICT) for link in links))
        assert {e.outcome for e in exchanges} == {Outcome.DATA}
        assert all(d is not None for d in await asyncio.gather(*(link.close() for link in links)))
        assert strays == []
