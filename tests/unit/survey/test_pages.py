"""What a survey shows: page within 80 columns, map lines that load, words of evidence, JSON."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from probe.collect.events import AuditResult, RunPlan
from probe.model.device_map import Device, DeviceMap
from probe.model.lineup import Lineup
from probe.model.network_evidence import OwnInterface
from probe.model.scope import Scope, SurveyScope
from probe.present import survey_machine, survey_page
from probe.present.network_words import network_words
from probe.present.signs import signs_for
from probe.present.survey_proposal import proposal

CASES = Path(__file__).parents[2] / "cases"
HOSTILE = "\x1b[31m'x: [\u202e{\n"


def story() -> Any:
    spec = importlib.util.spec_from_file_location("survey_story", CASES / "survey_story.py")
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules.setdefault("survey_story", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(module)
    return module


def device(number: int) -> dict[str, Any]:
    return {
        "tag": f"F{number}",
        "kind": "meter",
        "profile": "meter-float",
        "section": "A",
        "address": {"host": f"10.20.1.{10 + number}"},
    }


def result(**told: Any) -> AuditResult:
    """A survey as the cases tell it, over two meters of which the second is silent."""
    usual = {
        "arp": ["10.20.1.11 11", "10.20.1.50 50"],
        "modbus": {"10.20.1.50": ["Quellmark", "QM-5", "1.4"]},
    }
    told = {
        **story().USUAL,
        **usual,
        "lldp": [{}],
        "stp": [{}],
        "dcp": [{"hw": 11, "ip": "10.20.1.11"}],
        "talks": ["11 9 modbus 5"],
        **told,
    }
    text = {
        "format": "buswitness-map/1",
        "site": "Tarn Hollow Water Works",
        "lineup": "MSB-1",
        "system": {"voltage_v": 480, "frequency_hz": 60},
        "networks": [{"name": "control", "subnet": "10.20.1.0/24"}],
        "devices": [device(1), device(2)],
    }
    lineup = Lineup(map=DeviceMap.model_validate(text), profiles={}, map_texts=(), profile_texts=())
    return AuditResult(
        lineup=lineup,
        scope=Scope(tags=("F1", "F2"), survey=SurveyScope(interface="eth0", ranges=("10.20.1.0/24",))),
        started_wall_ns=0,
        finished_wall_ns=1,
        complete=True,
        why_incomplete="",
        findings=(),
        causes=(),
        requests=0,
        network=tuple(enumerate(story().evidence(told), start=10)),
    )


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_page_stays_within_its_columns(width: int) -> None:
    made = result(modbus={"10.20.1.50": ["Q" * 90, "QM-5", "1.4"]})
    plan = RunPlan(lineup=made.lineup, scope=made.scope, requests=2, seconds=9.0, expectations=())
    signs = signs_for("utf-8", "xterm")
    rows = survey_page.opening(plan, width, record="x.audit.jsonl", signature="nobody")
    if width >= 80:
        rows += survey_page.found_rows(made, width, signs)
    assert rows
    for row in rows:
        assert row.width <= width, row.text


def test_the_page_names_who_is_there_and_who_is_not() -> None:
    text = "\n".join(row.text for row in survey_page.found_rows(result(), 100, signs_for("ascii", "dumb")))
    assert "10.20.1.11       02:00:5e:00:00:11  F1" in text
    assert "F2 (missing)" in text
    assert "not on the map: Quellmark, QM-5, 1.4" in text
    assert "SW-1 port p1" in text
    assert "F1 (02:00:5e:00:00:11) to this computer: modbus, 5 frames" in text


def test_a_large_network_is_told_in_a_bounded_page() -> None:
    arp = [
        "10.20.1.11 11",
        *(f"10.21.{n >> 8}.{n & 255} 02:00:5e:01:{n >> 8:02x}:{n & 255:02x}" for n in range(900)),
    ]
    made = result(arp=arp, modbus={})
    rows = survey_page.found_rows(made, 80, signs_for("ascii", "dumb"))
    assert len(rows) < 100
    assert "and 840 further addresses" in "\n".join(row.text for row in rows)
    assert len(survey_page._proposal_rows(proposal(made), "", 80)) < 5


def test_who_was_not_asked_is_not_called_missing() -> None:
    text = "\n".join(
        row.text for row in survey_page.found_rows(result(sweep=None), 100, signs_for("ascii", ""))
    )
    assert "missing" not in text


def test_proposed_lines_are_devices_once_the_blanks_are_filled() -> None:
    document = yaml.safe_load(proposal(result()))
    (entry,) = document["devices"]
    assert entry["tag"] == "NEW-10-20-1-50"
    assert (entry["profile"], entry["section"]) == ("?", "?")
    made = Device.model_validate({**entry, "profile": "meter-float", "section": "A"})
    assert str(made.address.host) == "10.20.1.50"
    assert made.hardware_address == "02:00:5e:00:00:50"
    assert (made.identity.maker, made.identity.model, made.identity.firmware) == ("Quellmark", "QM-5", "1.4")


def test_a_hostile_name_neither_breaks_the_lines_nor_the_terminal() -> None:
    made = result(modbus={"10.20.1.50": [HOSTILE, HOSTILE, "1"]})
    text = proposal(made)
    (entry,) = yaml.safe_load(text)["devices"]
    assert entry["identity"]["maker"] == "?[31m'x: [?{"
    page = "".join(row.text for row in survey_page.found_rows(made, 100, signs_for("utf-8", "xterm")))
    for shown in (text, page):
        assert "\x1b" not in shown
        assert "\u202e" not in shown


def test_no_stranger_no_lines() -> None:
    assert proposal(result(arp=["10.20.1.11 11"], modbus={})) == ""


def test_the_object_holds_what_was_seen() -> None:
    found = survey_machine.network(result(arp=["10.20.1.11 11", "10.20.1.11 99"], modbus={}))
    json.dumps(found, allow_nan=False)
    assert found["conflicts"] == ["10.20.1.11"]
    assert found["hosts"][0]["hardware_addresses"] == ["02:00:5e:00:00:11", "02:00:5e:00:00:99"]
    assert found["hosts"][0]["tags"] == ["F1"]
    assert found["neighbours"][0]["name"] == "SW-1"
    assert found["root"] == "32768.02:00:5e:00:00:01"
    assert found["stations"][0]["name"] == "io-1"


def test_every_kind_of_evidence_has_words() -> None:
    told = {
        "secrets": [{"protocol": "FTP", "what": "password"}],
        "services": ["10.20.1.11 telnet offered"],
        "forwarding": ["SW-1 11 p3"],
        "ntp": [{}], "ptp": [21], "dhcp": ["10.20.1.1 10.20.1.9"], "ra": ["fe80::1"],
    }  # fmt: skip
    words = [
        network_words(one)
        for _, one in result(**told).network
        if type(one).__module__.endswith("network_evidence")
    ]
    text = "\n".join(words)
    for part in (
        "own interface eth0: 10.20.1.9/24",
        "10.20.1.11 is at 02:00:5e:00:00:11",
        "SW-1, port p1, for 120 s",
        "stratum 2",
        "offer of 10.20.1.9 by 10.20.1.1",
        "asked by arp on eth0: 10.20.1.1 to 10.20.1.254, 254 addresses",
        "FTP password in the clear",
        "telnet at 10.20.1.11:23: offered",
        "SW-1 has 02:00:5e:00:00:11 behind port p3",
        "listened on eth0 for 40.0 s: 500 frames",
    ):
        assert part in text, text
    assert network_words(OwnInterface(0, "lo", "", "", False, 0, "", "loopback", False)).endswith(
        "loopback, down"
    )
