"""The lock of a lineup: one at a time, and free again however its holder ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from probe.collect.lineup_lock import LineupBusy, lineup_lock

HOLDER = """
    import sys, time
    from pathlib import Path
    from probe.collect.lineup_lock import lineup_lock

    with lineup_lock(Path(sys.argv[1]), "Tarn Hollow", "MSB-1", "a test"):
        print("held", flush=True)
        sys.stdin.read()
"""


def held_by_another(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(HOLDER), str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_lineup_is_held_by_one_process_and_says_which(tmp_path: Path) -> None:
    with held_by_another(tmp_path) as process:
        with pytest.raises(LineupBusy) as busy, lineup_lock(tmp_path, "Tarn Hollow", "MSB-1", "mine"):
            pass
        assert busy.value.holder is not None
        assert (busy.value.holder.pid, busy.value.holder.work) == (process.pid, "a test")
        with lineup_lock(tmp_path, "Tarn Hollow", "MSB-2", "mine") as dead:
            assert dead is None
        process.communicate("")
    with lineup_lock(tmp_path, "Tarn Hollow", "MSB-1", "mine") as dead:
        assert dead is None


def test_a_dead_holder_holds_nothing_and_is_recognised(tmp_path: Path) -> None:
    with held_by_another(tmp_path) as process:
        process.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))
        process.wait()
        with lineup_lock(tmp_path, "Tarn Hollow", "MSB-1", "mine") as dead:
            assert dead is not None
            assert dead.pid == process.pid != os.getpid()


def test_the_lock_is_free_after_an_error(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), lineup_lock(tmp_path, "S", "L", "mine"):
        raise RuntimeError
    with lineup_lock(tmp_path, "S", "L", "mine") as dead:
        assert dead is None
