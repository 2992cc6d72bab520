"""What goes wrong, as exit code and plain words; never a traceback on the terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from probe.cli.failure import Exit, guard
from probe.model.errors import InputError, Problem, RecordError

PROBLEM = Problem(file="msb-1.yaml", line=3, column=7, what="no such kind", found="metre", remedy="meter")


def raising(error: BaseException) -> Callable[[], int]:
    """An action that raises."""

    def action() -> int:
        raise error

    return action


def test_codes_of_the_design() -> None:
    assert [int(code) for code in Exit] == [0, 1, 2, 3, 4, 70]


@pytest.mark.parametrize(
    ("error", "code"), [(InputError([PROBLEM]), 2), (RecordError(PROBLEM), 4), (KeyboardInterrupt(), 3)]
)
def test_errors_have_their_code(error: BaseException, code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert guard(raising(error), as_json=False) == code
    caught = capsys.readouterr()
    assert caught.out == ""
    assert "Traceback" not in caught.err


def test_place_comes_first(capsys: pytest.CaptureFixture[str]) -> None:
    guard(raising(InputError([PROBLEM, PROBLEM])), as_json=False)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "msb-1.yaml:3:7: error: no such kind"
    assert len(lines) == 6


def test_problems_as_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    assert guard(raising(RecordError(PROBLEM)), as_json=True) == 4
    caught = capsys.readouterr()
    document = json.loads(caught.out)
    assert document["format"] == "buswitness-problems/1"
    assert document["problems"][0]["line"] == 3
    assert caught.err == ""


def test_no_code_is_done() -> None:
    assert guard(lambda: None, as_json=False) == 0
    assert guard(lambda: 1, as_json=False) == 1


def test_a_bug_is_told_and_its_details_are_saved(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("probe.cli.failure._log_folders", lambda: (tmp_path / "log",))
    assert guard(raising(ZeroDivisionError("by us\nsecond line")), as_json=True) == 70
    caught = capsys.readouterr()
    assert caught.out == ""
    assert "ZeroDivisionError: by us\n" in caught.err
    assert "Traceback" not in caught.err
    saved = Path(re.search(r"details +(\S+)", caught.err)[1])  # type: ignore[index]
    assert saved.parent == tmp_path / "log"
    assert "Traceback" in saved.read_text(encoding="utf-8")


def test_a_bug_is_told_even_where_nothing_can_be_saved(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setattr("probe.cli.failure._log_folders", lambda: (tmp_path / "file" / "log",))
    assert guard(raising(ZeroDivisionError()), as_json=False) == 70
    assert "could not be saved" in capsys.readouterr().err
