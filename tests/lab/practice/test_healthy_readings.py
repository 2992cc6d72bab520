"""A healthy lineup's readings agree, whatever the seed, the moment and the pace: nobody is blamed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.model.finding import Verdict
from probe.practice.offline import Visit, audit_offline
from probe.practice.scenario import bundled_scenario

HEALTHY = bundled_scenario("healthy")


@pytest.mark.parametrize("reply_s", [0.004, 0.03, 0.1])
@pytest.mark.parametrize("at_s", [0.0, 91.0, 1234.5])
@pytest.mark.parametrize("seed", ["healthy", "a", "b", "c"])
def test_all_readings_agree(seed: str, at_s: float, reply_s: float) -> None:
    audited = audit_offline(replace(HEALTHY, seed=seed), Visit(at_s=at_s, reply_s=reply_s))
    bad = [f for f in audited.findings("electrical.") if f.verdict is not Verdict.PASS]
    assert bad == []


def test_energy_agrees_with_power_over_a_dwell() -> None:
    audited = audit_offline(HEALTHY, Visit(at_s=50.0, rounds=40, pause_s=15.0))
    found = audited.findings("electrical.energy")
    assert {f.verdict for f in found} <= {Verdict.PASS, Verdict.NOT_TESTED}
    assert sum(f.verdict is Verdict.PASS for f in found) >= 8
    assert all("steps of" in f.title for f in found if f.verdict is Verdict.NOT_TESTED)
