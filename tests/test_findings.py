"""Findings from what was worked out: the order, the words, what is not enough to tell."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.cycles import Cycles, list_cycles
from benchlog.diagnosis.finding import Finding, Heard, InputDiagnosis
from benchlog.diagnosis.findings import diagnose
from benchlog.diagnosis.pair.neighbour import Coupling, Couplings
from benchlog.diagnosis.pair.neighbour_size import CouplingSize, Part
from benchlog.diagnosis.separation.directions import find_directions
from benchlog.diagnosis.separation.unrest import CauseShare, Contribution, Unrest
from benchlog.diagnosis.series.mains import MainsSearch
from benchlog.diagnosis.surroundings import tell_surroundings
from benchlog.diagnosis.train.event_kinds import Event
from benchlog.diagnosis.train.events import Events
from benchlog.diagnosis.weighing import weigh_input
from benchlog.recording import EdgeList, Gap
from benchlog.timing.edges import edges_from_list
from benchlog.timing.pulses import Measurement, measure_edges
from tests.simulated_faults import draw_case

_ON_S, _OFF_S = 1.265e-3, 13.46e-3  # heron at a knob angle of 100 degrees

CAUSES = (
    "wiper", "supply", "diode", "capacitor", "off-path", "threshold", "mains", "missing-pulse",
    "extra-edge", "end-stop-low", "end-stop-high", "neighbour", "clipping", "gap", "weak-signal",
    "not-enough-to-tell", "steady",
)  # fmt: skip


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give heron's design."""
    return parse_design(heron_text, "heron")


def make_train(
    on_s: float = _ON_S, off_s: float = _OFF_S, *, seconds: float = 60.0, input_: int = 1
) -> Measurement:
    """Measure a train of pulses that are all alike."""
    count = max(2, int(seconds / (on_s + off_s)))
    start = 0.003 + (on_s + off_s) * np.arange(count)
    times = np.column_stack([start, start + on_s]).ravel()
    levels = np.arange(2 * count) % 2 == 0
    edges = edges_from_list(EdgeList(times, levels, 1e-7, 0.0, float(times[-1] + 0.003)))
    measured = measure_edges(edges, input_=input_)
    assert measured is not None
    return measured


def contribution(kind: str, cause: str, share: float, **other: Any) -> Contribution:
    """Make a contribution of a pulse's scatter of 8 us in all, slow unless told otherwise."""
    rms = 8e-6 * math.sqrt(share)
    figures: dict[str, Any] = {
        "pulse_rms_s": rms, "period_rms_s": rms, "slow_pulse_rms_s": rms, "fast_pulse_rms_s": 0.0,
        "slow_period_rms_s": rms, "fast_period_rms_s": 0.0, "share": share,
        "share_low": 0.9 * share, "share_high": min(1.0, 1.05 * share), "size": None, "unit": "",
        "change": None,
    }  # fmt: skip
    return Contribution(kind=kind, cause=cause, **{**figures, **other})


def _by_cause(contributions: tuple[Contribution, ...]) -> tuple[CauseShare, ...]:
    """Add up the kinds of each cause."""
    shares: dict[str, float] = {}
    for one in contributions:
        shares[one.cause] = shares.get(one.cause, 0.0) + one.share
    return tuple(
        CauseShare(cause, share, 0.9 * share, min(1.0, 1.05 * share))
        for cause, share in shares.items()
    )


def make_input(
    *contributions: Contribution,
    design: Design | None = None,
    seconds: float = 60.0,
    log_odds: float = 50.0,
    rival: str | None = "threshold",
    rest: float | None = None,
    events: tuple[Event, ...] = (),
    near_zero: tuple[tuple[float, int, float], ...] = (),
    pulse_rms_s: float | None = None,
    **signal: Any,
) -> InputDiagnosis:
    """Make an input whose movement is what is given; without any it is still."""
    heard = Heard(make_train(seconds=seconds), "train.csv", design=design)
    cycles = list_cycles(heard.measurement)
    total = 8e-6 if contributions else 0.3e-6
    unrest = Unrest(
        pulse_rms_s=total if pulse_rms_s is None else pulse_rms_s,
        period_rms_s=total,
        pulse_limit_s=4e-6,
        period_limit_s=0.01 * (_ON_S + _OFF_S),
        counted="pulse",
        over=bool(contributions),
        contributions=contributions,
        cause_shares=_by_cause(contributions),
        rest_share=1.0 - sum(c.share for c in contributions) if rest is None else rest,
        log_odds=log_odds,
        rival=rival,
    )
    figures: dict[str, Any] = {
        "clipped_share": 0.0, "clipping": False, "signal_db": 60.0, "floor_s": 1e-7, "weak": False,
    }  # fmt: skip
    spoilt = np.zeros(heard.measurement.pulse_count, bool)
    return InputDiagnosis(
        input=1,
        findings=(),
        heard=(heard,),
        cycles=(cycles,),
        directions=(find_directions(_ON_S, _OFF_S, design),),
        searches=(MainsSearch((), (), near_zero),),
        events=(Events(events=events, spoilt=spoilt, **{**figures, **signal}),),
        unrest=unrest,
        end_stops=(None,),
    )


def weigh(one: InputDiagnosis) -> list[Finding]:
    """Weigh an input by itself, and check what holds of all findings."""
    findings = list(weigh_input(one, None, 0, [1]))
    check_findings(findings)
    return findings


def check_findings(findings: list[Finding]) -> None:
    """Check what every list of findings has to keep to."""
    assert findings
    for finding in findings:
        assert finding.cause in CAUSES
        assert finding.text
        assert finding.next_step
        assert finding.share is None or 0.0 <= finding.share <= 1.0
        json.dumps(dict(finding.evidence), allow_nan=False)  # refuses NaN and what JSON has not
        for text in (finding.what, finding.why, finding.sure, finding.next_step):
            assert text == text.strip()
            assert not text or text[-1] in ".:"
            assert "nan" not in text.lower().split()
            assert "None" not in text
            assert not re.search(r"\d{7}|e[-+]\d\d", text), text
            assert "  " not in text
    for quiet in ("steady",):
        mine = {finding.input for finding in findings if finding.cause == quiet}
        for input_ in mine:
            assert [f.cause for f in findings if f.input == input_] == [quiet]


# --- one cause, its words -----------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "cause", "unit", "size", "shown"),
    [
        # 0.01 of a track of 270 degrees is 2.7 degrees of knob
        ("wiper", "wiper", "share of the track", 0.01, "2.7° of knob"),
        ("contact", "wiper", "ohm", 450.0, "450 Ω"),
        ("supply", "supply", "V", 0.31, "0.31 V"),
        ("diode", "diode", "K", 4.2, "4.2 °C"),
        ("capacitor", "capacitor", "share", 0.013, "1.3 %"),
        ("off-path", "off-path", "share", 0.021, "2.1 %"),
        ("upper-level", "threshold", "V", 0.0042, "4.2 mV"),
        ("lower-level", "threshold", "V", 0.0042, "4.2 mV"),
        ("supply-on-end", "supply", "V", 0.033, "33 mV"),
        # a leak of 50 nS is 20 Mohm
        ("leak", "capacitor", "S", 5e-8, "20 MΩ"),
    ],
)
def test_a_cause_is_told_with_its_size(
    heron: Design, kind: str, cause: str, unit: str, size: float, shown: str
) -> None:
    one = contribution(kind, cause, 0.97, size=size, unit=unit, change=0.0)
    (finding,) = weigh(make_input(one, design=heron))
    assert finding.cause == cause
    assert finding.share == pytest.approx(0.97)
    assert shown in finding.text
    assert "limit 4 µs" in finding.why
    assert "8.0 µs" in finding.why
    assert finding.sure.startswith("Surely")
    assert finding.evidence["share_of"] == "pulse"
    assert finding.evidence["pulse_sd_us"] == pytest.approx(8.0)
    low, high = finding.evidence["share_low"], finding.evidence["share_high"]
    assert isinstance(low, float)
    assert isinstance(high, float)
    assert low <= 0.97 <= high


def test_a_size_is_told_per_turn_where_nobody_knows_the_knob() -> None:
    one = contribution("wiper", "wiper", 1.0, size=0.01, unit="share of the track")
    (finding,) = weigh(make_input(one))
    assert "1 % of the knob's turn" in finding.text  # one digit: a usual channel is assumed


def test_slow_and_fast_are_told_apart() -> None:
    slow = contribution("wiper", "wiper", 1.0)
    fast = replace(slow, slow_pulse_rms_s=0.0, fast_pulse_rms_s=8e-6)
    (first,), (second,) = weigh(make_input(slow)), weigh(make_input(fast))
    assert "slowly" in first.what
    assert "trembles" in second.what
    assert first.next_step != second.next_step


def test_a_slow_supply_names_the_diode_too_unless_it_goes_too_far(heron: Design) -> None:
    # 0.1 V does to the pulse what 2.5 degrees of the diode do; 2 V would be 50 degrees
    for size, both in ((0.1, True), (2.0, False)):
        one = contribution("supply", "supply", 1.0, size=size, unit="V", change=-3.4 * size)
        (finding,) = weigh(make_input(one, design=heron, rival="diode", log_odds=0.3))
        assert finding.cause == "supply"
        assert ("or the diode" in finding.what) is both
        assert "lower than at the beginning" in finding.why
        assert finding.sure.startswith("Surely")
        assert ("two" in finding.sure) is both
    assert "falls by some 6.8 V" in finding.next_step
    # without a design nothing is decided between the two by the channel that is assumed
    (finding,) = weigh(make_input(one, rival="diode", log_odds=0.3))
    assert "or the diode" in finding.what
    assert "two" in finding.sure


def test_a_diode_that_nothing_tells_from_the_supply_is_called_supply(heron: Design) -> None:
    one = contribution("diode", "diode", 1.0, size=3.0, unit="K")
    for log_odds in (0.5, 10.0):  # its leak differs from maker to maker
        (finding,) = weigh(make_input(one, rival="supply", log_odds=log_odds, design=heron))
        assert finding.cause == "supply"
        assert finding.evidence["or_like"] == ["diode"]
    (finding,) = weigh(make_input(one, rival="supply", log_odds=30.0, design=heron))
    assert finding.cause == "diode"
    (finding,) = weigh(make_input(one, rival="supply", log_odds=30.0))
    assert finding.cause == "supply"


def test_a_small_part_of_the_pulse_that_breaks_the_periods_limit_is_told() -> None:
    main = contribution("wiper", "wiper", 0.98)
    rest = contribution("off-path", "off-path", 0.02)
    assert [one.cause for one in weigh(make_input(main, rest))] == ["wiper"]
    far = replace(rest, period_rms_s=0.02 * (_ON_S + _OFF_S))  # the limit is half as much
    assert [one.cause for one in weigh(make_input(main, far))] == ["wiper", "off-path"]


def test_kinds_of_one_cause_are_one_finding(heron: Design) -> None:
    one = make_input(
        contribution("wiper", "wiper", 0.5, size=0.01, unit="share of the track"),
        contribution("supply", "supply", 0.3, size=0.05, unit="V"),
        contribution("contact", "wiper", 0.15, size=90.0, unit="ohm"),
        design=heron,
    )
    first, second = weigh(one)
    assert (first.cause, second.cause) == ("wiper", "supply")
    assert first.share == pytest.approx(0.65)
    assert first.evidence["kinds"] == ["wiper", "contact"]
    rest = first.evidence["unexplained_share"]
    assert isinstance(rest, float)
    assert first.share is not None
    assert second.share is not None
    assert first.share + second.share + rest == pytest.approx(1.0)


# --- nothing wrong, not enough ------------------------------------------------


def test_a_still_channel_is_steady_with_its_figures() -> None:
    (finding,) = weigh(make_input())
    assert finding.cause == "steady"
    assert finding.share is None
    assert "0.30 µs (limit 4 µs)" in finding.why
    for word in ("another servo", "ground", "meter", "sound input cannot tell"):
        assert word in finding.next_step


@pytest.mark.parametrize(
    ("seconds", "moving", "cause", "words"),
    [
        (9.0, False, "not-enough-to-tell", "too short"),
        (11.0, False, "steady", "steady"),
        (4.0, True, "not-enough-to-tell", "looks like"),
        (6.0, True, "wiper", "wiper"),
    ],
)
def test_a_short_recording(seconds: float, moving: bool, cause: str, words: str) -> None:
    moves = (contribution("wiper", "wiper", 1.0),) if moving else ()
    (finding,) = weigh(make_input(*moves, seconds=seconds))
    assert finding.cause == cause
    assert words in finding.text
    if cause == "not-enough-to-tell":
        assert "60 s" in finding.next_step


def test_two_causes_that_cannot_be_told_apart() -> None:
    one = contribution("capacitor", "capacitor", 0.9)
    (finding,) = weigh(make_input(one, rival="off-path", log_odds=0.2))
    assert finding.cause == "not-enough-to-tell"
    assert "capacitor" in finding.text
    assert "off side" in finding.text
    assert "other end" in finding.next_step
    assert finding.evidence["looks_like"] == "capacitor"


def test_a_rival_that_is_less_likely_leaves_a_maybe() -> None:
    one = contribution("capacitor", "capacitor", 0.9)
    (finding,) = weigh(make_input(one, rival="off-path", log_odds=3.0))
    assert finding.cause == "capacitor"
    assert finding.sure.startswith("Maybe")
    assert "off side" in finding.sure


def test_what_no_cause_explains() -> None:
    one = contribution("capacitor", "capacitor", 0.2)
    (finding,) = weigh(make_input(one, rest=0.8))
    assert finding.cause == "not-enough-to-tell"
    assert "80 %" in finding.text


def test_slow_movement_where_the_mains_would_look_slow() -> None:
    one = make_input(contribution("off-path", "off-path", 1.0), near_zero=((50.0, 2, 0.01),))
    # a period of 20 ms meets the mains of 50 Hz at the same place each time
    cycles = list_cycles(make_train(1.265e-3, 18.735e-3))
    (finding,) = weigh(replace(one, cycles=(cycles,)))
    assert finding.cause == "not-enough-to-tell"
    assert "2 times 50 Hz" in finding.text
    assert re.search(r"\d\.\d %", finding.next_step)
    # the wiper goes its own way, which no hum goes
    (finding,) = weigh(make_input(contribution("wiper", "wiper", 1.0), near_zero=((50.0, 2, 0.0),)))
    assert finding.cause == "wiper"


def test_noise_of_the_input_that_hides_the_channel() -> None:
    one = make_input()
    noisy = replace(one.cycles[0], u_edge_s=5e-6)
    (finding,) = weigh(replace(one, cycles=(noisy,)))
    assert finding.cause == "not-enough-to-tell"
    assert "7.1 µs" in finding.text  # sqrt(2) times 5


# --- events and the order -----------------------------------------------------


def event(kind: Any, *, sure: bool = True, count: int = 1) -> Event:
    """Make an event at 3 s."""
    return Event(kind, 3.0, 0.0147, count, phase_kept=True, sure=sure)


@pytest.mark.parametrize(
    ("kind", "cause", "words"),
    [
        ("missing-pulse", "missing-pulse", "missing"),
        ("extra-edge", "extra-edge", "extra"),
        ("runt", "extra-edge", "height"),
        ("reset", "supply", "begins anew"),
        ("gap", "gap", "not to blame"),
        ("dropout", "weak-signal", "goes away"),
    ],
)
def test_each_event_has_its_words(kind: str, cause: str, words: str) -> None:
    (finding,) = weigh(make_input(events=(event(kind),)))
    assert finding.cause == cause
    assert words in finding.text
    assert "3.00 s" in finding.text
    assert finding.evidence["count"] == 1
    several = weigh(make_input(events=(event(kind), event(kind, sure=False))))[0]
    assert several.sure.startswith("Maybe")


def test_missing_pulses_come_before_jitter_but_not_before_the_contact_that_loses_them() -> None:
    events = (event("missing-pulse", count=3),)
    found = weigh(make_input(contribution("capacitor", "capacitor", 1.0), events=events))
    assert [one.cause for one in found] == ["missing-pulse", "capacitor"]
    found = weigh(make_input(contribution("contact", "wiper", 1.0), events=events))
    assert [one.cause for one in found] == ["wiper", "missing-pulse"]


def test_an_incident_with_two_explanations_is_told_as_that() -> None:
    both = replace(event("gap", sure=False), rival="extra-edge")
    (finding,) = weigh(make_input(events=(both,)))
    assert finding.cause == "gap"
    assert finding.what == (
        "At 3.00 s the beat breaks: maybe the recording lost samples, maybe the output made an "
        "extra pulse."
    )
    assert finding.sure.startswith("Maybe")
    assert finding.evidence["rivals"] == ["extra-edge"]
    # unsure by itself it accuses and acquits nobody either
    (finding,) = weigh(make_input(events=(event("gap", sure=False),)))
    assert "not to blame" not in finding.text
    assert "maybe the recording lost samples." in finding.what
    (finding,) = weigh(make_input(events=(event("gap"), both)))
    assert finding.sure == "Maybe: surely in 1 of the 2 places."


def test_lost_samples_come_after_a_fault_of_the_channel() -> None:
    found = weigh(make_input(contribution("wiper", "wiper", 1.0), events=(event("gap"),)))
    assert [one.cause for one in found] == ["wiper", "gap"]


def test_clipping_stands_alone_since_it_makes_the_rest() -> None:
    one = make_input(
        contribution("wiper", "wiper", 1.0),
        events=(event("extra-edge"),),
        clipping=True,
        clipped_share=0.03,
    )
    (finding,) = weigh(one)
    assert finding.cause == "clipping"
    assert "3.0 %" in finding.text
    assert finding.evidence["clipped_percent"] == pytest.approx(3.0)


def test_a_weak_signal_hides_what_is_small_beside_its_noise() -> None:
    finding, weak = weigh(make_input(weak=True, signal_db=20.0, floor_s=5e-6))
    assert (finding.cause, weak.cause) == ("not-enough-to-tell", "weak-signal")
    assert weak.next_step == "First do the step above."  # told once
    assert "not enough to tell" in finding.what
    assert "5.0 µs" in finding.text
    assert "level up" in finding.next_step


def test_a_weak_signal_does_not_hide_what_is_large() -> None:
    moved = contribution("wiper", "wiper", 1.0)
    found = weigh(make_input(moved, weak=True, signal_db=20.0, floor_s=1e-6, pulse_rms_s=2e-5))
    assert [one.cause for one in found][:2] == ["weak-signal", "wiper"]


def test_nothing_is_told_of_a_signal_lost_in_noise() -> None:
    moved = contribution("wiper", "wiper", 1.0)
    event = Event("missing-pulse", 3.0, 0.01, 1, phase_kept=True, sure=True)
    finding, weak = weigh(
        make_input(
            moved, events=(event,), weak=True, signal_db=12.0, floor_s=1e-6, pulse_rms_s=2e-5
        )
    )
    assert (finding.cause, weak.cause) == ("not-enough-to-tell", "weak-signal")
    assert "4 times the noise" in finding.text  # 10 ** (12 / 20)


# --- the readings beside several recordings -----------------------------------


def _several(heron: Design, readings: list[tuple[float, float, float]]) -> InputDiagnosis:
    """Make recordings of one mark: each pulse in us, supply, temperature."""
    one = make_input(contribution("supply", "supply", 1.0, size=0.1, unit="V"), design=heron)
    heard, cycles = [], []
    for pulse_us, supply_v, temperature_c in readings:
        measured = make_train(pulse_us * 1e-6, _OFF_S)
        heard.append(
            Heard(measured, "one.csv", heron, 100.0, supply_v, temperature_c, servo="unplugged")
        )
        cycles.append(list_cycles(measured))
    count = len(readings)
    return replace(
        one,
        heard=tuple(heard),
        cycles=tuple(cycles),
        directions=one.directions * count,
        searches=one.searches * count,
        events=one.events * count,
        end_stops=one.end_stops * count,
    )


def test_readings_tell_supply_from_diode(heron: Design) -> None:
    # for heron at 100 degrees the model gives -33.5 us per volt and -1.35 us per degree
    fell = _several(heron, [(1265.0, 6.0, 25.0), (1275.0, 5.7, 25.0)])
    warmed = _several(heron, [(1265.0, 6.0, 25.0), (1251.5, 6.0, 35.0)])
    neither = _several(heron, [(1265.0, 6.0, 25.0), (1265.5, 5.7, 25.0)])
    both = _several(heron, [(1265.0, 6.0, 25.0), (1275.0, 5.7, 17.6)])
    assert tell_surroundings(fell) == "supply"
    assert tell_surroundings(warmed) == "diode"
    assert tell_surroundings(neither) is None
    assert tell_surroundings(both) is None
    finding = weigh(warmed)[0]
    assert finding.cause == "diode"
    assert "readings" in finding.sure
    finding = weigh(fell)[0]
    assert finding.cause == "supply"
    assert "diode" not in finding.what


# --- the servo's stop, and a neighbour ----------------------------------------


def test_a_servo_at_its_stop_is_told_first_and_with_the_caution(heron: Design) -> None:
    # 2.62 ms where the servo takes 2.5; by the model that is some 285 degrees of this knob
    heard = Heard(make_train(2.62e-3), "long.csv", heron)
    findings = list(diagnose([heard]).findings)
    check_findings(findings)
    (finding,) = findings
    assert finding.cause == "end-stop-high"
    assert "120 µs longer" in finding.what
    assert "2620.0 ± " in finding.why
    assert finding.next_step.startswith("First unplug the servo")
    assert "pinch" in finding.next_step
    assert finding.evidence["beyond_us"] == pytest.approx(120.0, abs=0.01)


def test_without_a_design_the_servos_range_is_said_to_be_assumed() -> None:
    (finding,) = diagnose([Heard(make_train(0.45e-3), "short.csv")]).findings
    assert finding.cause == "end-stop-low"
    assert "assumed" in finding.why
    assert "maybe" in finding.sure
    assert "benchlog servo NAME" in finding.next_step


def _couple(share: float, **other: Any) -> Couplings:
    """Make two channels of which the second moves the first."""
    part = Part(4e-6, share, 0.9 * share, min(1.0, 1.1 * share))
    size = CouplingSize(-6e-6, 1e-6, 0.05, 0.01, 0.0, 0.12, 0.02, part, part)
    figures: dict[str, Any] = {
        "source": 1, "target": 0, "found": True, "p_turns": 1e-8, "p_restless": 1.0,
        "p_strokes": 1.0, "is_turned": True, "travel_s": 3e-4, "turning_share": 0.3,
        "log_odds": 30.0, "size": size,
    }  # fmt: skip
    return Couplings((Coupling(**{**figures, **other}),))


def test_what_a_neighbour_leaves_is_at_most_a_maybe() -> None:
    one = make_input(contribution("supply", "supply", 0.6), contribution("wiper", "wiper", 0.4))
    left = make_input(
        contribution("wiper", "wiper", 0.9), contribution("off-path", "off-path", 0.1)
    )
    found = list(weigh_input(one, _couple(0.5), 0, [1, 2], left))
    check_findings(found)
    assert [finding.cause for finding in found] == ["neighbour", "wiper", "off-path"]
    assert [finding.share for finding in found] == pytest.approx([0.5, 0.45, 0.05])
    assert "input 2" in found[0].what
    assert "-6.0 ± 2.0 µs" in found[0].why
    assert "120 ± 40 ms" in found[0].why
    assert found[0].sure.startswith("Surely")
    for finding in found[1:]:
        assert finding.sure.startswith("Maybe")
        assert finding.next_step.startswith("First take the neighbour's pull away")
        assert "(limit" not in finding.why  # that is told once, with the neighbour
        assert finding.evidence["pulse_sd_us"] == found[0].evidence["pulse_sd_us"]
    # what weighs more than the neighbour stands first and by itself
    found = list(weigh_input(one, _couple(0.2), 0, [1, 2], left))
    assert [finding.cause for finding in found] == ["wiper", "neighbour", "off-path"]
    assert found[0].sure.startswith("Surely")


@pytest.mark.parametrize(
    ("kind", "cause"),
    [("contact", "wiper"), ("upper-level", "threshold"), ("supply-on-end", "supply"),
     ("mains", "mains")],
)  # fmt: skip
def test_what_may_be_left_of_a_neighbours_strokes_is_not_named(kind: str, cause: str) -> None:
    one = make_input(contribution("supply", "supply", 1.0))
    left = make_input(contribution(kind, cause, 1.0, slow_pulse_rms_s=0.0, fast_pulse_rms_s=8e-6))
    found = weigh_input(one, _couple(0.85), 0, [1, 2], left)
    assert [finding.cause for finding in found] == ["neighbour"]
    found = weigh_input(one, _couple(0.7), 0, [1, 2], left)  # more than any fit leaves
    assert [finding.cause for finding in found] == ["neighbour", cause]
    found = weigh_input(one, _couple(0.7), 0, [1, 2], make_input())  # within the limits
    assert [finding.cause for finding in found] == ["neighbour"]


def test_a_knob_that_is_turned_beside_is_no_fault_of_its_channel() -> None:
    one = make_input(contribution("wiper", "wiper", 0.95), contribution("supply", "supply", 0.05))
    (finding,) = weigh_input(replace(one, input=2), _couple(0.5), 1, [1, 2])
    assert finding.cause == "steady"
    assert "no fault" in finding.what
    assert "goes over 300 µs as the knob turns" in finding.why


def _falling(design: Design | None, volts: tuple[float, float], *, noise_s: float = 1e-6) -> Any:
    """Make two channels whose pulses move as supplies that fall by so many volts in 60 s."""
    rng = np.random.default_rng(12)
    heard = []
    for number, (on_s, off_s, fall) in enumerate(
        ((1.265e-3, 13.46e-3, volts[0]), (1.6e-3, 12.1e-3, volts[1])), start=1
    ):
        count = int(60.0 / (on_s + off_s))
        way = {one.kind: one for one in find_directions(on_s, off_s, design)}["supply"]
        course = -fall * (1.0 - np.exp(-3.0 * np.arange(count) / count)) / (1.0 - math.exp(-3.0))
        on = on_s + (way.on_s + way.next_on_s) * course + noise_s * rng.standard_normal(count)
        off = off_s + (way.off_s + way.next_off_s) * course + noise_s * rng.standard_normal(count)
        times = 0.003 + np.concatenate([[0.0], np.cumsum(np.stack([on, off], 1).ravel())])
        levels = np.arange(times.size) % 2 == 0
        edges = edges_from_list(EdgeList(times, levels, 1e-7, 0.0, float(times[-1] + 0.003)))
        measured = measure_edges(edges, input_=number)
        assert measured is not None
        heard.append(Heard(measured, "both.flac", design))
    return diagnose(heard)


@pytest.mark.parametrize("designed", [True, False])
def test_a_fall_that_two_channels_share_is_surely_the_supply(heron: Design, designed: bool) -> None:
    found = _falling(heron if designed else None, (0.8, 0.8))
    check_findings(list(found.findings))
    assert [(one.input, one.cause) for one in found.findings] == [(1, "supply"), (2, "supply")]
    for one in found.findings:
        assert one.sure.startswith("Surely the supply")
        # without a design no second digit
        assert one.what.startswith(f"The supply falls by some {'0.67' if designed else '0.7'} V")
        assert "diode" not in one.what
        assert one.evidence["alike_input"] == 3 - one.input
        assert "or_like" not in one.evidence
        correlation, change_v = one.evidence["correlation"], one.evidence["alike_supply_change_v"]
        assert isinstance(correlation, float)
        assert correlation > 0.99
        # 1 - exp(-3 x) over 1 - exp(-3) is 0.14 in the first tenth and 0.99 in the last, on average
        assert change_v == pytest.approx(-0.8 * (0.99 - 0.14), rel=0.05)


def test_falls_of_other_volts_are_no_common_supply(heron: Design) -> None:
    found = _falling(heron, (0.8, 0.5))
    for one in found.findings:
        assert one.cause in ("supply", "diode")
        assert "alike_input" not in one.evidence
    # two degrees of both diodes, as a draught makes them, would do as much
    found = _falling(heron, (0.08, 0.08), noise_s=1e-7)
    assert all("alike_input" not in one.evidence for one in found.findings)


def test_a_still_channel_is_left_alone_by_a_neighbour() -> None:
    (finding,) = weigh_input(make_input(), _couple(0.5), 0, [1, 2])
    assert finding.cause == "steady"


# --- the whole way ------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "seed"),
    [
        ("healthy", 3), ("wiper-wandering", 3), ("wiper-contact", 4), ("battery-sag", 3),
        ("capacitor-warming", 3), ("off-path-leak", 3), ("mains-50", 3), ("missing-pulses", 3),
        ("extra-edges", 3), ("wiper-and-battery", 4),
    ],
)  # fmt: skip
def test_simulated_faults_are_named(kind: str, seed: int) -> None:
    case = draw_case(kind, seed)
    found = list(diagnose(case.heard(), case.design).findings)
    check_findings(found)
    assert found[0].cause in case.accepted
    if kind == "healthy":
        assert len(found) == 1


@pytest.mark.parametrize("seconds", [0.03, 0.1, 0.5, 3.0])
def test_next_to_nothing_is_not_enough(seconds: float) -> None:
    found = diagnose([Heard(make_train(seconds=seconds), "short.csv")])
    check_findings(list(found.findings))
    assert [one.cause for one in found.findings] == ["not-enough-to-tell"]
    assert not found.is_wrong


def test_gaps_everywhere_leave_the_gaps() -> None:
    measured = make_train(seconds=20.0)
    gaps = tuple(Gap(0.02 * k, 0.004) for k in range(900))
    edges = replace(measured.edges, gaps=gaps)
    again = measure_edges(edges)
    if again is None:
        pytest.skip("no pulse is left")
    found = list(diagnose([Heard(again, "holes.csv")]).findings)
    check_findings(found)
    assert found[0].cause == "gap"


def test_recordings_of_several_lengths_are_judged_together(heron: Design) -> None:
    heard = [
        Heard(make_train(on_us * 1e-6, seconds=seconds), f"{on_us}.csv", heron)
        for on_us, seconds in ((700, 0.05), (1265, 2.0), (1900, 15.0))
    ]
    found = diagnose(heard)
    check_findings(list(found.findings))
    assert [one.cause for one in found.findings] == ["steady"]
    assert len(found.inputs[0].cycles) == 3


def test_nothing_heard_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="nothing"):
        diagnose([])


def test_two_inputs_each_get_findings(heron: Design) -> None:
    heard = [
        Heard(make_train(), "both.wav", heron),
        Heard(make_train(1.5e-3, 15e-3, input_=2), "both.wav"),
    ]
    found = diagnose(heard)
    check_findings(list(found.findings))
    assert [one.input for one in found.inputs] == [1, 2]
    assert [(one.input, one.cause) for one in found.findings] == [(1, "steady"), (2, "steady")]


def test_an_empty_list_of_cycles_is_told() -> None:
    one = make_input()
    none = Cycles(np.empty(0), np.empty(0), np.empty(0), np.empty(0, bool), 1e-7, duration_s=60.0)
    (finding,) = weigh(replace(one, cycles=(none,), unrest=None))
    assert finding.cause == "not-enough-to-tell"
    assert "0 whole cycles" in finding.text
