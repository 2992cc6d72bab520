"""Capture files read in processes of their own, as many at a time as the computer has processors."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

from probe.model.capture import CaptureFigures
from probe.model.errors import InputError, Problem

#: Names that a folder is searched for; a file that is named itself may have any.
ENDINGS = (".pcap", ".pcapng", ".cap", ".pcap.gz", ".pcapng.gz", ".cap.gz")
#: Told now and then: the file, and the bytes of it that are done.
Progress = Callable[[Path, int], None]
Result = CaptureFigures | tuple[Problem, ...]


def capture_files(path: Path) -> tuple[Path, ...]:
    """The file itself, or the captures in the folder and below it, by name. Raises InputError for none."""
    if not path.is_dir():
        if not path.exists():
            raise InputError([Problem(file=str(path), what="there is no such file or folder")])
        return (path,)
    found = tuple(
        sorted(one for one in path.rglob("*") if one.name.lower().endswith(ENDINGS) and one.is_file())
    )
    if not found:
        raise InputError(
            [Problem(file=str(path), what="the folder holds no captures", allowed=", ".join(ENDINGS))]
        )
    return found


class CaptureReaders:
    """Reads captures; ``stop`` ends all of them at once."""

    def __init__(self, ports: Sequence[int], progress: Progress, workers: int = 0) -> None:
        """workers: files at a time, 0 for the number of processors."""
        self._ports, self._progress = ports, progress
        self._workers = workers or os.cpu_count() or 1
        self._running: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.Lock()
        self._stopped = False

    def read(self, paths: Sequence[Path]) -> Iterator[tuple[Path, Result]]:
        """Each file with its figures or its problems, as they are done."""
        with ThreadPoolExecutor(min(self._workers, len(paths))) as pool:
            waiting: dict[Future[Result], Path] = {pool.submit(self._one, path): path for path in paths}
            try:
                while waiting:
                    done, _ = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in done:
                        yield waiting.pop(future), future.result()
            finally:
                if waiting:
                    self.stop()
                    pool.shutdown(wait=True, cancel_futures=True)

    def stop(self) -> None:
        """End the processes; files not begun are left."""
        with self._lock:
            self._stopped = True
            for process in self._running:
                process.kill()

    def _one(self, path: Path) -> Result:
        command = [sys.executable, "-m", "probe.wire.capture.worker", str(path), *map(str, self._ports)]
        with self._lock:
            if self._stopped:
                return (Problem(file=str(path), what="stopped before it was read"),)
            process = subprocess.Popen(
                command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, **_out_of_reach()
            )
            self._running.add(process)
        try:
            return self._listen(path, process)
        finally:
            process.wait()
            with self._lock:
                self._running.discard(process)

    def _listen(self, path: Path, process: subprocess.Popen[bytes]) -> Result:
        assert process.stdout is not None
        with process.stdout as pipe:
            while True:
                try:
                    what, told = _message(pipe)
                except (EOFError, pickle.UnpicklingError):
                    return (_ended(path, process.wait()),)
                if what != "progress":
                    result: Result = told
                    return result
                self._progress(path, told)


def _out_of_reach() -> dict[str, Any]:
    """What keeps Ctrl-C from the process: it is ours to end it."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def _message(pipe: Any) -> tuple[str, Any]:
    """The next pair that our own process wrote."""
    what, told = pickle.load(pipe)
    return what, told


def _ended(path: Path, code: int) -> Problem:
    return Problem(
        file=str(path),
        what="reading was broken off",
        found=f"the process that read it ended with code {code}",
        remedy="look whether there is enough memory, and report it if there is",
    )
