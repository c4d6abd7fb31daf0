"""The spectrum and the shares of a diagnosis's picture."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Annotation

from benchlog.diagnosis.series.mains import MainsLine, MainsSearch
from benchlog.diagnosis.series.steps import Step
from benchlog.show.diagnosis_panels import Bar, draw_series, draw_shares, draw_spectrum
from tests.picture_checks import NO_MAINS, leave_out, make_cycles


def test_the_spectrum_has_a_wobble_where_it_is_and_the_noise_where_it_belongs() -> None:
    # Noise u on each edge gives pulses a standard deviation of sqrt(2) u, white up to half the
    # cycle rate: a one-sided density of 2 u^2 * 2 T. A third of the series, half over each other,
    # are 5 stretches; over some 400 frequencies the mean square keeps to 10 % (4 sigma).
    rng = np.random.default_rng(5)
    count, period_s, noise_s = 2500, 0.02, 1e-6
    time_s = period_s * np.arange(count)
    on = 1.5e-3 + math.sqrt(2.0) * noise_s * rng.standard_normal(count)
    on += 5e-6 * np.sin(2.0 * np.pi * 3.0 * time_s)
    cycles = make_cycles(on, period_s - on, noise_s)
    kept = np.ones(count, bool)
    kept[rng.integers(1, count - 1, 12)] = False
    axes = Figure().add_subplot()
    assert draw_spectrum(axes, leave_out(cycles, kept), NO_MAINS, None)
    lines = {str(one.get_label()): one for one in axes.lines}
    hz = np.asarray(lines["pulse"].get_xdata(), np.float64)
    root = np.asarray(lines["pulse"].get_ydata(), np.float64)
    assert hz[np.argmax(root)] == pytest.approx(3.0, abs=3.0 / (count * period_s))
    assert hz[-1] == pytest.approx(25.0, rel=0.01)
    floor = float(np.asarray(lines["noise of the input alone"].get_ydata())[0])
    assert floor == pytest.approx(1e6 * noise_s * math.sqrt(4.0 * period_s))
    assert np.mean(root[np.abs(hz - 3.0) > 0.5] ** 2) == pytest.approx(floor**2, rel=0.1)


def test_aliases_are_marked_where_they_fall() -> None:
    # A rate of 47 a second: 50 Hz falls at 3, 100 at 6, 60 at 13, 120 at 120 - 141 = -21 Hz;
    # the axis runs in roots to half the rate.
    on = np.full(470, 1.5e-3)
    cycles = make_cycles(on, 1.0 / 47.0 - on, 1e-6)
    aliases = ((50.0, 1, 3.0), (50.0, 2, 6.0), (60.0, 1, 13.0), (60.0, 2, -21.0))
    axes = Figure().add_subplot()
    assert draw_spectrum(axes, cycles, MainsSearch((), aliases, ()), None)
    marks = {one.get_text(): one.xy[0] for one in axes.texts if isinstance(one, Annotation)}
    assert marks == pytest.approx(
        {"50": (3 / 23.5) ** 0.5, "100": (6 / 23.5) ** 0.5, "60": (13 / 23.5) ** 0.5,
         "120": (21 / 23.5) ** 0.5}
    )  # fmt: skip
    shown = axes.transAxes.inverted().transform(axes.transData.transform((6.0, 1.0)))[0]
    assert shown == pytest.approx(marks["100"])


def test_too_few_cycles_have_no_spectrum() -> None:
    on = np.full(63, 1.5e-3)
    assert not draw_spectrum(Figure().add_subplot(), make_cycles(on, 9 * on, 0.0), NO_MAINS, None)


def test_bars_add_up_to_all() -> None:
    bars = [
        Bar("the wiper", 0.62, 0.5, 0.7),
        Bar("supply", 0.3, 0.2, 0.4),
        Bar("mains", 0.004, 0.0, 0.01),
    ]
    axes = Figure().add_subplot()
    draw_shares(axes, bars, "pulse", trusted=True)
    widths = [one.get_width() for one in axes.patches if isinstance(one, Rectangle)]
    assert widths == pytest.approx([0.62, 0.3, 0.08])
    texts = [one.get_text() for one in axes.texts]
    assert texts == ["the wiper", "62 % (50 to 70 %)", "supply", "30 % (20 to 40 %)",
                     "everything else", "8 %"]  # fmt: skip


def test_a_share_of_nearly_all_is_told_as_on_the_screen() -> None:
    axes = Figure().add_subplot()
    draw_shares(axes, [Bar("hum", 0.998, 0.994, 1.0)], "pulse", trusted=True)
    assert axes.texts[1].get_text() == "at least 99 %"
    assert len(axes.lines) == 0  # no caps on the bar's end that nobody can tell apart


def test_only_the_mains_of_the_finding_is_marked_as_found() -> None:
    # a bench has 50 Hz or 60 Hz: 150 of the one and 300 of the other may fall beside each other
    on = np.full(470, 1.5e-3)
    cycles = make_cycles(on, 1.0 / 47.0 - on, 1e-6)
    part = np.zeros(470)
    lines = tuple(
        MainsLine(mains, harmonic, 9.0, 9.0, 9.0, 1e-6, 1e-6, 1e-7, 1e-7, 30.0, -30.0, part, part)
        for mains, harmonic in ((50.0, 3), (60.0, 5))
    )
    axes = Figure().add_subplot()
    aliases = ((50.0, 3, 9.0), (60.0, 5, 18.0))
    assert draw_spectrum(axes, cycles, MainsSearch(lines, aliases, ()), None)
    marks = {one.get_text(): one.get_fontweight() for one in axes.texts if one.get_text()}
    assert (marks["150"], marks["300"]) == ("bold", "normal")


def at_steps(*moves: tuple[float, float]) -> list[Step]:
    return [Step(time_s, on_s, 0.0, 1e-7, 1e-7) for time_s, on_s in moves]


@pytest.mark.parametrize(
    ("steps", "marked"),
    [
        ([], []),
        (at_steps((2.0, -20e-6), (3.5, 20e-6), (4.0, 20e-6)), [2.0, 3.5, 4.0]),
        (at_steps((2.0, -20e-6)), [2.0]),
        # a steep creep passes for steps, all one way
        (at_steps((1.0, 5e-6), (1.5, 4e-6), (2.0, 3e-6), (2.5, 2e-6)), []),
    ],
)
def test_steps_are_marked(steps: list[Step], marked: list[float]) -> None:
    on = np.full(500, 1.5e-3)
    axes = Figure().add_subplot()
    draw_series(axes, make_cycles(on, 0.01 - on, 0.0), "pulse", steps)
    marks = [np.asarray(one.get_xdata()).tolist() for one in axes.lines[2:]]
    assert marks == [[at, at] for at in marked]
