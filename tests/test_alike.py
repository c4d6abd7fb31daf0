"""Supply and diode where nothing tells them apart: one share, no more sureness than there is."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.alike import gather_alike
from benchlog.diagnosis.finding import InputDiagnosis
from benchlog.diagnosis.findings import diagnose
from benchlog.diagnosis.moves import weigh_moves
from benchlog.diagnosis.separation.causes import find_causes
from benchlog.diagnosis.series.steps import PeriodicLoad
from tests.simulated_faults import draw_case
from tests.test_findings import contribution, make_input, weigh


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give heron's design."""
    return parse_design(heron_text, "heron")


def make_both(others: float = 0.004, **known: Any) -> InputDiagnosis:
    """Make supply and diode of which each may be all or nothing, and a little threshold noise."""
    figures = {"share_low": 0.0, "share_high": 1.0, "change": None}
    return make_input(
        contribution("supply", "supply", 0.88, size=0.14, unit="V", **figures),
        contribution("diode", "diode", 0.119, size=1.3, unit="K", **figures),
        contribution("upper-level", "threshold", 0.001, share_low=0.0, share_high=others),
        rival="diode",
        log_odds=1.9,
        rest=0.0,
        **known,
    )


@pytest.mark.parametrize("is_designed", [False, True])
def test_two_that_look_alike_have_what_the_others_leave(heron: Design, is_designed: bool) -> None:
    (finding,) = weigh(make_both(design=heron if is_designed else None))
    assert finding.cause == "supply"
    assert finding.share == pytest.approx(0.999)
    # all but what the threshold noise may be at most, 0.4 %
    assert finding.evidence["share_low"] == pytest.approx(0.996)
    assert "at least 99 %" in finding.why
    assert finding.sure == "Surely one of these two."
    assert finding.evidence["or_like"] == ["diode"]


def test_two_that_may_be_little_are_not_called_sure() -> None:
    (finding,) = weigh(make_both(others=0.95))
    # 0.999 less the root of the squares of 0.88 and 0.119, which is more than what 95 % leave
    assert finding.sure == "Maybe: these two could be as little as 11 % of the movement."


def test_readings_that_tell_keep_them_apart() -> None:
    one = make_both()
    assert one.unrest is not None
    causes = find_causes(one.unrest, "supply")
    assert gather_alike(one, one.unrest, causes, "supply") == causes


def make_load(peak_s: float) -> PeriodicLoad:
    """Make a movement to and fro."""
    none = np.empty(0)
    return PeriodicLoad(1.4, peak_s, peak_s, 1e-8, 1e-8, none, -100.0, none, none)


def test_a_swing_that_hardly_moves_the_pulse_makes_no_pull() -> None:
    # 8 us of scatter in all: a swing of 0.06 us is none of it, one of 8 us is
    for peak_s, pulled in ((0.06e-6, False), (8e-6, True)):
        one = make_input(contribution("supply", "supply", 1.0, size=0.3, unit="V"))
        one = InputDiagnosis(
            **{name: getattr(one, name) for name in one.__dataclass_fields__ if name != "loads"},
            loads=(make_load(peak_s),),
        )
        (finding,) = weigh_moves(one)
        assert finding.what.startswith("The supply is pulled") is pulled
        assert ("to and fro" in finding.why) is pulled


@pytest.mark.parametrize("designed", [True, False])
def test_a_moving_wiper_shows_its_own_ratio(designed: bool) -> None:
    case = draw_case("wiper-moving", 1, duration_s=30.0)
    finding = diagnose(case.heard(), case.design if designed else None).findings[0]
    assert finding.cause == "wiper"
    found, u_found = (finding.evidence[f"{u}rest_per_pulse"] for u in ("", "u_"))
    expected = finding.evidence["expected_rest_per_pulse"]
    assert isinstance(found, float)
    assert isinstance(u_found, float)
    assert isinstance(expected, float)
    # what a part within its tolerance does to the ratio, a tenth, and four times the uncertainty
    assert abs(found - expected) < 0.1 * abs(expected) + 4.0 * u_found
    told = re.search(r"(\d\.\d+) ± (\d\.\d+) µs for each µs in this recording", finding.why)
    assert told is not None
    value, half = (float(one) for one in told.groups())
    assert value == pytest.approx(abs(found), abs=0.5 * half)
    assert 2.0 * u_found <= half


def test_of_several_causes_only_the_expected_ratio_is_told() -> None:
    case = draw_case("wiper-and-battery", 3, duration_s=60.0)
    finding = next(one for one in diagnose(case.heard()).findings if one.cause == "wiper")
    assert finding.share is not None
    assert finding.share < 0.8
    assert "rest_per_pulse" not in finding.evidence
    assert "by the model" in finding.why
    assert "in this recording" not in finding.why
