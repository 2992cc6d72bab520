"""A request that met the end of a connection: excused where hanging up is the device's habit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.judge.context import DeviceContext
from probe.judge.device import judge_device
from probe.judge.expectation import subject_of
from probe.judge.run_context import RunContext
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import Connect, ConnectOutcome, Disconnect, Exchange, Framing, Outcome, Purpose
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.offline import Clock, practice_lineup
from probe.practice.scenario import small_scenario

TAG = "MTR-M1"
MS = 1_000_000
RUN = RunEvidence()


def _lineup() -> Lineup:
    return practice_lineup(small_scenario([TAG]), Clock())[0]


def _asked(
    number: int, at_ms: int, attempt: int = 1, outcome: Outcome = Outcome.DATA
) -> tuple[int, Exchange]:
    request = number.to_bytes(2, "big") + bytes.fromhex("00000006ff0300000002")
    response = number.to_bytes(2, "big") + bytes.fromhex("00000007ff030443f00000")
    sent = at_ms * MS
    return number, Exchange(
        TAG, Purpose.POLL, Framing.MBAP, 0, attempt, sent, sent + 4 * MS, outcome, 0,
        request, response if outcome is Outcome.DATA else b"",
    )  # fmt: skip


def _ended(at_ms: int, requests: int, *, by_peer: bool = True) -> tuple[int, Disconnect]:
    return 1000 + at_ms, Disconnect("h", at_ms * MS, by_peer, requests)


#: Answered; the next one meets the end; asked again on connections that each bear one request.
EVIDENCE = DeviceEvidence(
    tag=TAG,
    exchanges=(_asked(1, 0), _asked(2, 5, outcome=Outcome.CLOSED), _asked(3, 1000, 2), _asked(4, 2000)),
    connects=((999, Connect("h", 0, 1, ConnectOutcome.OPEN, "", "")),),
    disconnects=(_ended(9, 2), _ended(1005, 1), _ended(2005, 1)),
)


def _crossed(evidence: DeviceEvidence) -> list[int]:
    lineup = _lineup()
    subject = subject_of(lineup, Scope(tags=(TAG,)), TAG)
    return [number for number, _ in DeviceContext(subject, evidence, RunContext(lineup, RUN)).crossed]


def _verdicts(evidence: DeviceEvidence) -> dict[str, Verdict]:
    found = judge_device(_lineup(), Scope(tags=(TAG,)), evidence, RUN).findings
    return {one.check: one.verdict for one in found}


def test_it_is_no_loss_of_a_device_that_hangs_up_after_each_answer() -> None:
    assert _crossed(EVIDENCE) == [2]
    verdicts = _verdicts(EVIDENCE)
    assert verdicts["reply.first_try"] is Verdict.PASS
    assert verdicts["reach.delay"] is Verdict.PASS
    assert "reach.loss" not in verdicts


@pytest.mark.parametrize(
    "disconnects",
    [
        pytest.param((_ended(9, 2), _ended(2005, 2, by_peer=False)), id="the next one held"),
        pytest.param((_ended(9, 2), _ended(1005, 1), _ended(2005, 7)), id="one bore seven requests"),
        pytest.param((_ended(9, 1), _ended(1005, 1), _ended(2005, 1)), id="nothing was on its way"),
        pytest.param((_ended(900, 2), _ended(1005, 1), _ended(2005, 1)), id="another end"),
        pytest.param((_ended(9, 2),), id="the only end"),
        pytest.param((_ended(9, 2), _ended(1005, 1, by_peer=False)), id="we ended the others"),
        pytest.param((_ended(9, 2), _ended(12, 2), _ended(1005, 1)), id="two bore two"),
    ],
)
def test_without_the_habit_a_request_without_an_answer_is_lost(
    disconnects: tuple[tuple[int, Disconnect], ...],
) -> None:
    evidence = replace(EVIDENCE, disconnects=disconnects)
    assert _crossed(evidence) == []
    verdicts = _verdicts(evidence)
    assert verdicts["reach.loss"] is not Verdict.PASS
    assert verdicts["reply.first_try"] is Verdict.REVIEW
