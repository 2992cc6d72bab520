"""The kernel in its sandbox: the one module that knows the WebAssembly runtime.

The kernel (``kernel/*.c``, compiled into ``kernel.wasm``) reads records, orders TCP streams and matches
requests to answers. It runs in memory of its own, of fixed size: a malicious file can spoil its figures,
never this process. See docs/decisions/0011.
"""

from __future__ import annotations

import atexit
import ctypes
import sys
from collections.abc import Iterable
from functools import lru_cache
from importlib.resources import files
from typing import Any

from probe.wire.capture import layout

#: Bytes read at a time.
WINDOW = 1 << 20


class NoKernelError(Exception):
    """There is no runtime for this kind of computer."""


class Kernel:
    """One capture being read. ``room`` and ``feed`` take bytes in; ``table`` gives what was counted.

    ended: the file needs no further bytes: it is damaged, or no capture at all.
    """

    def __init__(self, ports: Iterable[int]) -> None:
        """ports: TCP ports on which Modbus is spoken. Raises NoKernelError."""
        runtime, engine, module = _compiled()
        self._store = runtime.Store(engine)
        self._calls: Any = runtime.Instance(self._store, module, []).exports(self._store)
        memory = self._calls["memory"]
        size = memory.data_len(self._store)  # fixed: the kernel never grows it, so the view stays valid
        place = ctypes.addressof(memory.data_ptr(self._store).contents)
        self._memory = memoryview((ctypes.c_ubyte * size).from_address(place)).cast("B")
        self._base, self._waiting = self._call("room"), 0
        self._feed: Any = self._calls["feed"]
        self.ended = False
        self._call("start")
        for port in ports:
            self._call("add_port", port)

    def _call(self, name: str, *values: int) -> int:
        result = self._calls[name](self._store, *values)
        return int(result) & 0xFFFFFFFF if result is not None else 0

    def room(self) -> memoryview:
        """Where the next bytes of the file go; at least ``WINDOW`` long."""
        place = self._base + self._waiting
        return self._memory[place : place + WINDOW]

    def feed(self, count: int) -> Iterable[bytes]:
        """Work on ``count`` new bytes in the room; gives rare frames, in lots, as the kernel wrote them."""
        full = True
        while full:
            said = self._feed(self._store, count)
            count = 0
            full, self.ended = bool(said & layout.MUST_EMPTY), bool(said & layout.ENDED)
            self._waiting = said & layout.WAITING
            if said & layout.SOME_OUT:
                yield bytes(self.table(layout.OUT))
                self._call("out_empty")

    def finish(self) -> None:
        """The file has ended."""
        self._call("finish")

    def table(self, number: int) -> memoryview:
        """The rows of a table, as they lie in the kernel's memory: valid until the next call."""
        place = self._call("table", number, 0)
        return self._memory[place : place + self._call("table", number, 1) * self.row_size(number)]

    def row_size(self, number: int) -> int:
        """Bytes of a row of the table."""
        return self._call("table", number, 2)

    def totals(self) -> dict[str, int]:
        """All totals by name."""
        return dict(zip(layout.TOTALS, self.table(layout.TOTAL).cast("q"), strict=True))


@lru_cache(maxsize=1)
def _compiled() -> tuple[Any, Any, Any]:
    """The runtime, its engine and the kernel as machine code: made once, for all captures of this process."""
    runtime = _runtime()
    atexit.register(_compiled.cache_clear)  # the runtime's finalizers fail once its own modules are gone
    config = runtime.Config()
    config.parallel_compilation = False  # no faster for one small module, and 8 MiB more at the peak
    engine = runtime.Engine(config)
    code = files("probe.wire.capture").joinpath("kernel.wasm").read_bytes()
    return runtime, engine, runtime.Module(engine, code)


def _runtime() -> Any:
    """The runtime's package: Any, because it is imported only here, and only where there is one."""
    try:
        import wasmtime
    except (ImportError, OSError, RuntimeError) as error:
        raise NoKernelError(
            f"captures are read by a kernel that needs the package wasmtime, and there is none for "
            f"Python {sys.version_info.major}.{sys.version_info.minor} on this computer ({error})"
        ) from error
    return wasmtime
