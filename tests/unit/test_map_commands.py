"""``map check``, ``map import``, ``map schema`` as a user meets them: text, JSON, exit codes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from probe.cli import map_commands
from probe.cli.main import main

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture
def wrong_map(tmp_path: Path) -> Path:
    text = (EXAMPLES / "substation.yaml").read_text(encoding="utf-8")
    file = tmp_path / "wrong.yaml"
    file.write_text(
        text.replace("kind: meter", "kind: metre").replace("unit: 3", "unit: 2"), encoding="utf-8"
    )
    return file


def run_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    code = main([*arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_check_of_a_good_map(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", "check", str(EXAMPLES / "substation.yaml")]) == 0
    out = capsys.readouterr().out
    assert "nothing wrong" in out
    assert "devices   8: 4 trip-unit" in out


def test_check_of_a_wrong_map_tells_all_and_exits_2(
    wrong_map: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["map", "check", str(wrong_map)]) == 2
    out = capsys.readouterr().out
    assert "did you mean meter?" in out
    assert "F3 and F2 have the same address" in out
    assert "2 errors" in out
    assert "Traceback" not in out


def test_check_as_json(wrong_map: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, document = run_json(capsys, "map", "check", str(wrong_map))
    assert code == 2
    assert (document["format"], document["file"]) == ("buswitness-problems/1", wrong_map.as_posix())
    assert {problem["severity"] for problem in document["problems"]} == {"error"}
    assert {"file", "line", "column", "field", "what", "found", "allowed", "remedy"} <= set(
        document["problems"][0]
    )
    code, document = run_json(capsys, "map", "check", str(EXAMPLES / "substation.yaml"))
    assert (code, document["devices"], document["problems"]) == (0, 8, [])


def test_check_of_a_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", "check", str(tmp_path / "nowhere.yaml")]) == 2
    assert "there is no such file" in capsys.readouterr().out


def test_warnings_are_told_and_exit_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "m.yaml"
    text = (EXAMPLES / "substation.yaml").read_text(encoding="utf-8")
    file.write_text(f"approved_sha256: {'0' * 64}\n{text}", encoding="utf-8")
    assert main(["map", "check", str(file)]) == 0
    out = capsys.readouterr().out
    assert "1 warning" in out
    assert "not the approved map" in out


def test_many_problems_are_cut_for_people_and_whole_as_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    entry = "  - {tag: F%d, kind: x, profile: p, section: 1, address: {host: a}}\n"
    file = tmp_path / "m.yaml"
    file.write_text(
        "format: buswitness-map/1\nsite: a\nlineup: b\nsystem: {voltage_v: 1, frequency_hz: 60}\ndevices:\n"
        + "".join(entry % i for i in range(200)),
        encoding="utf-8",
    )
    main(["map", "check", str(file)])
    assert f"and {400 - map_commands.SHOWN_AT_MOST} more" in capsys.readouterr().out
    assert len(run_json(capsys, "map", "check", str(file))[1]["problems"]) == 400


@pytest.mark.parametrize("name", ["schedule.csv", "schedule.xlsx"])
def test_the_example_schedules_import_and_the_map_is_good(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "msb-1.yaml"
    assert main(["map", "import", str(EXAMPLES / name), "--output", str(output)]) == 0
    assert f"map check {output}" in capsys.readouterr().out
    code, document = run_json(capsys, "map", "check", str(output))
    assert (code, document["problems"], document["devices"]) == (0, [], 23)


def test_csv_and_xlsx_make_the_same_map(tmp_path: Path) -> None:
    made = []
    for name in ("schedule.csv", "schedule.xlsx"):
        output = tmp_path / f"{name}.yaml"
        assert main(["map", "import", str(EXAMPLES / name), "--output", str(output)]) == 0
        made.append(output.read_text(encoding="utf-8").splitlines()[1:])
    assert made[0] == made[1]


def test_import_without_output_prints_the_map_alone_on_stdout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["map", "import", str(EXAMPLES / "schedule.csv")]) == 0
    captured = capsys.readouterr()
    assert "hardware_address" in captured.err
    file = tmp_path / "m.yaml"
    file.write_text(captured.out, encoding="utf-8")
    assert main(["map", "check", str(file)]) == 0


def test_an_existing_map_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    output = tmp_path / "m.yaml"
    output.write_text("precious\n", encoding="utf-8")
    assert main(["map", "import", str(EXAMPLES / "schedule.csv"), "--output", str(output)]) == 2
    assert "not overwritten" in capsys.readouterr().err
    assert output.read_text(encoding="utf-8") == "precious\n"


def test_a_wrong_schedule_makes_no_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, output = tmp_path / "s.csv", tmp_path / "m.yaml"
    file.write_text("Tag,Type,Section,Serial No\nF1,Trip unit,1,1E+12\nF1,Meter,1,7\n", encoding="utf-8")
    assert main(["map", "import", str(file), "--output", str(output)]) == 2
    out = capsys.readouterr().out
    assert "cell D2 (Serial No)" in out
    assert "two devices have the tag F1" in out
    assert not output.exists()


def test_blanks_are_named_and_check_tells_them_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, output = tmp_path / "s.csv", tmp_path / "m.yaml"
    file.write_text("Tag,Type,Section,Colour\nF1,Trip unit,1,red\n", encoding="utf-8")
    assert main(["map", "import", str(file), "--output", str(output)]) == 0
    out = capsys.readouterr().out
    assert "not used: column D (Colour)" in out
    assert 'site: "?"  # fill in' in out
    assert main(["map", "check", str(output)]) == 2
    out = capsys.readouterr().out
    assert "voltage_v is still to be filled in" in out
    assert "the profile of F1 is still to be filled in" in out
    assert "site is still to be filled in" in out
    assert "host is still to be filled in" in out


def test_import_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    code, document = run_json(capsys, "map", "import", str(EXAMPLES / "schedule.xlsx"))
    assert (code, document["devices"], document["sheet"], document["unused_columns"]) == (
        0,
        23,
        "Devices",
        [],
    )
    assert document["columns"]["host"] == "IP address"
    assert document["map"].startswith("# Device map")


def test_schema_is_a_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", "schema"]) == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))


@pytest.mark.parametrize("name", ["schedule.csv", "schedule.xlsx"])
def test_the_example_schedules_are_what_their_script_makes(name: str, tmp_path: Path) -> None:
    import runpy
    import sys

    script = EXAMPLES / "make_schedule.py"
    old = sys.argv
    sys.argv = [str(script), str(tmp_path)]
    try:
        runpy.run_path(str(script), run_name="__main__")
    finally:
        sys.argv = old
    if name.endswith(".csv"):
        assert (tmp_path / name).read_bytes() == (EXAMPLES / name).read_bytes()
    else:
        shutil.copy(EXAMPLES / name, tmp_path / "committed.xlsx")
        from probe.collect.spreadsheet import read_sheet

        assert read_sheet(tmp_path / name).rows == read_sheet(tmp_path / "committed.xlsx").rows
