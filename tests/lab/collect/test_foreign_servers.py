"""Whole audits against Modbus TCP servers that other people wrote: libmodbus (C), pyModbusTCP, pymodbus."""

from __future__ import annotations

import contextlib
import ctypes.util
import socket
import subprocess
import sys
from collections.abc import AsyncIterator
from typing import Any

import pytest

from probe.model.evidence import Outcome
from probe.model.finding import Verdict

LIBMODBUS = """
import ctypes, ctypes.util, os, socket
lib = ctypes.CDLL(ctypes.util.find_library("modbus"))
lib.modbus_new_tcp.restype = lib.modbus_mapping_new.restype = ctypes.c_void_p
context = ctypes.c_void_p(lib.modbus_new_tcp(b"127.0.0.1", 0))
mapping = ctypes.c_void_p(lib.modbus_mapping_new(200, 200, 200, 200))
values = (ctypes.c_uint16 * 200)()
registers = ctypes.cast(mapping.value + 8 * 4 + 3 * 8, ctypes.POINTER(ctypes.POINTER(ctypes.c_uint16)))
registers[0][107], registers[0][109] = 555, 100
listener = ctypes.c_int(lib.modbus_tcp_listen(context, 5))
print(socket.socket(fileno=os.dup(listener.value)).getsockname()[1], flush=True)
query = (ctypes.c_uint8 * 260)()
while True:
    lib.modbus_tcp_accept(context, ctypes.byref(listener))
    while (size := lib.modbus_receive(context, query)) != -1:
        lib.modbus_reply(context, query, size, mapping)
    lib.modbus_close(context)
"""


@contextlib.asynccontextmanager
async def libmodbus() -> AsyncIterator[int]:
    if ctypes.util.find_library("modbus") is None:
        pytest.skip("libmodbus is not installed (Debian: libmodbus5)")
    with subprocess.Popen([sys.executable, "-c", LIBMODBUS], stdout=subprocess.PIPE, text=True) as process:  # noqa: ASYNC220
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.terminate()


@contextlib.asynccontextmanager
async def py_modbus_tcp() -> AsyncIterator[int]:
    from pyModbusTCP.server import DataBank, ModbusServer

    bank = DataBank(h_regs_size=200)
    bank.set_holding_registers(107, [555, 0, 100])
    server = ModbusServer(host="127.0.0.1", port=free_port(), no_block=True, data_bank=bank)
    server.start()
    try:
        yield server.port
    finally:
        server.stop()


@contextlib.asynccontextmanager
async def pymodbus() -> AsyncIterator[int]:
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    words = SimData(0, values=[0] * 107 + [555, 0, 100] + [0] * 90, datatype=DataType.REGISTERS)
    server = ModbusTcpServer(SimDevice(0, simdata=[words]), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()


def free_port() -> int:
    """A port that was free a moment ago, for servers that cannot say which one they got."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
    return port


@pytest.mark.parametrize("server", [libmodbus, py_modbus_tcp, pymodbus], ids=lambda s: s.__name__)
async def test_an_audit_of_a_foreign_server_passes(site: Any, server: Any) -> None:
    """The same map, three servers, the same verdicts; every exchange is data."""
    async with server() as port:
        audited = await site.audit([f"tag: M-1, address: {{host: 127.0.0.1, port: {port}}}"])
    assert audited.result.complete
    assert audited.found.holds
    assert {e.outcome for e in audited.of("M-1")} == {Outcome.DATA}
    passed = {f.check for f in audited.result.findings if f.verdict is Verdict.PASS}
    assert {"reach.answers", "proof.point", "values.range", "reply.form"} <= passed
    assert Verdict.FAIL not in {f.verdict for f in audited.result.findings if f.subject == "M-1"}


@pytest.mark.parametrize("server", [libmodbus, py_modbus_tcp, pymodbus], ids=lambda s: s.__name__)
async def test_a_wrong_constant_is_seen_on_every_server(site: Any, server: Any, gear: Any) -> None:
    """The twin of the test above, so that its passes mean something: the proof point expects 556."""
    async with server() as port:
        audited = await site.audit(
            [f"tag: M-1, address: {{host: 127.0.0.1, port: {port}}}"],
            profile=gear.PROFILE.replace("equals: 555", "equals: 556"),
        )
    assert audited.verdict("proof.point", "M-1") is Verdict.FAIL
