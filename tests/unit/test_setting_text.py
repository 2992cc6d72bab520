"""Texts of settings: units, bases, and the words for what is wrong with one."""

from __future__ import annotations

import pytest

from probe.model.setting_text import (
    Amount,
    Delay,
    DelayUnit,
    SettingTextError,
    parse_amount,
    parse_delay,
)


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("1530 A", Amount(number=1530)),
        ("1530A", Amount(number=1530)),
        ("12 kA", Amount(number=12_000)),
        ("0.8 x sensor", Amount(number=0.8, base="sensor")),
        (".9 x plug", Amount(number=0.9, base="plug")),
        ("4 × pickup", Amount(number=4, base="pickup")),
        ("4x Ir", Amount(number=4, base="pickup")),
        ("8 x rating plug", Amount(number=8, base="plug")),
    ],
)
def test_pickups(text: str, amount: Amount) -> None:
    assert parse_amount(text) == amount


@pytest.mark.parametrize(
    ("text", "delay"),
    [
        ("0.3 s", Delay(number=0.3)),
        ("300 ms", Delay(number=0.3)),
        ("18 cycles", Delay(number=18, unit=DelayUnit.CYCLES)),
        ("8 s at 6 x pickup", Delay(number=8, at=Amount(number=6, base="pickup"))),
        ("8 s at 5760 A", Delay(number=8, at=Amount(number=5760))),
        ("0.15 TMS", Delay(number=0.15, unit=DelayUnit.MULTIPLIER)),
        ("5 TD", Delay(number=5, unit=DelayUnit.MULTIPLIER)),
    ],
)
def test_delays(text: str, delay: Delay) -> None:
    assert parse_delay(text) == delay


def test_eighteen_cycles_are_three_tenths_of_a_second_at_sixty_hertz() -> None:
    assert parse_delay("18 cycles").value(60.0) == pytest.approx(0.3)
    assert parse_delay("15 cycles").value(50.0) == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("4 x", "a multiple without its base", "say of what"),
        ("4 x In", "In is no base", "say of what"),
        ("1530", "a number without its unit", "write the unit"),
        ("1,530 A", "a comma can be thousands or decimals", "1530"),
        ("0,8 x plug", "a comma can be thousands or decimals", "point"),
        ("-5 A", "this is no pickup", ""),
        ("much", "this is no pickup", ""),
    ],
)
def test_wrong_pickups(text: str, what: str, remedy: str) -> None:
    with pytest.raises(SettingTextError) as caught:
        parse_amount(text)
    assert caught.value.what == what
    assert remedy in caught.value.remedy
    assert caught.value.allowed


@pytest.mark.parametrize("text", ["0.3", "8 s at 6 x", "8 s at", "soon", "0,3 s", "3 h"])
def test_wrong_delays(text: str) -> None:
    with pytest.raises(SettingTextError):
        parse_delay(text)


@pytest.mark.parametrize(
    "text", ["99999999999999999999999 A", "0.00000000000000000000001 A", "1600 A", "0.8 x plug"]
)
def test_a_pickup_means_the_same_in_its_own_words(text: str) -> None:
    """Found by fuzzing: very large numbers were written in a form that is not read."""
    once = parse_amount(text)
    assert parse_amount(once.text) == once
