"""profile list, check, import, schema: what they print and with which code they end."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from probe.cli import profile_commands
from probe.collect.inputs import bundled_profiles
from probe.model.document import parse
from probe.model.errors import InputError

GOOD = bundled_profiles() / "meter-float.yaml"


def test_list_names_every_bundled_profile(capsys: pytest.CaptureFixture[str]) -> None:
    assert profile_commands.list_profiles(as_json=False) == 0
    out = capsys.readouterr().out
    assert all(path.stem in out for path in bundled_profiles().glob("*.yaml"))
    assert profile_commands.list_profiles(as_json=True) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [entry["name"] for entry in listed["profiles"]] == sorted(
        path.stem for path in bundled_profiles().glob("*.yaml")
    )
    child = next(entry for entry in listed["profiles"] if entry["name"] == "sunspec-203")
    assert child["extends"] == ["sunspec-common"]


def test_check_of_a_good_profile(capsys: pytest.CaptureFixture[str]) -> None:
    assert profile_commands.check(GOOD, as_json=False) == 0
    assert "nothing wrong" in capsys.readouterr().out
    assert profile_commands.check(GOOD, as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["problems"], told["profile"]["name"]) == ([], "meter-float")


def test_check_of_a_wrong_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "meter-float.yaml"
    path.write_text(GOOD.read_text(encoding="utf-8").replace("unit: V", "unit: A", 1), encoding="utf-8")
    assert profile_commands.check(path, as_json=False) == 2
    out = capsys.readouterr().out
    assert "voltage_phase is not measured in A" in out
    assert "1 error. Mend" in out
    assert profile_commands.check(path, as_json=True) == 2
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert problem["field"] == "points.voltage_a.unit"


def test_check_finds_the_extended_profile_beside_it_or_bundled(tmp_path: Path) -> None:
    text = "format: buswitness-profile/1\nname: mine\nextends: {}\naddressing: zero_based\norder: DCBA\n"
    path = tmp_path / "mine.yaml"
    path.write_text(text.format("meter-float"), encoding="utf-8")
    assert profile_commands.check(path, as_json=True) == 0
    (tmp_path / "own.yaml").write_text(
        GOOD.read_text(encoding="utf-8").replace("meter-float", "own"), encoding="utf-8"
    )
    path.write_text(text.format("own"), encoding="utf-8")
    assert profile_commands.check(path, as_json=True) == 0


def test_a_broken_neighbour_does_not_hide_a_good_profile(tmp_path: Path) -> None:
    path = tmp_path / "meter-float.yaml"
    path.write_bytes(GOOD.read_bytes())
    (tmp_path / "broken.yaml").write_bytes(b"\xff\xfe\x00 no text")
    assert profile_commands.check(path, as_json=True) == 0


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        profile_commands.check(tmp_path / "none.yaml", as_json=False)


LIST = (
    "Addressing: one_based\nKind,meter\nArea,input\nRegister,Name,Type,Units\n1,Amps A,U16,A\n2,Odd,FOO,A\n"
)


def test_import_prints_the_profile_and_tells_the_rest_aside(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "My List.csv"
    source.write_text(LIST, encoding="utf-8")
    assert profile_commands.import_list(source, output=None, as_json=False) == 0
    captured = capsys.readouterr()
    assert parse("made", captured.out).values["name"] == "my-list"
    assert "1 points, 1 rows left out" in captured.err
    assert "the type is not understood" in captured.err


def test_import_makes_a_file_that_checks_and_never_overwrites(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, output = tmp_path / "list.csv", tmp_path / "made.yaml"
    source.write_text(LIST, encoding="utf-8")
    assert profile_commands.import_list(source, output=output, as_json=True) == 0
    assert json.loads(capsys.readouterr().out)["output"] == output.as_posix()
    assert profile_commands.check(output, as_json=True) == 0
    with pytest.raises(InputError, match="not overwritten"):
        profile_commands.import_list(source, output=output, as_json=False)


def test_import_without_a_convention_makes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, output = tmp_path / "list.csv", tmp_path / "made.yaml"
    source.write_text(LIST.replace("Addressing: one_based\n", ""), encoding="utf-8")
    assert profile_commands.import_list(source, output=output, as_json=False) == 2
    assert not output.exists()
    assert "does not say how its addresses count" in capsys.readouterr().out
    assert profile_commands.import_list(source, output=output, as_json=True, addressing="zero_based") == 0


def test_the_schema_holds_for_every_bundled_profile(capsys: pytest.CaptureFixture[str]) -> None:
    """jsonschema (an independent validator) accepts what the loader accepts, read as an editor reads it."""
    assert profile_commands.schema() == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    import yaml

    for path in bundled_profiles().glob("*.yaml"):
        values = json.loads(json.dumps(yaml.safe_load(path.read_text(encoding="utf-8"))))
        assert list(validator.iter_errors(values)) == [], path.name
    wrong = json.loads(json.dumps(yaml.safe_load(GOOD.read_text(encoding="utf-8"))))
    wrong["points"]["voltage_a"]["quantity"] = "colour"
    assert list(validator.iter_errors(wrong))
