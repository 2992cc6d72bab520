"""Drawings: everything inside the frame, said in words too, bounded in number."""

from __future__ import annotations

import pytest

from probe.judge.limit import Interval
from probe.model.evidence import Outcome
from probe.model.finding import Verdict
from probe.present.turnover.blocks import Drawing
from probe.present.turnover.dossier import Dossier, Reply
from probe.present.turnover.gear_drawing import cut, gear_drawings
from probe.present.turnover.plots import (
    MOST_DOTS,
    bounds,
    clock_plot,
    clocks_plot,
    reply_plot,
    seconds,
    thinned,
)
from probe.present.turnover.texts import Texts


def inside(drawing: Drawing) -> bool:
    for s in drawing.shapes:
        right, low = (s.x + s.x2, s.y + s.y2) if s.what == "box" else (s.x, s.y)
        if s.what == "line":
            right, low = max(s.x, s.x2), max(s.y, s.y2)
        if min(s.x, s.y) < -0.01 or right > drawing.width + 0.01 or low > drawing.height + 0.01:
            return False
    return True


def replies(many: int) -> list[Reply]:
    good = [Reply(at_s=n * 0.01, reply_ms=5 + n % 7, outcome=Outcome.DATA) for n in range(many)]
    return [*good, Reply(at_s=1.0, reply_ms=900.0, outcome=Outcome.NO_ANSWER)]


@pytest.mark.parametrize("many", [1, 8, 5000])
def test_a_reply_plot_stays_inside_and_small(t: Texts, many: int) -> None:
    drawing = reply_plot(replies(many), 500.0, t, width=84)
    assert drawing is not None
    assert inside(drawing)
    assert len(drawing.shapes) < 2 * MOST_DOTS
    assert "1 requests without one" in drawing.alternative


def test_no_replies_no_plot(t: Texts) -> None:
    assert reply_plot([], 500.0, t, width=84) is None


def test_thinning_keeps_fastest_slowest_and_lost() -> None:
    many = [*replies(5000), Reply(at_s=3.0, reply_ms=0.2, outcome=Outcome.DATA),
            Reply(at_s=4.0, reply_ms=499.0, outcome=Outcome.DATA)]  # fmt: skip
    kept = thinned(many)
    assert len(kept) <= MOST_DOTS
    times = [one.reply_ms for one in kept]
    assert (min(times), max(times)) == (0.2, 900.0)
    assert any(one.reply_ms == 499.0 for one in kept)


@pytest.mark.parametrize(
    "offset", [Interval(-0.189, -0.168), Interval(-25199.93, -25199.90), Interval(0.0, 0.0)]
)
def test_clock_plots_stay_inside(t: Texts, offset: Interval) -> None:
    assert inside(clock_plot(offset, 2.0, Verdict.PASS, t, width=84))
    drawing = clocks_plot([("52-M1", offset, 2.0, Verdict.FAIL)] * 3, t, width=174)
    assert drawing is not None
    assert inside(drawing)


def test_bounds_carry_the_digits_of_their_width() -> None:
    assert bounds(Interval(-0.18899, -0.16803)) == "−0.189 to −0.168 s"
    assert bounds(Interval(-94.156, -94.134)) == "−94.156 to −94.134 s"
    assert bounds(Interval(-0.3, 0.7)) == "−0.3 to +0.7 s"
    assert seconds(0.05) == "50 ms"


def test_the_lineup_is_drawn_with_sign_and_word_of_every_device(dossier: Dossier, t: Texts) -> None:
    verdicts = {one.tag: one.verdict for one in dossier.devices}
    drawings = gear_drawings(dossier.map.devices, {**verdicts, "MC-1": None}, 174.0, t)
    texts = [s.text for drawing in drawings for s in drawing.shapes if s.what == "text"]
    assert all(inside(drawing) for drawing in drawings)
    assert set(verdicts) <= set(texts)
    assert texts.count("✗") == sum(v is Verdict.FAIL for v in verdicts.values())
    assert "left out" in texts
    assert "52-F1 fail" in drawings[0].alternative


def test_a_large_lineup_goes_on_in_further_rows(dossier: Dossier, t: Texts) -> None:
    one = dossier.map.devices[0]
    many = [one.model_copy(update={"tag": f"F-{n}", "section": f"S{n // 60}"}) for n in range(300)]
    drawings = gear_drawings(many, {}, 174.0, t)
    assert len(drawings) > 1
    assert all(inside(drawing) and drawing.width <= 174.5 and drawing.height < 230 for drawing in drawings)
    shown = {s.text for drawing in drawings for s in drawing.shapes}
    assert {device.tag for device in many} <= shown


def test_cut_shows_its_loss() -> None:
    assert cut("52-M1", 20, 7) == "52-M1"
    assert cut("W" * 40, 10, 7).endswith("…")
