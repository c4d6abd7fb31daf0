"""Events: told apart on trains worked out by hand, then on simulated channels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles, list_cycles
from benchlog.diagnosis.train.event_kinds import Event, EventKind
from benchlog.diagnosis.train.events import Events, find_events
from benchlog.diagnosis.train.joint import join_events
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


def test_a_gap_late_in_a_pulse_is_within_it() -> None:
    length = train()
    parts = [0.7 * ON_S, 30e-6, 0.3 * ON_S - 30e-6]  # the last two are tiny, the whole is a pulse
    found = events_of(np.concatenate((length[:200], parts, length[201:])))
    assert [(one.kind, one.sure, one.phase_kept) for one in found.events] == [
        ("extra-edge", True, True)
    ]


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


def cycles_of(length_s: NDArray[np.float64]) -> tuple[Events, Cycles]:
    """Find the events of a train that begins with a pulse, and the cycles they leave."""
    time = np.concatenate(([0.0], np.cumsum(length_s))) + 1e-3
    level = np.arange(time.shape[0]) % 2 == 0
    listed = EdgeList(time, level, 1e-6, 0.0, float(time[-1]) + 1e-3)
    (measurement,) = measure_recording((listed,))
    found = find_events(measurement)
    return found, list_cycles(measurement, found.spoilt)


def test_a_cut_that_takes_a_whole_pulse_is_one_beside_cuts_that_shorten_rests() -> None:
    length = train()
    length[[101, 301, 501]] *= [0.92, 0.81, 0.88]  # a second or so lost, a bad contact makes none
    long = 1.957 * OFF_S  # rest, pulse and rest less what was lost: the pulse is gone
    found, cycles = cycles_of(np.concatenate((length[:401], [long], length[404:])))
    assert found.counts == {"gap": 4}
    assert found.events[2].length_s == pytest.approx(2 * OFF_S + ON_S - long, abs=1e-9)
    assert np.ptp(cycles.period_s) < 1e-9


def test_a_rest_far_too_long_is_not_among_the_cycles_of_a_restless_circuit() -> None:
    length = train()
    odd = np.arange(21, 780, 40)
    length[odd] *= 1.2
    length[odd - 1] *= 1.1  # the pulse before it as well: no cut
    length[401] *= 1.7
    found, cycles = cycles_of(length)
    assert found.events == ()
    assert cycles.off_s.max() == pytest.approx(1.2 * OFF_S)
    # where others go half as far it is the circuit's own, and says how bad it is
    length[odd[::2]] *= 1.4 / 1.2
    found, cycles = cycles_of(length)
    assert found.events == ()
    assert cycles.off_s.max() == pytest.approx(1.7 * OFF_S)


def test_chatter_longer_than_a_fifth_of_a_short_pulse_is_no_cut() -> None:
    on_s, off_s = 0.8e-3, 18e-3
    parts = []
    for cycle in range(COUNT):
        if cycle % 40 == 20:  # the fall comes again 195 us later: two tiny intervals in a row
            parts += [on_s, 150e-6, 45e-6, off_s - 195e-6]
        else:
            parts += [on_s, off_s]
    found = events_of(np.array(parts))
    assert found.counts == {"extra-edge": COUNT // 40}
    assert all(one.sure and one.phase_kept and one.count == 1 for one in found.events)


def test_a_pulse_that_chatter_cuts_short_is_left_out() -> None:
    length = train()
    for cycle in (100, 200, 300):
        at = 2 * cycle + 6 * (cycle // 100 - 1)
        # behind the fall, and behind the next rise: the measured pulse begins at the second one
        parts = [ON_S, 50e-6, 45e-6, OFF_S - 95e-6, 120e-6, 25e-6, ON_S - 145e-6]
        length = np.concatenate((length[:at], parts, length[at + 3 :]))
    # nothing but the usual pulse is left
    found, cycles = cycles_of(length)
    assert set(found.counts) == {"extra-edge"}
    assert np.ptp(cycles.on_s) < 1e-9
    assert cycles.count > COUNT - 12


def pulled(step: float, *, pulse_steps: bool) -> NDArray[np.float64]:
    """Return a train whose supply falls by a share for eight cycles, every forty, in the rest.

    The capacitor falls from 2/3 of the old supply to 1/3 of the new one (charging law of the
    textbook astable, `log2` of the shares more of the usual rest). Through the diode's drop the
    pulse is longer by some 0.3 of the step (design figure: 7 %/V at 5 V).
    """
    length = train()
    for cycle in range(20, COUNT - 20, 40):
        length[2 * cycle + 1] *= 1.0 + math.log2(1.0 / (1.0 - step))
        length[2 * cycle + 17] *= 1.0 + math.log2(1.0 - step)
        if pulse_steps:
            length[2 * cycle + 2 : 2 * cycle + 18 : 2] *= 1.0 + 0.3 * step
    return length


@pytest.mark.parametrize("step", [0.05, 0.15, 0.25])
def test_a_supply_that_steps_within_a_rest_is_no_cut(step: float) -> None:
    found, cycles = cycles_of(pulled(step, pulse_steps=True))
    assert found.events == ()
    assert not found.spoilt.any()
    assert cycles.off_s.max() == pytest.approx(OFF_S * (1.0 - math.log2(1.0 - step)))


def test_a_rest_far_too_short_between_pulses_alike_is_a_cut() -> None:
    length = pulled(0.25, pulse_steps=False)
    assert events_of(length).counts["gap"] >= 10  # each rest of 0.58 of the usual


def test_the_tail_of_a_restless_rest_is_no_cut() -> None:
    # a load within the cycle at no time of its own: Student's t with 3 degrees has such tails
    length = train(2000)
    rng = np.random.default_rng(8)
    length[1::2] += 25e-6 * rng.standard_t(3, 2000)
    length[1::2] = np.minimum(length[1::2], OFF_S + 2e-4)  # what falls out is too short alone
    assert "gap" not in events_of(length).counts


def test_a_list_is_cut_maybe_and_samples_surely() -> None:
    length = train()
    length[201] *= 0.4
    (one,) = events_of(length).events
    assert (one.kind, one.sure) == ("gap", False)
    case = draw_case("lost", 4, sampled=True, duration_s=8.0)
    found = find_events(case.measurement)
    assert set(found.counts) == {"gap"}
    assert any(one.sure for one in found.events)


def made(kind: EventKind, at_s: float, *, kept: bool = True, sure: bool = True) -> Event:
    return Event(kind, at_s, 0.0, 1, kept, sure)


def test_one_place_is_one_event() -> None:
    # a spike where the signal jumps, and the beat lost half a period later
    spike = made("extra-edge", 5.000)
    gap = made("gap", 5.005, kept=False, sure=False)
    (one,) = join_events([gap, spike], PERIOD_S)
    assert (one.kind, one.sure, one.rival) == ("gap", False, "extra-edge")
    # a gap that the recorder tells of leaves no question
    (one,) = join_events([made("gap", 5.0, kept=False), made("extra-edge", 5.004)], PERIOD_S)
    assert (one.kind, one.sure, one.rival) == ("gap", True, None)
    # two more extra pulses elsewhere: this is another one
    others = [made("extra-edge", 1.0), made("extra-edge", 9.0)]
    found = join_events([*others, spike, gap], PERIOD_S)
    assert [(one.kind, one.time_s, one.rival) for one in found] == [
        ("extra-edge", 1.0, None), ("extra-edge", 5.0, None), ("extra-edge", 9.0, None)
    ]  # fmt: skip


def test_events_apart_or_of_one_kind_stay() -> None:
    apart = [made("extra-edge", 5.0), made("gap", 5.0 + 1.01 * PERIOD_S, kept=False)]
    assert join_events(apart, PERIOD_S) == apart
    alike = [made("extra-edge", 5.0), made("extra-edge", 5.001)]
    assert join_events(alike, PERIOD_S) == alike
