"""The desk commands from their words to exit code, text and JSON; wrong input in plain words."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from probe.cli.main import main

EXAMPLE = Path(__file__).parents[3] / "examples" / "substation.yaml"
FIBRE = (
    "fibre",
    "--fibre",
    "om1",
    "--wavelength",
    "1300 nm",
    "--length",
    "350 m",
    "--connectors",
    "4",
    "--splices",
    "2",
)
OPTICS = ("--launch", "-20 dBm", "--launch", "-14 dBm", "--sensitivity", "-30 dBm", "--overload", "-14 dBm")
COPPER = ("copper", "--conductor", "awg14", "--temperature", "75 C", "--load", "X 150 ft 5 A")
BATTERY = ("battery", "--capacity", "12 Ah", "--load", "96 W")
BUS = ("bus", "--devices", "8", "--blocks", "3", "--registers", "20", "--response", "50 ms")


def document(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = main(["desk", *words, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (FIBRE, 0),  # no limit was asked for
        ((*FIBRE, "--application", "100base-fx"), 0),
        ((*FIBRE, *OPTICS), 0),
        ((*FIBRE, *OPTICS, "--ageing", "7 dB"), 1),
        (COPPER, 1),  # 19.29 V
        ((*COPPER, "--limit-least", "19.2 V"), 0),
        (("copper", "--fixed", "90 m", "--cords", "10 m"), 0),
        (("copper", "--fixed", "90 m", "--cords", "11 m"), 1),
        ((*BATTERY, "--wanted", "1 h"), 0),
        ((*BATTERY, "--wanted", "100 min"), 0),  # a review
        ((*BATTERY, "--wanted", "3 h"), 1),
        (("battery", "--size", "--load", "96 W for 2 h"), 0),
        (("battery", "--size", "--capacity", "7 Ah", "--load", "96 W for 2 h"), 1),
        ((*BUS, "--wanted", "3 s"), 0),
        ((*BUS, "--wanted", "3 s", "--dead", "1"), 1),
        (("bus", "--map", str(EXAMPLE), "--length", "300 m"), 0),
        (("conduit", "--cable", "fibre", "--cable", "twisted-pair"), 0),
        (("conduit", "--cable", "fibre", "--cable", "control"), 1),
        (("conduit", "--cable", "power", "--cable", "control"), 0),  # not tested
        (("conduit", "--cable", "twisted-pair", "--distance", "60 mm", "--feeder", "63 A"), 1),
    ],
)
def test_exit_code_text_and_json_agree(
    words: tuple[str, ...], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["desk", *words]) == code
    text = capsys.readouterr().out
    found, told = document(capsys, *words)
    assert found == code
    assert (told["verdict"] == "fail") is (code == 1)
    assert told["verdict"].upper() in text
    assert set(told) >= {"format", "inputs", "steps", "result", "limit", "margin", "source"}
    assert all(step["line"] in text for step in told["steps"])
    assert "no device was asked" in text


def test_values_of_the_object(capsys: pytest.CaptureFixture[str]) -> None:
    """Loss 4.125 dB of 11.0 dB. Source: TIA-568 and IEEE 802.3 (from memory), computed."""
    _, told = document(capsys, *FIBRE, "--application", "100base-fx")
    assert told["result"][0] == {"name": "loss", "value": pytest.approx(4.125), "low": pytest.approx(4.125),
                                 "high": pytest.approx(4.125), "unit": "dB"}  # fmt: skip
    assert told["margin"][0] == {"name": "loss", "value": pytest.approx(6.875), "unit": "dB"}
    assert told["inputs"]["length"] == {"value": 350.0, "unit": "m", "plus_minus": 0.0}
    assert any("TIA-568" in source for source in told["source"])


def test_no_solution_is_null_and_said(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("copper", "--load", "SW1 60 m 400 W")
    code, told = document(capsys, *words)
    assert code == 1
    assert told["result"][0]["value"] is None
    assert told["margin"][0]["value"] is None
    main(["desk", *words])
    text = capsys.readouterr().out
    assert "no solution: the supply collapses" in text
    assert not re.search(r"\bnan\b|\binf\b", text)


def test_an_uncertainty_goes_through(capsys: pytest.CaptureFixture[str]) -> None:
    _, told = document(capsys, "bus", "--devices", "2", "--response", "50 +/- 20 ms", "--wanted", "170 ms")
    assert told["verdict"] == "review"
    assert told["result"][0]["low"] < 0.17 < told["result"][0]["high"]


def test_a_map_gives_devices_requests_and_baud(capsys: pytest.CaptureFixture[str]) -> None:
    _, told = document(capsys, "bus", "--map", str(EXAMPLE))
    assert told["inputs"]["devices"] == 2
    assert told["inputs"]["baud"] == 19_200
    _, told = document(capsys, "bus", "--map", str(EXAMPLE), "--line", "GW1", "--baud", "9600")
    assert told["inputs"]["baud"] == 9600


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("fibre", "--fibre", "om9", "--wavelength", "850 nm", "--length", "1 m"), "this word is not known"),
        (("fibre", "--fibre", "om1", "--wavelength", "1550 nm", "--length", "1 m"), "no attenuation of om1"),
        (("fibre", "--fibre", "om1", "--wavelength", "850 nm", "--length", "1"), "a number without its unit"),
        (("fibre", "--fibre", "om1", "--wavelength", "850 nm", "--length", "1 s"), "this unit does not fit"),
        (("fibre", "--fibre", "om1", "--wavelength", "850 nm", "--length", "far"), "this is no amount"),
        (("fibre", "--fibre", "om1", "--wavelength", "850 nm", "--length", "1 +/- 2 m"), "out of range"),
        (("fibre", "--fibre", "om1", "--wavelength", "850 nm", "--length", "9e300 km"), "out of all reason"),
        ((*FIBRE, "--launch", "-20 dBm"), "the data of the transceivers are incomplete"),
        ((*FIBRE, *OPTICS, "--overload", "-40 dBm"), "overloaded above its sensitivity"),
        ((*FIBRE, "--application", "1000base-sx"), "uses another wavelength"),
        ((*FIBRE, "--splices", "-1"), "this is no count"),
        (("copper",), "either a DC feeder or a data channel"),
        ((*COPPER, "--fixed", "9 m"), "either a DC feeder or a data channel"),
        (("copper", "--load", "X 5 A"), "this is no load"),
        ((*COPPER, "--load", "X 10 ft 5 A"), "two loads have one name"),
        ((*COPPER, "--supply", "48 V"), "known for 24 V only"),
        ((*COPPER, "--supply-least", "25 V"), "not between its least and most"),
        ((*COPPER, "--conductor", "awg13"), "this word is not known"),
        (("copper", "--fixed", "90 m", "--cord-gauge", "22"), "no such cord"),
        (("battery", "--load", "96 W"), "which capacity"),
        (("battery", "--size", "--load", "96 W"), "for how long?"),
        ((*BATTERY, "--load", "5 W"), "only the last load may go on"),
        ((*BATTERY, "--temperature", "-5 C"), "no factor is known here"),
        ((*BATTERY, "--depth", "0"), "no part of one"),
        ((*BATTERY, "--rate-exponent", "3"), "no battery has this"),
        ((*BUS, "--dead", "9"), "out of range"),
        ((*BUS, "--bits", "8"), "a character has other bits"),
        ((*BUS, "--baud", "50"), "out of range"),
        (("bus", "--map", str(EXAMPLE), "--line", "GW2"), "this line is not in the map"),
        (("conduit", "--cable", "string"), "this word is not known"),
        (("conduit", "--cable", "fibre", "--distance", "5 mm"), "how many power circuits?"),
    ],
)
def test_wrong_input_is_told_in_plain_words(
    words: tuple[str, ...], what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["desk", *words]) == 2
    shown = capsys.readouterr()
    assert what in shown.err
    assert not shown.out


def test_examples_of_the_help_run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every example that a desk command prints can be copied and ends with 0 or 1."""
    import shlex

    from probe.cli.desk_group import desk_app

    monkeypatch.chdir(EXAMPLE.parent)
    seen = 0
    for info in desk_app.registered_commands:
        assert info.callback is not None
        for line in re.findall(r"^ *buswitness (desk .+)$", info.callback.__doc__ or "", re.MULTILINE):
            assert main(shlex.split(line.replace("msb-1.yaml", EXAMPLE.name))) in (0, 1), line
            seen += 1
    capsys.readouterr()
    assert seen >= 11


def test_all_calculations_of_a_map_as_lines_and_as_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    import json

    assert main(["desk", "all", str(EXAMPLE)]) == 0
    shown = capsys.readouterr().out
    assert "FO-1: fibre CV1 - CV2" in shown
    assert "PASS        RS-1: serial line GW1; closest: round, all answering" in shown
    assert "Never look into a fibre" in shown
    assert main(["desk", "all", str(EXAMPLE), "--only", "FO-1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["verdict"], told["lineup"]) == ("buswitness-desk-all/1", "pass", "MSB-2")
    (fibre,) = told["calculations"]
    assert fibre["calculation"] == "fibre"
    assert fibre["name"] == "FO-1"
    # 85 m at 1.5 dB/km and two connections: 0.1275 + 1.5 dB (TIA-568, from memory)
    assert fibre["result"][0]["value"] == pytest.approx(1.6275)


def test_all_of_a_map_without_cabling_and_an_unknown_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    bare = text[: text.index("cabling:")] + text[text.index("devices:") :]
    (tmp_path / "bare.yaml").write_text(bare, encoding="utf-8")
    assert main(["desk", "all", str(tmp_path / "bare.yaml")]) == 2
    assert "the map draws no cabling" in capsys.readouterr().err
    assert main(["desk", "all", str(EXAMPLE), "--only", "F0-1"]) == 2
    assert "did you mean FO-1?" in capsys.readouterr().err
