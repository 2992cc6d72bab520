"""``capture read`` and what ``capture take`` says before it records: pages, JSON, exit codes, bad input."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from probe.cli.main import main

CAPTURES = Path(__file__).parents[3] / "captures"
HEALTHY, FAULTS = CAPTURES / "msb-1-healthy.pcapng", CAPTURES / "msb-1-faults.pcapng"
MAP = """
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - {tag: 52-F1, kind: trip-unit, profile: trip-unit-second, section: "1", address: {host: 192.0.2.20}}
"""


def read(*arguments: str | Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    """Exit code and JSON object of a reading."""
    code = main(["capture", "read", *map(str, arguments), "--json"])
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, document


def test_a_healthy_capture(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", "read", str(HEALTHY)]) == 0
    out = capsys.readouterr().out
    assert "55 answered, 0 not" in out
    assert "0 fail" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_capture_with_faults(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", "read", str(FAULTS), "--speed", "100M"]) == 1
    out = capsys.readouterr().out
    for words in (
        "192.0.2.21 is used by 2 hardware addresses",
        "1 write by 192.0.2.66",
        "Change of topology told by 32768.02:00:5e:20:00:f1",
        "20 of 40 requests without an answer",
        "default",
    ):
        assert words in out, words
    assert "public" not in out, "the name itself is never shown"
    assert max(map(len, out.splitlines())) <= 80


def test_the_object_has_the_form_that_the_design_states(capsys: pytest.CaptureFixture[str]) -> None:
    code, document = read(FAULTS, capsys=capsys)
    assert code == document["exit_code"] == 1
    assert document["format"] == "buswitness-capture/1"
    assert set(document) >= {
        "file", "packets", "truncated", "modbus", "devices", "network", "neighbours", "conflicts",
        "topology_changes", "findings", "started", "finished",
    }  # fmt: skip
    assert set(document["modbus"]) >= {
        "requests", "responses", "exceptions", "exception_codes", "matched", "unanswered", "unmatched",
        "retransmissions", "capture_copies", "reply_ms", "writes",
    }  # fmt: skip
    assert set(document["modbus"]["reply_ms"]) >= {"min", "median", "p95", "p99", "max"}
    assert document["started"].startswith("2026-03-14T")
    assert document["truncated"] is False
    assert (document["modbus"]["requests"], document["modbus"]["unanswered"]) == (96, 20)
    assert document["modbus"]["retransmissions"] == 20
    (write,) = document["modbus"]["writes"]
    assert (write["client"], write["function"], write["low_address"]) == ("192.0.2.66", 16, 1000)
    (change,) = document["topology_changes"]
    assert change["bridge"] == "32768.02:00:5e:20:00:f1"
    assert [one["name"] for one in document["neighbours"]] == ["SW-1"]
    assert {"check", "subject", "verdict", "title", "observed", "advice"} <= set(document["findings"][0])
    assert "public" not in json.dumps(document)


def test_with_a_map_devices_have_their_tags(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "msb-1.yaml"
    path.write_text(MAP)
    _, document = read(FAULTS, "--map", path, capsys=capsys)
    assert document["devices"][0]["tag"] == "52-F1"
    (write,) = [one for one in document["findings"] if one["check"] == "capture.writes"]
    assert (write["subject"], write["verdict"]) == ("52-F1", "fail")


def test_a_folder_is_read_by_several_at_a_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    below = tmp_path / "day-2"
    below.mkdir()
    shutil.copy(HEALTHY, tmp_path / "a.pcapng")
    shutil.copy(FAULTS, below / "b.pcapng")
    (tmp_path / "c.pcap").write_bytes(b"no capture at all")
    (tmp_path / "notes.txt").write_text("not looked at")
    assert main(["capture", "read", str(tmp_path), "--json", "--workers", "2"]) == 2
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert document["format"] == "buswitness-captures/1"
    assert [Path(one["file"]).name for one in document["captures"]] == ["a.pcapng", "c.pcap", "b.pcapng"]
    assert document["packets"] == sum(one["packets"] for one in document["captures"]) > 300
    assert "c.pcap" in err
    assert "not a capture file" in err


def test_a_cut_file_is_incomplete(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "cut.pcapng"
    path.write_bytes(HEALTHY.read_bytes()[:-50])
    code, document = read(path, capsys=capsys)
    assert code == 3
    assert (document["truncated"], document["ending"]) == (True, "cut short")
    assert document["ends_at_byte"] == path.stat().st_size


def test_a_picture_is_well_formed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.svg"
    assert main(["capture", "read", str(HEALTHY), "--plot", str(path), "--speed", "100M"]) == 0
    root = ET.parse(path).getroot()
    assert "msb-1-healthy.pcapng" in (root.findtext("{http://www.w3.org/2000/svg}title") or "")
    assert len(root.findall("{http://www.w3.org/2000/svg}rect")) > 5
    assert main(["capture", "read", str(HEALTHY), "--plot", str(path)]) == 2, "nothing is written over"
    assert "already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["read", "nowhere.pcap"], "no such file"),
        (["read", str(Path(__file__))], "not a capture file"),
        (["read", str(HEALTHY), "--speed", "fast"], "100M"),
        (["read", str(HEALTHY.parent), "--plot", "x.svg"], "made of one capture"),
        (["take", "lo", "--filter", "hots 1"], "no such word"),
        (["take", "lo", "--keep", "3"], "--each"),
        (["take", "lo", "-o", "a.pcap"], ".pcapng"),
        (["take", "lo", "--size", "huge"], "100M"),
        (["take", "lo", "--for", "soon"], "90s"),
    ],
)
def test_wrong_input_is_told_with_its_mend(
    arguments: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["capture", *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.rglob("*.*"))


def test_a_folder_without_captures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", "read", str(tmp_path)]) == 2
    assert "holds no captures" in capsys.readouterr().err


def test_the_captures_are_those_that_the_script_makes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Make them anew: python captures/make_captures.py"""
    import importlib.util

    spec = importlib.util.spec_from_file_location("make_captures", CAPTURES / "make_captures.py")
    assert spec is not None
    assert spec.loader is not None
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    monkeypatch.setattr(maker, "HERE", tmp_path)
    maker.main()
    for path in (HEALTHY, FAULTS):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()
