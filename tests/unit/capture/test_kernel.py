"""The kernel file is made from the sources beside it, and its tables are laid out as Python reads them."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

from probe.wire.capture import engine, layout
from probe.wire.capture.engine import Kernel

ROOT = Path(__file__).parents[3]
KERNEL = ROOT / "probe" / "wire" / "capture"


def test_it_was_made_from_these_sources() -> None:
    """Make it anew: python docs/make_kernel.py (needs clang and lld)."""
    spec = importlib.util.spec_from_file_location("make_kernel", ROOT / "docs" / "make_kernel.py")
    assert spec is not None
    assert spec.loader is not None
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    mark = (KERNEL / "kernel.wasm").read_bytes().rsplit(b"source", 1)[1].decode()
    assert mark.split()[0] == maker.source_hash()


def test_totals_have_the_names_of_the_sources() -> None:
    text = (KERNEL / "kernel" / "base.h").read_text("utf-8")
    found = re.search(r"enum \{\n  (PACKETS.*?)\n  TOTALS\n", text, re.DOTALL)
    assert found is not None
    names = [name.strip() for name in found[1].split(",") if name.strip()]
    other = {"BIG_ENDIAN_FILE": "big_endian_file"}
    assert [other.get(name, name.lower()) for name in names] == list(layout.TOTALS)


def test_rows_have_the_sizes_that_python_reads() -> None:
    kernel = Kernel((502,))
    sizes = {
        layout.TOTAL: 8,
        layout.OUT: 1,
        layout.HOST: layout.HOST_ROW.size,
        layout.KIND: layout.KIND_ROW.size,
        layout.BIN: layout.BIN_ROW.size,
        layout.FINE: 4,
        layout.EXACT_DEVICE: 4,
        layout.EXACT_NS: 8,
        layout.DEVICE: layout.DEVICE_ROW,
        layout.WRITE: layout.WRITE_ROW.size,
        layout.FUNCTION: 8,
        layout.ENTRY: layout.ENTRY_ROW.size,
        layout.DISTINCT: layout.DISTINCT_ROW.size,
        layout.UNIT: 1,
    }
    assert {number: kernel.row_size(number) for number in sizes} == sizes


def test_all_memory_is_there_from_the_start() -> None:
    """What a file can make it take: tables and window, well below what a reader may use."""
    assert len(Kernel((502,))._memory) < 24 << 20


def test_without_a_runtime_it_says_so(monkeypatch: object) -> None:
    import builtins

    import pytest

    assert isinstance(monkeypatch, pytest.MonkeyPatch)
    real = builtins.__import__

    def without(name: str, *rest: object, **more: object) -> object:
        if name == "wasmtime":
            raise ImportError("no wheel")
        return real(name, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(engine.NoKernelError, match="wasmtime"):
        engine._runtime()
