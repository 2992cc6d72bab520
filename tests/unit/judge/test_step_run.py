"""What became of a step by what people said, and how a device that falls silent is followed.

Every rule: common practice, no source.
"""

from __future__ import annotations

import pytest

from probe.collect.inputs import open_library
from probe.judge.witness.sense import Sense
from probe.judge.witness.step_run import Runs, StepRun
from probe.judge.witness.track import ANSWERS, Track
from probe.model.evidence import (
    AnswerTopic,
    Connect,
    ConnectOutcome,
    Exchange,
    Framing,
    OperatorAnswer,
    Outcome,
    Purpose,
)

KEY = ("trial", "open", "F1")
SECOND = 1_000_000_000


def answer(topic: AnswerTopic, at_s: float = 1, **fields: str) -> OperatorAnswer:
    usual = {"sheet": "trial", "item": "open", "part": "", "tag": "F1", "question": "", "said": ""}
    told = usual | {"initials": "AB", "remark": ""} | fields
    return OperatorAnswer(at_ns=round(at_s * SECOND), round=1, topic=topic, **told)  # type: ignore[arg-type]


def after(*topics: AnswerTopic) -> StepRun:
    runs = Runs()
    for number, topic in enumerate(topics, 1):
        runs.take(number, answer(topic, number, part="p", said="s"))
    last = runs.last(KEY)
    assert last is not None
    return last


T = AnswerTopic


@pytest.mark.parametrize(
    ("topics", "state", "over"),
    [
        ([T.BEGUN], "begun", False),
        ([T.BEGUN, T.READY], "watched", False),
        ([T.BEGUN, T.READY, T.DONE], "done", False),
        ([T.BEGUN, T.READY, T.DONE, T.ENDED], "ended", True),
        ([T.BEGUN, T.READY, T.STOPPED], "stopped", True),
        ([T.BEGUN, T.SKIPPED], "skipped", True),
        ([T.BEGUN, T.READY, T.ENDED, T.BEGUN], "begun", False),  # a repeated step begins anew
    ],
)
def test_how_far_a_step_has_come(topics: list[AnswerTopic], state: str, over: bool) -> None:
    run = after(*topics)
    assert (run.state, run.is_over) == (state, over)
    assert run.round == topics.count(T.BEGUN)


def test_cautions_count_before_the_go_only() -> None:
    run = after(T.BEGUN, T.ACKNOWLEDGED, T.READY)
    assert (run.acknowledged, run.late_acknowledged) == ({"p"}, set())
    run = after(T.BEGUN, T.READY, T.ACKNOWLEDGED)
    assert (run.acknowledged, run.late_acknowledged) == (set(), {"p"})


def test_times_numbers_and_names_are_kept() -> None:
    run = after(T.BEGUN, T.READY, T.DONE, T.CONFIRMED, T.REMARK, T.ENDED)
    times = (run.begun_ns, run.ready_ns, run.done_ns, run.ended_ns)
    assert times == tuple(n * SECOND for n in (1, 2, 3, 6))
    assert run.sequences == [1, 2, 3, 4, 5, 6]
    assert (run.by, list(run.confirmed), run.remarks) == ("AB", ["p"], ["s"])


def test_who_spoke_last_is_named_and_silence_names_nobody() -> None:
    runs = Runs()
    runs.take(1, answer(T.BEGUN))
    runs.take(2, answer(T.READY, initials="CD"))
    run = runs.take(3, answer(T.DONE, initials=""))
    assert run is not None
    assert run.by == "CD"


def test_a_skip_without_a_reason_says_so() -> None:
    runs = Runs()
    run = runs.take(1, answer(T.SKIPPED))
    assert run is not None
    assert run.skipped == "no reason given"


def test_a_caution_of_the_whole_procedure_belongs_to_no_step() -> None:
    runs = Runs()
    assert runs.take(1, answer(T.ACKNOWLEDGED, item="", part="general")) is None
    assert runs.take(2, answer(T.REMARK, item="", part="other")) is None
    assert runs.acknowledged == {("trial", "general")}
    assert runs.last(KEY) is None


# a device that falls silent ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sense() -> Sense:
    return Sense(open_library().get("trip-unit-second"))


def asked(at_s: float, outcome: Outcome, code: int = 0) -> Exchange:
    sent = round(at_s * SECOND)
    request = bytes.fromhex("0001 0000 0006 ff 03 0000 0001")
    reply = bytes.fromhex("0001 0000 0005 ff 03 02 0000") if outcome is Outcome.DATA else b""
    return Exchange(
        "F1", Purpose.WITNESS, Framing.MBAP, 0, 1, sent, sent + SECOND // 100, outcome, code, request, reply
    )


def followed(sense: Sense, *told: Exchange | Connect) -> Track:
    track = Track("F1", sense, 0)
    for number, one in enumerate(told, 1):
        (track.take_connect if isinstance(one, Connect) else track.take)(number, one)  # type: ignore[arg-type]
    return track


def test_one_miss_is_noise_and_two_are_silence(sense: Sense) -> None:
    one = followed(sense, asked(1, Outcome.DATA), asked(2, Outcome.NO_ANSWER), asked(3, Outcome.DATA))
    assert not [change for change in one.changes if change.signal == ANSWERS]
    two = followed(sense, asked(1, Outcome.DATA), asked(2, Outcome.NO_ANSWER), asked(3, Outcome.NO_ANSWER))
    (lost,) = [change for change in two.changes if change.signal == ANSWERS]
    assert (lost.before, lost.after) == ("yes", "no")
    assert (lost.low_ns, lost.high_ns) == (1 * SECOND, 2 * SECOND + SECOND // 100)
    assert lost.evidence == (1, 2)


def test_it_is_back_after_the_last_attempt_that_missed(sense: Sense) -> None:
    track = followed(
        sense, asked(1, Outcome.DATA), asked(2, Outcome.NO_ANSWER), asked(3, Outcome.NO_ANSWER),
        asked(4, Outcome.NO_ANSWER), asked(5, Outcome.DATA),
    )  # fmt: skip
    lost, back = [change for change in track.changes if change.signal == ANSWERS]
    assert (back.before, back.after) == ("no", "yes")
    assert (back.low_ns, back.high_ns) == (4 * SECOND, 5 * SECOND + SECOND // 100)
    assert lost.high_ns < back.low_ns


def test_connections_that_fail_are_misses_and_one_that_opens_is_none(sense: Sense) -> None:
    refused = [Connect("h", n * SECOND, n * SECOND + 5, ConnectOutcome.REFUSED, "", "") for n in (2, 3)]
    opened = Connect("h", 4 * SECOND, 4 * SECOND + 5, ConnectOutcome.OPEN, "", "")
    track = followed(sense, asked(1, Outcome.DATA), *refused, opened)
    assert track.current[ANSWERS] == "no"
    assert track.asked_ns == 4 * SECOND
    assert len([change for change in track.changes if change.signal == ANSWERS]) == 1
    track = followed(sense, asked(1, Outcome.DATA), opened, opened)
    assert track.current[ANSWERS] == "yes"


@pytest.mark.parametrize(("code", "answers"), [(2, "yes"), (6, "yes"), (0x0A, "no"), (0x0B, "no")])
def test_an_exception_is_an_answer_unless_a_gateway_speaks(sense: Sense, code: int, answers: str) -> None:
    """Source: MODBUS Application Protocol Specification V1.1b3, 7 (exception codes 0A and 0B)."""
    odd = [asked(n, Outcome.EXCEPTION, code) for n in (2, 3)]
    assert followed(sense, asked(1, Outcome.DATA), *odd).current[ANSWERS] == answers


def test_what_was_not_sent_says_nothing(sense: Sense) -> None:
    track = followed(sense, asked(1, Outcome.DATA), asked(2, Outcome.NOT_SENT), asked(3, Outcome.NOT_SENT))
    assert track.current[ANSWERS] == "yes"
    assert track.asked_ns == 3 * SECOND
