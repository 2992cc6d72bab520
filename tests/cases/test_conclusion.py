"""What the judge makes of a whole lineup: complete, in order, explained."""

from __future__ import annotations

from typing import Any

import pytest

from probe.judge import conclude, expected, untested_required
from probe.model.finding import Cause, Verdict


def causes_of_kind(result: Any, kind: str) -> list[Cause]:
    return [cause for cause in result.conclusion.causes if cause.kind == kind]


def gateway(**story: Any) -> dict[str, Any]:
    entry = {"tag": "G1", "kind": "gateway", "identity": None, "state": None, "ratings": None}
    return {"device": entry, "profile": "case-gateway", "values": {"requests": 55}, **story}


def unit(number: int, **story: Any) -> dict[str, Any]:
    serial = f"QM-000{number}"
    entry = {"tag": f"U{number}", "address": {"via": "G1", "unit": number}, "identity": {"serial": serial}}
    return {"device": entry, "values": {"serial_number": serial}, **story}


def test_a_healthy_lineup_passes_whole(judge: Any) -> None:
    other = {"values": {"serial_number": "QM-2"}, "device": {"identity": {"serial": "QM-2"}}}
    result = judge({"devices": [{}, other]})
    verdicts = {f.verdict for f in result.conclusion.findings if f.subject != "lineup"}
    assert verdicts == {Verdict.PASS}, [
        f for f in result.conclusion.findings if f.verdict is not Verdict.PASS
    ]
    assert result.conclusion.causes == ()
    assert result.conclusion.untested_required == ()


def test_every_expectation_has_a_finding(judge: Any) -> None:
    silent = {"wire": [{"outcome": "no answer"}]}
    result = judge({"devices": [{}, silent, {"never_reached": True}, {}], "left_out": ["F4"]})
    have = {(f.check, f.subject) for f in result.conclusion.findings}
    due = {(e.check, e.subject) for e in expected(result.lineup, result.scope)}
    assert due <= have
    assert ("reach.answers", "F4") in due


def test_no_evidence_is_never_a_pass(judge: Any) -> None:
    result = judge({"devices": [{"never_reached": True}]})
    of_device = [f for f in result.conclusion.findings if f.subject == "F1"]
    assert of_device
    assert {f.verdict for f in of_device} == {Verdict.NOT_TESTED}
    assert len(result.conclusion.untested_required) > 5


def test_required_of_the_map_decides(judge: Any) -> None:
    result = judge({"devices": [{"never_reached": True, "device": {"required": False}}]})
    assert not [e for e in result.conclusion.untested_required if e.subject == "F1"]


def test_untested_required_sees_a_missing_finding(judge: Any) -> None:
    result = judge({})
    due = expected(result.lineup, result.scope)
    fewer = [f for f in result.conclusion.findings if f.check != "state.breaker"]
    assert [e.check for e in untested_required(fewer, due)] == ["state.breaker"]


def test_findings_stand_in_the_order_of_the_map_and_of_danger(judge: Any) -> None:
    bad = {"values": {"breaker_state": 0, "trip_flags": 1}}
    findings = judge({"devices": [{}, bad]}).conclusion.findings
    subjects = list(dict.fromkeys(f.subject for f in findings))
    assert subjects == ["F1", "F2", "lineup"]
    dangers = [f.danger for f in findings if f.subject == "F2"]
    assert dangers == sorted(dangers, reverse=True)
    assert dangers[0] == 9


def test_a_dead_gateway_is_one_problem(judge: Any) -> None:
    dead = {"silent": True, "connects": ["no answer", "no answer"]}
    devices = [gateway(**dead), *(unit(n, **dead) for n in (1, 2, 3)), {}]
    result = judge({"devices": devices})
    (cause,) = result.conclusion.causes
    assert cause.kind == "gateway"
    assert set(cause.subjects) == {"G1", "U1", "U2", "U3"}
    bad = [f for f in result.conclusion.findings if f.subject in cause.subjects]
    assert {f.cause for f in bad} == {cause.id}
    assert {f.id for f in bad} == set(cause.explains)
    assert "Caution" in cause.fix


def test_a_dead_serial_line_is_not_a_dead_gateway(judge: Any) -> None:
    mute = {"wire": [{"exception": 11}]}
    result = judge({"devices": [gateway(), *(unit(n, **mute) for n in (1, 2, 3))]})
    (cause,) = result.conclusion.causes
    assert cause.kind == "serial line"
    assert set(cause.subjects) == {"U1", "U2", "U3"}


def test_one_dead_unit_blames_nobody_else(judge: Any) -> None:
    mute = {"wire": [{"exception": 11}]}
    result = judge({"devices": [gateway(), unit(1), unit(2, **mute), unit(3)]})
    (cause,) = result.conclusion.causes
    assert (cause.kind, cause.subjects) == ("device silent", ("U2",))


def test_a_dead_network_outranks_its_devices(judge: Any) -> None:
    dead = {"silent": True, "connects": ["no route"]}
    networks = [{"name": "Plant", "subnet": "127.0.0.0/24"}]
    result = judge({"devices": [dead, dead, dead], "map": {"networks": networks}})
    (cause,) = result.conclusion.causes
    assert cause.kind == "network"
    assert "127.0.0.0/24" in cause.statement
    assert "this computer" in cause.fix


def test_a_network_with_one_answer_is_not_dead(judge: Any) -> None:
    dead = {"silent": True, "connects": ["no route"]}
    result = judge({"devices": [dead, dead, dead, {}]})
    assert not causes_of_kind(result, "network")
    assert len(causes_of_kind(result, "device silent")) == 3


def test_swapped_devices_are_one_cause(judge: Any) -> None:
    first = {"values": {"serial_number": "QM-0002"}}
    second = {"device": {"identity": {"serial": "QM-0002"}}}
    result = judge({"devices": [first, second]})
    (cause,) = causes_of_kind(result, "swapped")
    assert cause.subjects == ("F1", "F2")
    assert cause.confidence_permille > 900
    values = [f for f in result.conclusion.findings if f.check.startswith(("values.", "state.", "supply."))]
    assert {f.verdict for f in values} == {Verdict.NOT_TESTED}
    assert {f.cause for f in values} == {cause.id}


def test_one_wrong_profile_explains_its_devices(judge: Any) -> None:
    devices = [
        {"shift": 1, "values": {"serial_number": f"QM-{n}"}, "device": {"identity": {"serial": f"QM-{n}"}}}
        for n in (1, 2)
    ]
    result = judge({"devices": devices})
    (cause,) = causes_of_kind(result, "register map")
    assert cause.subjects == ("F1", "F2")
    assert "+1" in cause.statement


def test_absurd_floats_are_one_cause(judge: Any) -> None:
    words = {101: "0000 43F0", 103: "8000 43F0", 105: "0000 4270", 107: "8000 4354"}
    result = judge({"registers": words})
    (cause,) = causes_of_kind(result, "byte order")
    assert len([name for name in cause.explains if "values.byte_order" in name]) >= 2


def test_clocks_off_alike_are_one_cause(judge: Any) -> None:
    devices = [
        {"clock_s": 3600, "values": {"serial_number": f"Q{n}"}, "device": {"identity": {"serial": f"Q{n}"}}}
        for n in (1, 2, 3)
    ]
    (cause,) = causes_of_kind(judge({"devices": devices}), "time zone")
    assert cause.subjects == ("F1", "F2", "F3")
    assert "1 h ahead" in cause.statement


def test_a_frozen_device_explains_its_doubts(judge: Any) -> None:
    result = judge({"later": {"heartbeat": 40_000, "uptime": 86_400}})
    (cause,) = causes_of_kind(result, "stale")
    doubted = [f for f in result.conclusion.findings if "frozen" in f.title]
    assert doubted
    assert all(f.cause == cause.id for f in doubted)


def test_a_frozen_device_keeps_its_failures(judge: Any) -> None:
    result = judge({"later": {"heartbeat": 40_000, "uptime": 86_400}, "values": {"trip_flags": 1}})
    (alarm,) = result.findings("alarms.present")
    assert alarm.verdict is Verdict.FAIL


def test_an_interrupted_device_is_not_called_silent(judge: Any) -> None:
    result = judge({"wire": [{"outcome": "no answer"}], "stop_after": 1, "interrupted": True})
    assert result.conclusion.causes == ()
    assert Verdict.FAIL not in {f.verdict for f in result.conclusion.findings if f.subject == "F1"}


@pytest.mark.parametrize("story", [{}, {"shift": 1}, {"wire": [{"purpose": "poll", "exception": 2}]}])
def test_judging_twice_gives_the_same(judge: Any, story: dict[str, Any]) -> None:
    assert judge(story).conclusion == judge(story).conclusion


def test_findings_and_causes_name_each_other(judge: Any) -> None:
    dead = {"silent": True, "connects": ["refused"]}
    result = judge({"devices": [dead, {"shift": 1}, {"clock_s": 50}]})
    by_id = {cause.id: cause for cause in result.conclusion.causes}
    for finding in result.conclusion.findings:
        if finding.cause is not None:
            assert finding.id in by_id[finding.cause].explains
    for cause in by_id.values():
        assert 0 < cause.confidence_permille < 1000
        assert "Rests on" in cause.statement or cause.kind in ("swapped", "stale", "wrong profile")


def test_a_gateway_without_path_is_not_a_dead_line(judge: Any) -> None:
    mute = {"wire": [{"exception": 10}]}
    result = judge({"devices": [gateway(), *(unit(n, **mute) for n in (1, 2, 3))]})
    (cause,) = result.conclusion.causes
    assert cause.kind == "gateway path"


def test_a_server_for_all_explains_its_units(judge: Any) -> None:
    server = gateway(absent={9: 55, 246: 55})
    void = {"values": {"map_proof": 55, "serial_number": "?"}}
    (cause,) = judge({"devices": [server, unit(1, **void), unit(2, **void)]}).conclusion.causes
    assert (cause.kind, set(cause.subjects)) == ("one for all", {"G1", "U1", "U2"})


def test_late_replies_are_not_losses(judge: Any) -> None:
    story = {"wire": [{"purpose": "poll", "outcome": "no answer"}], "strays": ["late", "late", "late"]}
    (cause,) = causes_of_kind(judge(story), "late replies")
    assert "reach.loss@F1" in cause.explains


def test_voltages_off_by_one_factor_are_one_cause(judge: Any) -> None:
    result = judge({"values": {"voltage_ab": 4800, "voltage_bc": 4815}})
    (cause,) = causes_of_kind(result, "scale")
    assert len(cause.explains) == 4
    assert "10 times too large" in cause.statement


def test_no_voltage_explains_what_needs_voltage(judge: Any) -> None:
    (cause,) = judge({"values": {"voltage_ab": 0, "voltage_bc": 0, "frequency": 0}}).conclusion.causes
    assert cause.kind == "no voltage"
    assert "supply.frequency@F1" in cause.explains


def test_a_restart_explains_its_counters(judge: Any) -> None:
    (cause,) = causes_of_kind(judge({"later": {"uptime": 1, "energy": 0}}), "restart")
    assert cause.explains == ("motion.restart@F1#uptime", "motion.jump@F1#energy")


def test_a_reachable_device_without_values_is_one_cause(judge: Any) -> None:
    (cause,) = judge({"wire": [{"exception": 2}]}).conclusion.causes
    assert cause.kind == "no usable replies"


def test_a_step_seen_after_the_judgement_voids_the_skew(judge: Any) -> None:
    """Devices are judged while the run goes on; the step shows at its end."""
    before, after = judge({}), judge({"run": {"step_s": 5}})
    assert [f.verdict for f in before.findings("clock.skew")] == [Verdict.PASS]
    conclusion = conclude(before.lineup, before.scope, before.judgements, after.run)
    (skew,) = [f for f in conclusion.findings if f.check == "clock.skew"]
    assert (skew.verdict, "stepped" in skew.title) == (Verdict.NOT_TESTED, True)


@pytest.mark.parametrize(
    ("check", "story"),
    [
        ("clock.skew", {"clock_series": [[0.3, 0], [1.3, 1], [2.3, 3602], [3.3, 3603], [4.3, 3604]]}),
        ("clock.skew", {"clock_shows": 4000}),
        (
            "clock.drift",
            {"clock_series": [[0.3, 0], [20.3, 20], [40.3, 41], [60.3, 61], [80.3, 82], [100.3, 102]]},
        ),
    ],
    ids=["jumped", "never set", "drift"],
)
def test_a_step_seen_late_voids_whatever_rests_on_our_time(
    judge: Any, check: str, story: dict[str, Any]
) -> None:
    """The computer may have slept, its monotonic time with it: then every clock seems to have jumped."""
    before, after = judge(story), judge({**story, "run": {"step_s": 5}})
    (was,) = before.findings(check)
    assert was.verdict is Verdict.FAIL
    concluded = conclude(before.lineup, before.scope, before.judgements, after.run)
    (now,) = [finding for finding in concluded.findings if finding.check == check]
    assert now.verdict is Verdict.NOT_TESTED
    assert all(one.state is None for one in concluded.clocks)


def test_a_step_seen_before_the_judgement_voids_the_skew(judge: Any) -> None:
    (finding,) = [
        f for f in judge({"run": {"step_s": 5}}).judgements["F1"].findings if f.check == "clock.skew"
    ]
    assert finding.verdict is Verdict.NOT_TESTED


def test_a_stopped_clock_is_stopped_whatever_our_own_does(judge: Any) -> None:
    result = judge({"clock_shows": 1773480413, "clock_stopped": True, "run": {"step_s": 5}})
    assert [f.verdict for f in result.findings("clock.skew")] == [Verdict.FAIL]


@pytest.mark.parametrize(
    ("run", "kind"),
    [({"reference": {"unusable": "stratum 16"}}, "reference clock"), ({"step_s": 9}, "clock step")],
)
def test_what_keeps_all_clocks_untested_is_one_cause(judge: Any, run: dict[str, Any], kind: str) -> None:
    other = {"values": {"serial_number": "QM-2"}, "device": {"identity": {"serial": "QM-2"}}}
    result = judge({"devices": [{}, other], "run": run})
    (cause,) = result.conclusion.causes
    assert cause.kind == kind
    assert {"clock.skew@F1", "clock.skew@F2"} <= set(cause.explains)
