"""The settings command end to end: a practice lineup in its own process, the real program against it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml

from probe.practice.served import FILE, served_apart

Program = Callable[..., subprocess.CompletedProcess[bytes]]

SCENARIO = """\
format: buswitness-scenario/1
title: A main and two feeders, one with a setting from the factory
devices: [MC-1, 52-M1, 52-F1, 52-F2]
faults:
  - {kind: wrong-setting, at: 52-F2, point: group_a_gfd, number: 0.5}
"""


@pytest.fixture(scope="module")
def lineup(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The map of the running lineup."""
    folder = tmp_path_factory.mktemp("lineup")
    scenario = folder / "scenario.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    with served_apart(f"{FILE}{scenario}", folder) as map_path:
        yield map_path


def test_a_wrong_setting_its_coordination_curves_and_backup(
    lineup: Path, program: Program, tmp_path: Path
) -> None:
    ran = program(
        "settings", lineup, "--record", "s.audit.jsonl", "--curves", "curves", "--export-as-left", "left.yaml"
    )
    out = ran.stdout.decode()
    assert ran.returncode == 1, out + ran.stderr.decode()
    assert "✗ 52-F2  Group A, ground-fault delay (GFD): slower than studied" in out
    assert "52-F2 below 52-M1, ground faults: the upper one may trip first at 900 A" in out
    assert "a comparison with the engineers' study, not a study" in " ".join(out.split())
    assert "TH-CS-014 revision C" in out
    assert (tmp_path / "curves" / "52-F2-below-52-M1-ground.svg").read_text().startswith("<?xml")
    backup = yaml.safe_load((tmp_path / "left.yaml").read_text())
    assert len(backup["record_hash"]) == 64
    assert {row["tag"] for row in backup["settings"]} == {"52-M1", "52-F1", "52-F2"}
    assert program("record", "verify", "s.audit.jsonl").returncode == 0
    again = program("record", "judge", "s.audit.jsonl", "--json")
    assert again.returncode == 1, again.stderr.decode()


def test_the_record_alone_shows_the_same(lineup: Path, program: Program) -> None:
    """Study and evidence stand in the record, so that neither the map nor the wire is needed."""
    first = json.loads(program("settings", lineup, "--record", "s.audit.jsonl", "--json").stdout)
    again = json.loads(program("settings", "s.audit.jsonl", "--json").stdout)
    for part in ("settings", "coordination", "studies"):
        assert first[part] == again[part]
    assert first["format"] == "buswitness-settings/1"
    assert first["exit_code"] == again["exit_code"] == 1
    wrong = [row for row in first["settings"] if row["verdict"] == "fail"]
    assert [(row["tag"], row["point"], row["found"]) for row in wrong] == [("52-F2", "group_a_gfd", "0.5")]
    steady = [f for f in first["findings"] if f["check"] == "settings.steady"]
    assert {f["verdict"] for f in steady} == {"pass"}


def test_another_study_named_by_hand_counts_and_stays_in_the_record(
    lineup: Path, program: Program, tmp_path: Path
) -> None:
    text = lineup.with_name("study.yaml").read_text()
    other = tmp_path / "other.yaml"
    ground = "ground: {pickup: 150 A, delay: 0.1 s"
    other.write_text(text.replace(ground, ground.replace("0.1", "0.5")).replace("revision: C", "revision: D"))
    ran = program(
        "settings", lineup, "--study", other, "--record", "d.audit.jsonl", "--only", "52-F2", "--json"
    )
    document = json.loads(ran.stdout)
    assert document["studies"][0]["revision"] == "D"
    wrong = {row["point"] for row in document["settings"] if row["verdict"] == "fail"}
    assert wrong == {"group_b_gfd"}, "group B is 0.1 s, the other study asks for 0.5 s"
    again = json.loads(program("settings", "d.audit.jsonl", "--json").stdout)
    assert again["settings"] == document["settings"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--study", "nowhere.yaml"), "there is no such file"),
        (("--only", "MC-1"), "none of these devices has protective settings"),
        (("--export-as-left", "left.txt"), "the export is written as YAML or as a workbook"),
    ],
)
def test_what_is_wrong_is_told_before_any_device_is_asked(
    lineup: Path, program: Program, arguments: tuple[str, ...], said: str
) -> None:
    ran = program("settings", lineup, *arguments)
    assert ran.returncode == 2
    assert said in ran.stderr.decode()


def test_the_study_of_another_lineup_is_refused(lineup: Path, program: Program, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(lineup.with_name("study.yaml").read_text().replace("lineup: MSB-1", "lineup: MSB-2"))
    ran = program("settings", lineup, "--study", other)
    assert ran.returncode == 2
    assert "this is the study of another lineup" in ran.stderr.decode()
    assert not list(tmp_path.glob("*.audit.jsonl"))


def test_study_check_and_import(lineup: Path, program: Program, tmp_path: Path) -> None:
    ran = program("study", "check", lineup.with_name("study.yaml"), "--map", lineup)
    assert ran.returncode == 0, ran.stderr.decode()
    assert b"3 devices" in ran.stdout
    (tmp_path / "t.csv").write_text("Tag;LTPU (A);GFPU\n52-F1;540;150\n")
    ran = program("study", "import", "t.csv", "-o", "made.yaml")
    assert ran.returncode == 2
    assert b"a number without its unit" in ran.stdout
    assert not (tmp_path / "made.yaml").exists()
    (tmp_path / "t.csv").write_text("Tag;LTPU (A);GFPU (A)\n52-F1;540;150\n")
    ran = program("study", "import", "t.csv", "-o", "made.yaml")
    assert ran.returncode == 0
    assert b"fill in the study before it is used" in ran.stdout
    assert program("study", "check", "made.yaml").returncode == 2


def test_desk_curve(program: Program) -> None:
    """0.1 * 0.14 / (10^0.02 - 1) = 0.297 s. Source: IEC 60255-151, Annex A (computed)."""
    words = ("desk", "curve", "--shape", "iec_inverse", "--pickup", "100 A", "--delay", "0.1 TMS")
    ran = program(*words, "--current", "1 kA", "--json")
    document = json.loads(ran.stdout)
    assert document["result"][0]["time_s"] == pytest.approx(0.29706, rel=1e-4)
    assert "no breaker was asked" in document["notice"]
    ran = program(*words, "--current", "1000")
    assert ran.returncode == 2
    assert b"a number without its unit" in ran.stderr
