"""A file put in the place of another one while a program holds that open, as Windows refuses it."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.sweep import whole_file


def refusing(monkeypatch: pytest.MonkeyPatch, times: int) -> list[int]:
    """Make the system refuse so many times (Windows: error 5 or 32 is PermissionError); the calls."""
    calls: list[int] = []
    real = Path.replace

    def replace(self: Path, target: Path) -> Path:
        calls.append(1)
        if len(calls) <= times:
            raise PermissionError(13, "The process cannot access the file because another one uses it")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    monkeypatch.setattr(whole_file, "PAUSE_S", 0.0)
    return calls


def files(folder: Path) -> tuple[Path, Path]:
    (folder / "x.part").write_text("new")
    (folder / "x").write_text("old")
    return folder / "x.part", folder / "x"


def test_a_file_that_is_held_open_is_asked_for_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = refusing(monkeypatch, 2)
    partial, path = files(tmp_path)
    whole_file.put(partial, path)
    assert path.read_text() == "new"
    assert len(calls) == 3
    assert not partial.exists()


def test_what_stays_held_open_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = refusing(monkeypatch, 100)
    partial, path = files(tmp_path)
    with pytest.raises(PermissionError):
        whole_file.put(partial, path)
    assert path.read_text() == "old"
    assert len(calls) == whole_file.TRIES
