"""Events: told apart on trains worked out by hand, then on simulated channels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import list_cycles
from benchlog.diagnosis.train.events import Events, find_events
from benchlog.diagnosis.train.odd_heights import stands_alone
from benchlog.recording import EdgeList, Gap
from benchlog.timing.pulses import measure_recording
from tests.simulated_events import KINDS, draw_case

ON_S, OFF_S = 1.5e-3, 8.5e-3
PERIOD_S = ON_S + OFF_S
COUNT = 400


def train(count: int = COUNT) -> NDArray[np.float64]:
    """Return rest and pulse lengths of a still train: pulse, rest, pulse, ..."""
    return np.tile([ON_S, OFF_S], count)


def events_of(length_s: NDArray[np.float64], gaps: tuple[Gap, ...] = ()) -> Events:
    """Find the events of a train that begins with a pulse, of the given lengths."""
    time = np.concatenate(([0.0], np.cumsum(length_s))) + 1e-3
    level = np.arange(time.shape[0]) % 2 == 0
    listed = EdgeList(time, level, 1e-6, 0.0, float(time[-1]) + 1e-3, gaps=gaps)
    (measurement,) = measure_recording((listed,))
    return find_events(measurement)


def test_still_train_has_no_events() -> None:
    found = events_of(train())
    assert found.events == ()
    assert not found.spoilt.any()
    assert not found.weak
    assert not found.clipping


def test_missing_pulses_are_counted_and_placed() -> None:
    length = train()
    rest = OFF_S + 2 * PERIOD_S  # pulses 101 and 102 do not come
    (one,) = events_of(np.concatenate((length[:201], [rest], length[206:]))).events
    assert (one.kind, one.count, one.phase_kept, one.sure) == ("missing-pulse", 2, True, True)
    assert one.time_s == pytest.approx(1e-3 + 101 * PERIOD_S, abs=1e-9)
    assert one.length_s == pytest.approx(2 * PERIOD_S, abs=1e-9)


def test_longer_rests_and_pulses_in_a_row_are_no_reset() -> None:
    length = train()
    # some kilohm in the contact for three cycles: rests half as long again, pulses a fifth
    length[201:207] *= [1.4, 1.15, 1.9, 1.3, 1.5, 1.2]
    assert "reset" not in events_of(length).counts
    length = train()
    length[201] *= 1.5  # one rest goes on, and one pulse begins from an empty capacitor
    length[202] *= 1.6
    assert events_of(length).counts == {"reset": 1}


def test_open_contact_leaves_another_phase() -> None:
    length = train()
    length[201] = OFF_S + 13.7e-3
    (one,) = events_of(length).events
    assert (one.kind, one.phase_kept) == ("missing-pulse", False)


@pytest.mark.parametrize("width_s", [5e-6, 50e-6, 0.5e-3, ON_S])
def test_extra_pulse_in_the_rest(width_s: float) -> None:
    length = train()
    parts = [3e-3, width_s, OFF_S - 3e-3 - width_s]
    (one,) = events_of(np.concatenate((length[:201], parts, length[202:]))).events
    assert (one.kind, one.count, one.phase_kept) == ("extra-edge", 1, True)
    assert one.time_s == pytest.approx(1e-3 + 100 * PERIOD_S + ON_S + 3e-3, abs=1e-9)
    assert one.length_s == pytest.approx(width_s, abs=1e-9)


def test_chatter_at_an_edge() -> None:
    length = train()
    parts = [20e-6, 10e-6, ON_S - 30e-6]
    found = events_of(np.concatenate((length[:200], parts, length[201:])))
    assert [one.kind for one in found.events] == ["extra-edge"]


def test_early_trigger_starts_the_train_anew() -> None:
    # after half the rest an ideal capacitor stands at 2/3 * 2^-0.5 of the supply; the pulse from
    # there to 2/3 lasts log2(3 - 2^0.5) of the usual (charging law of the textbook astable)
    length = train()
    length[201] = 0.5 * OFF_S
    length[202] = ON_S * math.log2(3.0 - math.sqrt(2.0))
    (one,) = events_of(length).events
    assert (one.kind, one.phase_kept) == ("extra-edge", False)


def test_reset_is_told_by_the_long_pulse_after_it() -> None:
    # from an empty capacitor ln 3 / ln 2 of the usual pulse
    length = train()
    length[200:203] = [0.3 * ON_S, 2e-3, ON_S * math.log(3.0) / math.log(2.0)]
    (one,) = events_of(length).events
    assert one.kind == "reset"


@pytest.mark.parametrize(("rest", "pulse"), [(0.4, 1.0), (0.93, 1.0), (0.3, 0.8), (1.0, 0.3)])
def test_lost_time_shortens_one_place_alone(rest: float, pulse: float) -> None:
    length = train()
    length[201] *= rest
    length[202] *= pulse
    lost = OFF_S * (1 - rest) + ON_S * (1 - pulse)
    (one,) = events_of(length).events
    assert one.kind == "gap"
    assert one.length_s == pytest.approx(lost, abs=1e-9)


def test_marked_gap_is_one_event_of_its_length() -> None:
    length = train()
    length[201] += 0.123
    begin = 1e-3 + 100 * PERIOD_S + ON_S
    (one,) = events_of(length, (Gap(begin, 0.123),)).events
    assert (one.kind, one.sure, one.length_s) == ("gap", True, 0.123)


def test_long_absence_is_the_lead() -> None:
    length = train()
    length[201] += 0.7031
    (one,) = events_of(length).events
    assert one.kind == "dropout"


def test_spoilt_marks_the_cycles_that_an_event_touches_alone() -> None:
    length = train()
    parts = [3e-3, 0.2e-3, OFF_S - 3.2e-3]
    found = events_of(np.concatenate((length[:201], parts, length[202:])))
    assert np.flatnonzero(found.spoilt).tolist() == [100]


def test_supply_that_is_pulled_and_comes_back_is_no_event() -> None:
    length = train()
    for cycle in (50, 150, 250):  # a stroke: the pulse shorter when it starts, longer at its end
        length[2 * cycle] *= 0.86
        length[2 * cycle + 1] *= 0.97
        length[2 * cycle + 10] *= 1.15
    assert events_of(length).events == ()


def test_bad_contact_lengthens_rests_and_is_no_event() -> None:
    length = train()
    rng = np.random.default_rng(5)
    for cycle in rng.choice(np.arange(20, 380), 40, replace=False):
        length[2 * cycle + 1] *= 1.0 + rng.uniform(0.01, 0.3)
    assert events_of(length).events == ()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(5))
def test_kinds_are_told_on_edge_lists(kind: str, seed: int) -> None:
    case = draw_case(kind, 1000 + seed, sampled=False, duration_s=30.0)
    counts = find_events(case.measurement).counts
    if not case.word:
        assert not counts
    else:
        assert counts
        # of 30 s with up to 30 events some are beside each other and count as one
        assert max(counts, key=lambda one: counts[one]) == case.word


@pytest.mark.parametrize("kind", ["healthy", "extra", "missing"])
def test_kinds_are_told_on_sound(kind: str) -> None:
    case = draw_case(kind, 4, sampled=True, duration_s=8.0)
    counts = find_events(case.measurement).counts
    if not case.word:
        assert not counts
    else:
        assert counts[case.word] >= 0.7 * sum(counts.values()) > 0


def test_a_lone_odd_step_stands_out_and_a_supply_that_falls_does_not() -> None:
    share = 1.0 + 0.002 * np.random.default_rng(3).standard_normal(400)
    share[200] = 0.8
    assert np.flatnonzero(stands_alone(share)).tolist() == [200]
    share[200:260] = 0.8  # all steps of a second are lower: the supply is
    assert not stands_alone(share).any()
    noisy = 1.0 + 0.05 * np.random.default_rng(4).standard_normal(400)
    noisy[200] = 0.8  # four times the noise
    assert not stands_alone(noisy).any()


def test_a_contact_far_out_of_the_usual_stays_among_the_cycles() -> None:
    length = train()
    odd = np.arange(21, 780, 20)  # every tenth rest lasts a tenth longer: no sample was lost
    length[odd] *= 1.1
    time = np.concatenate(([0.0], np.cumsum(length))) + 1e-3
    level = np.arange(time.shape[0]) % 2 == 0
    listed = EdgeList(time, level, 1e-6, 0.0, float(time[-1]) + 1e-3)
    (measurement,) = measure_recording((listed,))
    cycles = list_cycles(measurement, find_events(measurement).spoilt)
    assert np.std(cycles.off_s) == pytest.approx(0.1 * OFF_S * math.sqrt(0.1 * 0.9), rel=0.05)
