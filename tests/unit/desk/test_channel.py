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


def test_the_whole_channel_has_both_uncertainties() -> None:
    parts = {
        "fixed_m": Amount(value=80, unit="m", plus_minus=2),
        "cords_m": Amount(value=8, unit="m", plus_minus=1),
    }
    (whole,) = channel_length(Channel(**parts)).result
    assert (whole.low, whole.value, whole.high) == (85, 88, 91)


def test_where_the_heat_leaves_nothing_no_cord_is_left() -> None:
    """Unscreened: 0.4 % to 40 °C, 0.6 % above; after 40 + 92 / 0.6 °C nothing remains."""
    checks = channel_length(channel(1, 1, 200)).checks
    assert [one.verdict for one in checks] == [Verdict.FAIL, Verdict.FAIL]
