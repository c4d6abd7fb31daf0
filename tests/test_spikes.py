"""Spikes between edges, too short to be edges themselves."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.capture.simulated import SoundInputModel, TrueEdges, render_sound
from benchlog.capture.simulated_filter import FilterKind
from benchlog.diagnosis.train.events import Events, find_events
from benchlog.recording import samples_from_array
from benchlog.timing.edges import find_edges
from benchlog.timing.pulses import measure_edges
from benchlog.timing.spikes import find_spikes

ON_S, OFF_S = 1.5e-3, 8.5e-3
DURATION_S = 12.0


def heard(at_s: list[float], width_s: float, model: SoundInputModel) -> Events:
    """Find the events of a still channel whose output flips for an instant at some times."""
    starts = np.arange(0.003, DURATION_S, ON_S + OFF_S)
    times = np.column_stack([starts, starts + ON_S]).ravel()
    extra = [moment for begin in at_s for moment in (begin, begin + width_s)]
    both = np.sort(np.concatenate([times, extra]))
    values = render_sound(TrueEdges.from_times(both, first=True), model, DURATION_S, 3)
    edges = find_edges(samples_from_array(values[:, None], model.rate_hz, step=model.step_fs))[0]
    measurement = measure_edges(edges, input_=1)
    assert measurement is not None
    return find_events(measurement)


def test_a_lone_sample_stands_out_and_an_edge_does_not() -> None:
    values = np.zeros(400)
    values[100:172] = 1.0  # a pulse
    values[250] = 1.0
    values[120] = 0.0
    found = find_spikes(values, np.array([100.0, 172.0]), 48000.0, 1.0, 0.0)
    assert found.tolist() == [120.0, 250.0]


@pytest.mark.parametrize("rate_hz", [48000.0, 96000.0])
@pytest.mark.parametrize("width_s", [30e-6, 60e-6])
def test_short_spikes_far_from_edges_are_extra_edges(rate_hz: float, width_s: float) -> None:
    # rests run from 4.5 to 13 ms after each whole 10 ms
    at_s = [3.0071, 5.5092, 9.1101]
    found = heard(at_s, width_s, SoundInputModel(rate_hz=rate_hz, snr_db=50.0))
    assert [one.kind for one in found.events] == ["extra-edge"] * 3
    assert all(one.sure for one in found.events)
    # a spike is placed to a sample and the filter's half width, with room: 60 us
    assert [one.time_s for one in found.events] == pytest.approx(at_s, abs=6e-5)


@pytest.mark.parametrize("after_s", [60e-6, 120e-6, 200e-6, 300e-6])
def test_chatter_behind_an_edge_is_told_of(after_s: float) -> None:
    model = SoundInputModel(snr_db=50.0)
    found = heard([6.003 + ON_S + after_s], 40e-6, model)
    assert [one.kind for one in found.events] == ["extra-edge"]
    assert found.events[0].time_s == pytest.approx(6.003 + ON_S + after_s, abs=3e-4)


@pytest.mark.parametrize("filter_", ["linear", "minimum", "narrow"])
@pytest.mark.parametrize("snr_db", [24.0, 60.0])
def test_an_input_that_rings_makes_no_spikes(filter_: FilterKind, snr_db: float) -> None:
    assert heard([], 0.0, SoundInputModel(filter=filter_, snr_db=snr_db)).events == ()


def test_a_recording_that_ends_beside_an_edge_holds_no_odd_step() -> None:
    model = SoundInputModel(snr_db=55.0)
    times = 0.00014 + np.cumsum(np.tile([ON_S, OFF_S], 300))
    times = np.concatenate(([0.00014], times))  # six samples after the beginning
    edges = TrueEdges.from_times(times, first=True)
    values = render_sound(edges, model, 3.0, 4)
    found = find_edges(samples_from_array(values[:, None], model.rate_hz, step=model.step_fs))[0]
    measurement = measure_edges(found, input_=1)
    assert measurement is not None
    assert find_events(measurement).events == ()
