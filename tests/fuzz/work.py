"""One target in a process of its own: ``python -m tests.fuzz.work TARGET SECONDS FOLDER [atheris|plain]``.

Coverage-guided with atheris where it is installed (Linux; ``pip install --group fuzz``), else with the plain
mutators. A finding is written down and the work goes on; FOLDER/TARGET.json tells runs, seconds, findings.
"""

from __future__ import annotations

import json
import random
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

from tests.fuzz import corpus
from tests.fuzz.mutate import any_bytes
from tests.fuzz.target import BrokenPromiseError, Target, key_of

#: Processor time that one input may take here, with the counting of coverage: more is a finding.
MOST_S = 5.0
_OFTEN_S = 5.0


class Tally:
    """Runs a target's inputs, keeps what they found, and tells how far it is."""

    def __init__(self, target: Target, folder: Path) -> None:
        self.target = target
        self.runs = 0
        self.slowest_s = 0.0
        self.found: dict[str, str] = {}
        self._folder = folder
        self._began = self._told = time.monotonic()

    def one(self, data: bytes) -> None:
        """Run one input; what it breaks is written down."""
        began = time.thread_time()
        try:
            self.target.run(data)
        except MemoryError as error:
            self._keep(error, data)
        except Exception as error:  # noqa: BLE001  every kind is a finding
            self._keep(error, data)
        took = time.thread_time() - began
        self.slowest_s = max(self.slowest_s, took)
        if took > MOST_S:
            self._keep(BrokenPromiseError(f"slow: {took:.1f} s"), data)
        self.runs += 1
        if time.monotonic() - self._told > _OFTEN_S:
            self.tell()

    def tell(self) -> None:
        """Write how far it is."""
        self._told = time.monotonic()
        told = {
            "runs": self.runs,
            "seconds": round(self._told - self._began, 1),
            "slowest_s": round(self.slowest_s, 3),
            "found": self.found,
        }
        path = self._folder / f"{self.target.name}.json"
        path.write_text(json.dumps(told), "utf-8")

    def _keep(self, error: BaseException, data: bytes) -> None:
        key = key_of(error)
        if key in self.found:
            return
        self.found[key] = f"{type(error).__name__}: {error}"[:300]
        folder = self._folder / "found"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{self.target.name}.{key}").write_bytes(data)
        text = "".join(traceback.format_exception(error))
        (folder / f"{self.target.name}.{key}.txt").write_text(text, "utf-8", errors="backslashreplace")
        print(f"FOUND {self.target.name} {key} {self.found[key]!a}", flush=True)  # noqa: T201
        self.tell()


def another(target: Target, data: bytes, rng: random.Random) -> bytes:
    """Another input made of one."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        if target.mutate is not None and rng.randrange(4):
            data = target.mutate(data, rng)
        else:
            data = any_bytes(data, rng, target.words)
    return data[: target.longest]


def broken(name: str, folder: Path) -> list[bytes]:
    """Inputs that broke something before."""
    files = sorted((folder / "found").glob(f"{name}.*"))
    return [path.read_bytes() for path in files if path.suffix != ".txt"]


def plain(target: Target, tally: Tally, folder: Path, seconds: float) -> None:
    """Work without knowing what an input reached."""
    rng = random.Random(time.time_ns())
    pool = [*target.seeds(), *corpus.read(target.name)]
    for data in [*pool, *broken(target.name, folder)]:
        tally.one(data)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        tally.one(another(target, rng.choice(pool), rng))
    tally.tell()


def guided(name: str, folder: Path, seconds: float) -> None:
    """Work with atheris; never returns (its engine ends the process)."""
    import atheris

    with atheris.instrument_imports(include=["probe"], enable_loader_override=False):
        target = _target(name)
        seeds = [*target.seeds(), *corpus.read(name)]
    tally = Tally(target, folder)
    kept = folder / "kept" / name
    kept.mkdir(parents=True, exist_ok=True)
    for data in seeds:
        if data:
            (kept / f"seed-{key_of_bytes(data)}").write_bytes(data[: target.longest])
        tally.one(data)
    for data in broken(name, folder):
        tally.one(data)
    arguments = [
        "fuzz", f"-max_total_time={max(1, int(seconds))}", f"-max_len={target.longest}", "-timeout=60",
        "-rss_limit_mb=2000", f"-artifact_prefix={folder / 'found'}/{name}.", "-print_final_stats=1",
        "-len_control=20", "-reload=0", "-verbosity=1",
    ]  # fmt: skip
    if target.words:
        words = folder / f"{name}.dict"
        words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words[:800]), "ascii")
        arguments.append(f"-dict={words}")
    (folder / "found").mkdir(exist_ok=True)

    def change(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.randrange(2):
            return bytes(atheris.Mutate(data, most))
        return another(target, data, rng)[:most]

    atheris.Setup([*arguments, str(kept)], _quiet(tally.one), custom_mutator=change)
    tally.tell()
    atheris.Fuzz()


def _quiet(one: Callable[[bytes], None]) -> Callable[[bytes], None]:
    def run(data: bytes) -> None:
        one(bytes(data))

    return run


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)


def key_of_bytes(data: bytes) -> str:
    """A short name of an input."""
    import hashlib

    return hashlib.sha1(data, usedforsecurity=False).hexdigest()[:16]


def _target(name: str) -> Target:
    from tests.fuzz.catalogue import target

    return target(name)


def main(arguments: list[str]) -> int:
    """Work on a target for so many seconds; 0."""
    name, seconds, folder = arguments[0], float(arguments[1]), Path(arguments[2])
    engine = arguments[3] if len(arguments) > 3 else "plain"
    warnings.simplefilter("ignore")
    _guard()
    folder.mkdir(parents=True, exist_ok=True)
    if engine == "atheris":
        guided(name, folder, seconds)
        return 0
    target = _target(name)
    plain(target, Tally(target, folder), folder, seconds)
    return 0


def _guard() -> None:
    """No input may take all memory of the computer."""
    try:
        import resource
    except ImportError:  # not on Windows
        return
    limit = 3 << 30  # of private memory: the sandbox of the capture kernel reserves far more addresses
    resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
