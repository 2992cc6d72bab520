"""The approval hash covers the map without its own line, whatever the line ends."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

from probe.model.approval import approval_hash

MAP = "format: buswitness-map/1\nsite: Tarn Hollow Water Works\ndevices: []\n"


def test_one_file_without_the_line_is_its_sha_256() -> None:
    assert approval_hash([MAP]) == hashlib.sha256(MAP.encode()).hexdigest()


def test_the_line_itself_does_not_count() -> None:
    with_line = MAP.replace("devices", f"approved_sha256: {'0' * 64}\ndevices")
    assert approval_hash([with_line]) == approval_hash([MAP])


def test_line_ends_and_byte_order_mark_do_not_count() -> None:
    assert approval_hash(["\ufeff" + MAP.replace("\n", "\r\n")]) == approval_hash([MAP])


def test_every_other_change_counts() -> None:
    assert approval_hash([MAP.replace("Tarn", "Torn")]) != approval_hash([MAP])
    assert approval_hash([MAP, "a: 1\n"]) != approval_hash([MAP])
    assert approval_hash([MAP + "# note\n"]) != approval_hash([MAP])


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="needs grep and sha256sum (GNU coreutils)")
def test_the_command_of_the_manual_gives_the_same(tmp_path: Path) -> None:
    """Outside check: GNU grep and sha256sum."""
    file = tmp_path / "map.yaml"
    file.write_bytes(MAP.replace("devices", f"approved_sha256: {'0' * 64}\ndevices").encode())
    command = "grep -v '^approved_sha256:' map.yaml | sha256sum"
    done = subprocess.run(["sh", "-c", command], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.split()[0] == approval_hash([file.read_text()])
