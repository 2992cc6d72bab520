"""Length of a channel: fixed cable and cords shrink together in the heat."""

from probe.desk.channel import Channel, channel_length
from probe.desk.working import Amount
from probe.model.finding import Verdict


def channel(fixed_m: float, cords_m: float, ambient_c: float = 20) -> Channel:
    return Channel(
        fixed_m=Amount(value=fixed_m, unit="m"), cords_m=Amount(value=cords_m, unit="m"), ambient_c=ambient_c
    )


def test_ninety_and_ten_just_pass() -> None:
    assert channel_length(channel(90, 10)).verdict is Verdict.PASS
    assert [c.verdict for c in channel_length(channel(91, 9)).checks] == [Verdict.FAIL, Verdict.PASS]
    assert [c.verdict for c in channel_length(channel(90, 10.1)).checks] == [Verdict.PASS, Verdict.FAIL]


def test_heat_takes_from_both() -> None:
    assert channel_length(channel(82, 10, 40)).checks[0].verdict is Verdict.PASS
    assert channel_length(channel(83, 10, 40)).checks[0].verdict is Verdict.FAIL  # 90 * 0.92 = 82.8
    assert channel_length(channel(82, 14, 20)).checks[1].verdict is Verdict.PASS
    assert channel_length(channel(82, 14, 40)).checks[1].verdict is Verdict.FAIL
