"""Files that the user names: missing, foreign, too large, unreadable; each said plainly."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from probe.collect.inputs import bundled_profiles, open_library, open_lineup, read_bytes, read_text
from probe.model.document import LIMIT_BYTES
from probe.model.errors import InputError

EXAMPLES = Path(__file__).parents[2] / "examples"


def what_of(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        open_lineup(path)
    return caught.value.problems[0].what


def test_the_example_map_loads_without_a_warning() -> None:
    lineup, warnings = open_lineup(EXAMPLES / "substation.yaml")
    assert warnings == ()
    assert lineup.map.by_tag["M1"].identity.serial == "0510210600"
    assert lineup.map.target("F2").gateway == "GW1"


def test_a_missing_file_gets_its_nearest_neighbour(tmp_path: Path) -> None:
    shutil.copy(EXAMPLES / "substation.yaml", tmp_path / "msb-1.yaml")
    with pytest.raises(InputError) as caught:
        open_lineup(tmp_path / "msb1.yaml")
    (problem,) = caught.value.problems
    assert (problem.what, problem.remedy) == ("there is no such file", "did you mean msb-1.yaml?")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="its folder is not there either"):
        open_lineup(tmp_path / "nowhere" / "m.yaml")


def test_a_directory_is_no_file(tmp_path: Path) -> None:
    assert what_of(tmp_path) == "this is a directory, not a file"


def test_a_large_file_is_refused_without_reading_it(tmp_path: Path) -> None:
    file = tmp_path / "m.yaml"
    with file.open("wb") as out:
        out.truncate(50 * 1024 * 1024)
    assert what_of(file) == "the file is too large"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "m.yaml")
    assert "not a file on disk" in what_of(tmp_path / "m.yaml")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_an_unreadable_file_is_told(tmp_path: Path) -> None:
    file = tmp_path / "m.yaml"
    file.write_text("a: 1\n", encoding="utf-8")
    file.chmod(0)
    assert what_of(file) == "you have no permission to read this file"


def test_an_included_directory_or_large_file_is_told_at_its_place(tmp_path: Path) -> None:
    text = (EXAMPLES / "substation.yaml").read_text(encoding="utf-8")
    (tmp_path / "m.yaml").write_text(text + "include: [folder, big.yaml]\n", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    with (tmp_path / "big.yaml").open("wb") as out:
        out.truncate(LIMIT_BYTES + 1)
    with pytest.raises(InputError) as caught:
        open_lineup(tmp_path / "m.yaml")
    what = {problem.what: problem for problem in caught.value.problems}
    assert "that is a directory" in what["the included file cannot be read"].found
    assert what["the file is too large"].file.endswith("big.yaml")


def test_profiles_of_the_user_go_before_bundled_ones(tmp_path: Path) -> None:
    source = bundled_profiles() / "meter-float.yaml"
    (tmp_path / "mine.yaml").write_bytes(source.read_bytes().replace(b"meter-float", b"mine"))
    (tmp_path / "meter-float.yaml").write_bytes(source.read_bytes() + b"# mine\n")
    library = open_library([tmp_path])
    assert {"mine", "small-ups"} <= set(library.names())
    assert library.texts_for(["meter-float"])[0].text.endswith("# mine\n")


def test_a_folder_of_profiles_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the folder of profiles is not there"):
        open_library([tmp_path / "nowhere"])


def test_read_text_keeps_the_bytes(tmp_path: Path) -> None:
    file = tmp_path / "p.yaml"
    file.write_bytes("\ufeffa: é\r\n".encode())
    assert read_text(file).text.encode() == read_bytes(file)
