"""Makes probe/wire/capture/kernel.wasm from the C beside it; needs clang and lld (Debian: clang, lld).

    python docs/make_kernel.py

The hash of the sources and the compiler's version are written into the file, so that a test without a
compiler sees whether the file was made from these sources.
"""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path

CAPTURE = Path(__file__).resolve().parents[1] / "probe" / "wire" / "capture"
SOURCES, KERNEL = CAPTURE / "kernel", CAPTURE / "kernel.wasm"
FLAGS = [
    "--target=wasm32",
    "-O3",
    "-mbulk-memory",
    "-nostdlib",
    "-fno-builtin-memset",
    "-Wall",
    "-Wextra",
    "-Wno-unused-parameter",
    "-Wl,--no-entry",
    "-Wl,-z,stack-size=65536",
]


def source_hash() -> str:
    """SHA-256 over all sources by name, hexadecimal."""
    files = sorted([*SOURCES.glob("*.c"), *SOURCES.glob("*.h")])
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def custom_section(name: str, data: bytes) -> bytes:
    """A section that a WebAssembly runtime passes over. Sizes here are below 16384: two bytes at most."""
    body = bytes([len(name)]) + name.encode() + data
    size = bytes([len(body) & 127 | 128, len(body) >> 7]) if len(body) > 127 else bytes([len(body)])
    return b"\0" + size + body


def main() -> None:
    """Compile and mark."""
    subprocess.run(["clang", *FLAGS, "-o", str(KERNEL), str(SOURCES / "kernel.c")], check=True)
    version = subprocess.run(["clang", "--version"], check=True, capture_output=True, text=True).stdout
    mark = f"{source_hash()} {version.splitlines()[0]}".encode()
    KERNEL.write_bytes(KERNEL.read_bytes() + custom_section("source", mark))
    KERNEL.chmod(0o644)


if __name__ == "__main__":
    main()
