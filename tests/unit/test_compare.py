"""What counts as changed between two records, and what is noise: hand-made records of one lineup."""

from __future__ import annotations

import random
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.judge.two_samples import FEWEST
from probe.model.evidence import JUDGED, Anchor, Exchange, Framing, Note, Outcome, Purpose
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_load import load_lineup
from probe.model.scope import Scope
from probe.record import joining
from probe.record.compare import Change, Comparison, compare
from probe.record.content import RecordContent, load
from probe.record.header import Header
from probe.record.writer import RecordWriter

MAP = b"""\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - tag: MTR-1
    kind: meter
    profile: sunspec-203
    section: Main
    address: {host: 127.0.0.1, port: 15020, unit: 1}
  - tag: MTR-2
    kind: meter
    profile: sunspec-203
    section: Feeder
    address: {host: 127.0.0.1, port: 15021, unit: 1}
"""
MS = 1_000_000


@pytest.fixture(scope="module")
def lineup() -> Lineup:
    return load_lineup("map.yaml", lambda _: MAP, open_library())[0]


@dataclass
class Run:
    """What a hand-made record is to hold. replies_ms: of polls of MTR-1; firmware: as its meter says it;
    values: registers of further points; done: whether MTR-1 was judged; day: of its start.
    """

    replies_ms: Sequence[float] = ()
    lost: int = 0
    firmware: str = "1.2.0"
    serial: str = "QM-77"
    findings: tuple[Finding, ...] = ()
    tags: tuple[str, ...] = ("MTR-1", "MTR-2")
    values: Mapping[str, bytes] = field(default_factory=dict)
    done: bool = True
    day: int = 0


def _exchange(
    purpose: Purpose, at_ms: float, reply_ms: float, start: int, data: bytes, outcome: Outcome
) -> Exchange:
    count = max(len(data) // 2, 1)
    response = struct.pack(">HHHBBB", 1, 0, 3 + len(data), 1, 3, len(data)) + data if data else b""
    return Exchange(
        "MTR-1",
        purpose,
        Framing.MBAP,
        0,
        1,
        int(at_ms * MS),
        int((at_ms + reply_ms) * MS),
        outcome,
        0,
        struct.pack(">HHHBBHH", 1, 0, 6, 1, 3, start, count),
        response,
    )


def _content(path: Path, lineup: Lineup, run: Run) -> RecordContent:
    others = tuple(device.tag for device in lineup.map.devices if device.tag not in run.tags)
    scope = Scope(tags=run.tags, left_out=others)
    writer = RecordWriter.create(path, Header.of(lineup, scope, tool_version="0", started_wall_ns=0))
    writer.keep(Anchor(0, run.day * 86_400_000_000_000))
    profile = lineup.profile_of(lineup.map.by_tag["MTR-1"])
    said = {"firmware": run.firmware, "serial": run.serial}
    places = {name: at for name, at in profile.identity.points.items() if name in said}
    values = {at: profile.by_name[at].decoder.encode(said[name]) for name, at in places.items()}
    for name, data in {**values, **run.values}.items():
        writer.keep(_exchange(Purpose.IDENTITY, 1, 2, profile.by_name[name].start, data, Outcome.DATA))
    for number, reply_ms in enumerate(run.replies_ms):
        writer.keep(_exchange(Purpose.POLL, 10 * number, reply_ms, 40_000, bytes(4), Outcome.DATA))
    for number in range(run.lost):
        writer.keep(_exchange(Purpose.POLL, 5000 + number, 1000, 40_000, b"", Outcome.NO_ANSWER))
    if run.done:
        writer.keep(Note(9000 * MS, JUDGED, "MTR-1"))
    writer.conclude(run.findings, ())
    writer.seal(complete=True, reason="")
    return load(path)


@pytest.fixture
def record(tmp_path: Path, lineup: Lineup):  # type: ignore[no-untyped-def]
    def make(run: Run, of: Lineup = lineup) -> RecordContent:
        return _content(tmp_path / f"{len(list(tmp_path.iterdir()))}.audit.jsonl", of, run)

    return make


@pytest.fixture
def comparison(record, lineup: Lineup):  # type: ignore[no-untyped-def]
    def between(before: Run, after: Run, old: Lineup = lineup, new: Lineup = lineup) -> Comparison:
        return compare(record(before, old), record(after, new))

    return between


@pytest.fixture
def changes(comparison):  # type: ignore[no-untyped-def]
    def between(before: Run, after: Run) -> list[Change]:
        return list(comparison(before, after).changes)

    return between


def _lineup(text: bytes, name: str = "map.yaml") -> Lineup:
    return load_lineup(name, lambda _: text, open_library())[0]


def _finding(verdict: Verdict, observed: str = "", uncertainty: str = "") -> Finding:
    return Finding(
        check="clock.skew",
        subject="MTR-1",
        verdict=verdict,
        title="Clock",
        observed=observed,
        uncertainty=uncertainty,
        unit="s",
    )


def _replies(seed: int, many: int, middle: float) -> list[float]:
    dice = random.Random(seed)
    return [max(0.1, dice.gauss(middle, 2.0)) for _ in range(many)]


def test_nothing_changed(changes) -> None:  # type: ignore[no-untyped-def]
    run = Run(replies_ms=_replies(1, 30, 20), findings=(_finding(Verdict.PASS, "0.1", "0.5"),))
    assert changes(run, run) == []


def test_what_did_not_change_is_counted_by_kind(comparison, lineup: Lineup) -> None:  # type: ignore[no-untyped-def]
    """MTR-2 was never asked: nothing of it is counted as the same."""
    run = Run(
        replies_ms=_replies(1, 30, 20),
        findings=(_finding(Verdict.PASS, "0.1", "0.5"), _finding(Verdict.FAIL)._replace(check="a.b")),
        values={"device_address": b"\0\1"},
    )
    found = comparison(run, run)
    assert found.same == {
        "map": 1,
        "profile": len(lineup.profile_texts),
        "identity": 2,
        "setting": 1,
        "reply time": 1,
        "lost requests": 1,
        "value": 1,
        "verdict": 1,
    }
    assert (found.untold, found.is_worse) == ((), False)


def test_the_chance_of_a_mistake_is_shared_among_devices_and_tests(comparison) -> None:  # type: ignore[no-untyped-def]
    """Bonferroni's correction (common practice): 1 % over two devices and two tests each."""
    assert comparison(Run(), Run()).level == pytest.approx(0.01 / 4)
    assert comparison(Run(tags=("MTR-1",)), Run(tags=("MTR-1",))).level == pytest.approx(0.01 / 2)


def test_only_what_should_worry_makes_a_comparison_worse(comparison) -> None:  # type: ignore[no-untyped-def]
    better = comparison(Run(findings=(_finding(Verdict.FAIL),)), Run(findings=(_finding(Verdict.PASS),)))
    nobody = comparison(Run(), Run(tags=("MTR-1",)))
    worse = comparison(Run(findings=(_finding(Verdict.PASS),)), Run(findings=(_finding(Verdict.FAIL),)))
    assert [len(one.changes) for one in (better, nobody, worse)] == [1, 1, 1]
    assert (better.is_worse, nobody.is_worse, worse.is_worse) == (False, False, True)


def test_a_setting_that_changed_should_worry(changes) -> None:  # type: ignore[no-untyped-def]
    """A device address is a setting; one side without a reading says nothing."""
    one, two = Run(values={"device_address": b"\0\1"}), Run(values={"device_address": b"\0\2"})
    (found,) = changes(one, two)
    assert (found.kind, found.subject, found.before, found.after) == ("setting", "MTR-1", "1", "2")
    assert found.worse is True
    assert changes(one, Run()) == changes(Run(), two) == []


def test_settings_have_units_and_a_state_may_change(comparison) -> None:  # type: ignore[no-untyped-def]
    other = _lineup(MAP.replace(b"sunspec-203", b"meter-integer"))
    before = Run(values={"ct_primary": (1600).to_bytes(2, "big"), "alarm_flags": bytes(2)})
    after = Run(values={"ct_primary": (2000).to_bytes(2, "big"), "alarm_flags": b"\0\1"})
    found = {one.kind: one for one in comparison(before, after, other, other).changes}
    assert set(found) == {"setting", "state"}
    assert (found["setting"].before, found["setting"].after) == ("1600 A", "2000 A")
    assert (found["setting"].worse, found["state"].worse) == (True, None)


def test_another_map_text_is_told_by_its_hash_and_its_folder_is_not(comparison, lineup: Lineup) -> None:  # type: ignore[no-untyped-def]
    other = _lineup(MAP + b"# revision C\n")
    (found,) = comparison(Run(), Run(), lineup, other).changes
    assert (found.kind, found.subject, found.what) == ("map", "map.yaml", "map text")
    assert found.before == f"SHA-256 {lineup.map_texts[0].sha256[:12]}"
    assert found.after == f"SHA-256 {other.map_texts[0].sha256[:12]}"
    for name in ("sites/north/map.yaml", "sites\\north\\map.yaml"):
        assert comparison(Run(), Run(), lineup, _lineup(MAP, name)).changes == ()


def test_a_profile_that_only_one_record_needed_is_told(comparison, lineup: Lineup) -> None:  # type: ignore[no-untyped-def]
    other = _lineup(MAP.replace(b"sunspec-203", b"meter-float", 1))
    tags = Run(tags=("MTR-2",))
    found = [one for one in comparison(tags, tags, lineup, other).changes if one.kind == "profile"]
    assert [(one.before, one.after[:8]) for one in found] == [("not there", "SHA-256 ")]


def test_other_firmware_and_another_device_are_told(changes) -> None:  # type: ignore[no-untyped-def]
    found = changes(Run(), Run(firmware="1.3.0", serial="QM-78"))
    assert {(c.kind, c.what, c.before, c.after, c.worse) for c in found} == {
        ("identity", "firmware", "1.2.0", "1.3.0", True),
        ("identity", "serial", "QM-77", "QM-78", True),
    }


@pytest.mark.parametrize("seed", range(5))
def test_noise_in_reply_times_is_no_change(changes, seed: int) -> None:  # type: ignore[no-untyped-def]
    assert (
        changes(Run(replies_ms=_replies(seed, 40, 20)), Run(replies_ms=_replies(seed + 50, 40, 20.3))) == []
    )


def test_a_slower_device_is_a_change_with_its_test_named(changes) -> None:  # type: ignore[no-untyped-def]
    (found,) = changes(Run(replies_ms=_replies(1, 40, 20)), Run(replies_ms=_replies(2, 40, 35)))
    assert (found.kind, found.worse) == ("reply time", True)
    assert "rank-sum" in found.test
    (found,) = changes(Run(replies_ms=_replies(1, 40, 35)), Run(replies_ms=_replies(2, 40, 20)))
    assert found.worse is False


def test_a_certain_but_tiny_shift_is_not_worth_telling(changes) -> None:  # type: ignore[no-untyped-def]
    many = [20 + 0.001 * n for n in range(300)]
    assert changes(Run(replies_ms=many), Run(replies_ms=[value + 1.0 for value in many])) == []


@pytest.mark.parametrize(
    ("before_ms", "after_ms", "told"),
    [
        (5.0, 7.0, False),  # 2 ms are not more than 2 ms
        (5.0, 7.25, True),
        (20.0, 24.0, False),  # a fifth is not more than a fifth
        (20.0, 24.25, True),
        (20.0, 22.5, False),  # more than 2 ms, but not more than a fifth
    ],
)
def test_how_much_slower_is_worth_telling(  # type: ignore[no-untyped-def]
    changes, before_ms: float, after_ms: float, told: bool
) -> None:
    found = changes(Run(replies_ms=[before_ms] * 40), Run(replies_ms=[after_ms] * 40))
    assert [one.kind for one in found] == (["reply time"] if told else [])


def test_a_slowing_is_told_with_both_medians_and_their_shift(changes) -> None:  # type: ignore[no-untyped-def]
    before = Run(replies_ms=[10.0] * 20 + [20.0] + [30.0] * 20)
    after = Run(replies_ms=[40.0] * 20 + [50.0] + [60.0] * 20)
    (found,) = changes(before, after)
    assert found.before == "20.0 ms (41 values)"
    assert found.after.startswith("50.0 ms (41 values), shift +30.0 ms (")
    assert "chance less than 0.0025" in found.test


def test_too_few_replies_are_not_compared_and_that_is_said(comparison) -> None:  # type: ignore[no-untyped-def]
    few, enough = Run(replies_ms=[20.0] * (FEWEST - 1)), Run(replies_ms=[80.0] * FEWEST)
    for a, b in ((few, enough), (enough, few)):
        found = comparison(a, b)
        assert [one.kind for one in found.changes] == []
        assert found.untold == (f"reply time of MTR-1: fewer than {FEWEST} values on a side",)
    for a, b in ((Run(), enough), (enough, Run())):
        assert comparison(a, b).untold == (), "without any values there was nothing to compare"


def test_only_polls_answered_at_once_tell_the_reply_time(record, lineup: Lineup) -> None:  # type: ignore[no-untyped-def]
    """A second attempt or another purpose has another course: it must not make a device look slow."""
    usual = record(Run(replies_ms=[20.0] * 40))
    for field_, value in (("attempt", 2), ("purpose", Purpose.CLOCK), ("outcome", Outcome.EXCEPTION)):
        slow = _exchange(Purpose.POLL, 6000, 900, 40_000, bytes(4), Outcome.DATA)
        more = tuple((900 + n, slow._replace(**{field_: value})) for n in range(60))  # type: ignore[arg-type]
        other = replace(usual, evidence={**usual.evidence, Exchange: (*usual.evidence[Exchange], *more)})
        assert [one.kind for one in compare(usual, other).changes] == [], field_


def test_a_few_lost_requests_are_noise_and_many_are_not(changes) -> None:  # type: ignore[no-untyped-def]
    good = _replies(1, 100, 20)
    assert changes(Run(replies_ms=good), Run(replies_ms=good, lost=3)) == []
    (found,) = changes(Run(replies_ms=good), Run(replies_ms=good, lost=20))
    assert (found.kind, found.worse, "Fisher" in found.test) == ("lost requests", True, True)
    assert (found.before, found.after) == ("0 % (0 of 102)", "16 % (20 of 122)")
    (found,) = changes(Run(replies_ms=good, lost=20), Run(replies_ms=good))
    assert found.worse is False


@pytest.mark.parametrize(
    ("before", "after", "changed"),
    [
        (("0.10", "0.05"), ("0.14", "0.05"), False),
        (("0.10", "0.02"), ("0.14", "0.02"), False),  # they just touch
        (("0.10", "0.01"), ("0.14", "0.01"), True),
        (("0.10", ""), ("0.90", "0.01"), False),  # without an uncertainty nothing is said of noise
        (("none", "0.01"), ("0.90", "0.01"), False),
        (("NaN", "0.01"), ("0.90", "0.01"), False),  # numbers only by name
        (("0.10", "Infinity"), ("0.90", "0.01"), False),
        (("0.90", "0.01"), ("0.10", "0.01"), True),
    ],
)
def test_a_value_changed_when_the_intervals_do_not_touch(  # type: ignore[no-untyped-def]
    changes, before: tuple[str, str], after: tuple[str, str], changed: bool
) -> None:
    a, b = Run(findings=(_finding(Verdict.PASS, *before),)), Run(findings=(_finding(Verdict.PASS, *after),))
    assert [c.kind for c in changes(a, b)] == (["value"] if changed else [])


def test_a_value_is_told_with_its_uncertainty_and_only_in_the_same_unit(changes) -> None:  # type: ignore[no-untyped-def]
    a, b = _finding(Verdict.PASS, "0.10", "0.01"), _finding(Verdict.PASS, "0.90", "0.02")
    (found,) = changes(Run(findings=(a,)), Run(findings=(b,)))
    assert (found.before, found.after, found.worse) == ("0.10 ± 0.01 s", "0.90 ± 0.02 s", None)
    assert changes(Run(findings=(a,)), Run(findings=(b._replace(unit="ms"),))) == []


@pytest.mark.parametrize(
    ("before", "after", "worse"),
    [
        (Verdict.PASS, Verdict.FAIL, True),
        (Verdict.FAIL, Verdict.PASS, False),
        (Verdict.PASS, Verdict.NOT_TESTED, True),
        (Verdict.REVIEW, Verdict.PASS, False),
    ],
)
def test_verdicts(changes, before: Verdict, after: Verdict, worse: bool) -> None:  # type: ignore[no-untyped-def]
    (found,) = changes(Run(findings=(_finding(before),)), Run(findings=(_finding(after),)))
    assert (found.kind, found.what, found.worse) == ("verdict", "clock.skew@MTR-1", worse)


def test_a_finding_that_came_and_one_that_went(changes) -> None:  # type: ignore[no-untyped-def]
    alarm = Finding(
        check="alarms.present", subject="MTR-1", verdict=Verdict.FAIL, title="Alarm", point="overload"
    )
    (came,) = changes(Run(), Run(findings=(alarm,)))
    assert came.worse is True
    (went,) = changes(Run(findings=(alarm,)), Run())
    assert (went.worse, "not looked at" in went.after) == (False, True)


def test_devices_that_came_and_went(changes) -> None:  # type: ignore[no-untyped-def]
    gone = changes(Run(), Run(tags=("MTR-1",)))
    assert [(c.kind, c.subject, c.after) for c in gone] == [("device", "MTR-2", "left out by the user")]
    came = changes(Run(tags=("MTR-1",)), Run())
    assert [(c.kind, c.subject, c.after) for c in came] == [("device", "MTR-2", "tested")]


def test_devices_that_the_other_map_does_not_have(comparison, lineup: Lineup) -> None:  # type: ignore[no-untyped-def]
    one = _lineup(MAP.partition(b"  - tag: MTR-2")[0])
    whole, part = Run(), Run(tags=("MTR-1",))
    gone = [c for c in comparison(whole, part, lineup, one).changes if c.kind == "device"]
    assert [(c.subject, c.before, c.after) for c in gone] == [("MTR-2", "tested", "not in the map")]
    came = [c for c in comparison(part, whole, one, lineup).changes if c.kind == "device"]
    assert [(c.subject, c.before, c.after) for c in came] == [("MTR-2", "not in the map", "tested")]


def test_verdicts_on_a_device_that_came_or_went_are_told_with_it_and_those_on_the_lineup_by_themselves(  # type: ignore[no-untyped-def]
    changes,
) -> None:
    for subject, told in (("MTR-2", ["device"]), ("lineup", ["device", "verdict"])):
        failed = _finding(Verdict.FAIL)._replace(subject=subject)
        passed = _finding(Verdict.PASS)._replace(subject=subject)
        a, b = Run(findings=(failed,)), Run(findings=(passed,), tags=("MTR-1",))
        assert [c.kind for c in changes(a, b)] == told
        assert [c.kind for c in changes(b, a)] == told


def test_a_finding_by_another_name_is_told_with_what_the_check_says_as_a_whole(changes) -> None:  # type: ignore[no-untyped-def]
    alarm = _finding(Verdict.FAIL, "overload")._replace(check="alarms.present", point="a1", unit="")
    calm = alarm._replace(point="", verdict=Verdict.PASS, observed="")
    other = _finding(Verdict.FAIL)  # of another check: it says nothing of this one
    (went,) = changes(Run(findings=(alarm, other)), Run(findings=(calm, other)))
    assert (went.what, went.worse) == ("alarms.present@MTR-1#a1", False)
    assert went.before == "fail, Clock: overload"
    assert went.after == "this is not among what was found (alarms.present as a whole: pass)"
    (came,) = changes(Run(findings=(calm,)), Run(findings=(alarm,)))
    assert (came.before, came.after, came.worse) == (went.after, went.before, True)


def test_what_came_to_be_looked_at_is_news_but_no_worry_and_a_pass_is_none(changes) -> None:  # type: ignore[no-untyped-def]
    (found,) = changes(Run(), Run(findings=(_finding(Verdict.REVIEW),)))
    assert (found.kind, found.worse) == ("verdict", False)
    assert changes(Run(), Run(findings=(_finding(Verdict.PASS),))) == []


@pytest.mark.parametrize(("done", "firmware"), [(True, "1.3.0"), (False, "1.2.0")])
def test_of_a_merged_record_the_last_run_that_got_the_device_done_counts(  # type: ignore[no-untyped-def]
    tmp_path: Path, record, lineup: Lineup, done: bool, firmware: str
) -> None:
    """A retest that was cut off before the device was judged says nothing of it."""
    verdict = _finding(Verdict.FAIL)
    for number, run in enumerate((Run(), Run(firmware="1.3.0", done=done, day=1))):
        _content(tmp_path / f"part-{number}.audit.jsonl", lineup, replace(run, findings=(verdict,)))
    joined = joining.gather(sorted(tmp_path.glob("part-*")))
    header = replace(joined.last, sources=joining.sources_of(joined))
    writer = RecordWriter.create(tmp_path / "merged.audit.jsonl", header)
    joining.write(writer, joined)
    merged = load(writer.path)
    assert len(merged.runs) == 2
    now = record(Run(firmware="1.4.0", findings=(verdict,)))
    assert [(c.kind, c.before, c.after) for c in compare(merged, now).changes] == [
        ("identity", firmware, "1.4.0")
    ]
