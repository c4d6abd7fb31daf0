"""The simulated sound input against independent computations of the same filters."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchlog.capture.simulated_edges import TrueEdges
from benchlog.capture.simulated_filter import FilterKind, impulse_response, shape_edge
from benchlog.capture.simulated_sound import SoundInputModel, render_blocks, render_sound

RATE = 48000.0
HALF_LENGTH = 40
BETA = 10.06
CUTOFF = 0.45

Spectrum = Callable[[NDArray[np.float64]], NDArray[np.complex128]]


def plain(**changes: object) -> SoundInputModel:
    """Return a noiseless, unrounded input with a step of 1."""
    return SoundInputModel(**{"amplitude": 1.0, "bits": None, "clip_fs": 10.0, **changes})  # type: ignore[arg-type]


def periodic_edges(count: int, period: float, width: float, first: float) -> TrueEdges:
    """Pulses with period, width and first rise in samples."""
    rises = first + period * np.arange(count)
    times = np.stack([rises, rises + width], axis=1).ravel() / RATE
    return TrueEdges.from_times(times, first=True)


def windowed_sinc_spectrum(frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Fourier transform of the windowed sinc by Gauss-Legendre quadrature, zero phase.

    The Kaiser window is written with scipy's Bessel function, in continuous time.
    """
    from scipy.special import i0

    nodes, weights = np.polynomial.legendre.leggauss(600)
    time = (nodes + 1) / 2 * HALF_LENGTH
    window = i0(BETA * np.sqrt(1 - (time / HALF_LENGTH) ** 2)) / i0(BETA)
    kernel = 2 * CUTOFF * np.sinc(2 * CUTOFF * time) * window * weights * HALF_LENGTH
    kernel /= kernel.sum()
    spectrum = np.cos(2 * np.pi * np.outer(frequency, time)) @ kernel
    return np.asarray(spectrum, dtype=np.complex128)


def butterworth_spectrum(frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    from scipy.signal import butter, freqs

    b, a = butter(4, 2 * np.pi / 8, analog=True)
    return np.asarray(freqs(b, a, 2 * np.pi * frequency)[1], dtype=np.complex128)


def fourier_reference(
    lowpass: Spectrum,
    corners: tuple[float, ...],
    period: float,
    width: float,
    rise: float,
    time: NDArray[np.float64],
    top: float,
) -> NDArray[np.float64]:
    """Steady answer to a pulse train of height 1, from its Fourier series.

    The series of a rectangular pulse train is in any handbook: coefficient n is
    sin(pi n d) / (pi n) about the pulse's centre, d the duty cycle. All in samples.
    """
    harmonic = np.arange(1, int(top * period) + 1)
    frequency = harmonic / period
    duty = width / period
    coefficient = np.sin(np.pi * harmonic * duty) / (np.pi * harmonic) * lowpass(frequency)
    mean = duty
    for corner in corners:
        if corner > 0:
            coefficient = coefficient * 1j * frequency / (1j * frequency + corner / RATE)
            mean = 0.0
    phase = np.outer(time - rise - width / 2, 2j * np.pi * frequency)
    result: NDArray[np.float64] = mean + 2 * (np.exp(phase) @ coefficient).real
    return result


@pytest.mark.parametrize("corners", [(), (0.0,), (20.0,), (80.0, 5.0), (10.0, 10.0), (1000.0,)])
@pytest.mark.parametrize(
    ("kind", "lowpass", "top"),
    [("linear", windowed_sinc_spectrum, 0.6), ("narrow", butterworth_spectrum, 4.0)],
)
def test_samples_equal_the_fourier_series(
    kind: FilterKind, lowpass: Spectrum, top: float, corners: tuple[float, ...]
) -> None:
    """Source: Fourier series of the pulse train; scipy.signal.freqs for Butterworth.

    Tolerance 2e-6: the windowed sinc's stop band is 100 dB down (1e-5) and falls off as
    1/n like the series itself, so leaving it out beyond 0.6 of the rate costs below 1e-6;
    the Butterworth at 4 times the rate has fallen to (1/32)^4 = 1e-6 of terms of 1e-4.
    """
    period, width, first = 977.3, 71.77, 12.34
    edges = periodic_edges(3, period, width, first)
    got = render_sound(edges, plain(filter=kind, corners_hz=corners), 2000 / RATE)
    time = np.arange(2000.0)
    expected = fourier_reference(lowpass, corners, period, width, first, time, top)
    np.testing.assert_allclose(got, expected, rtol=0, atol=2e-6)


def test_samples_equal_an_oversampled_chain() -> None:
    """Source: scipy.signal at 128 times the rate, from rest.

    The wave has its edges on the dense grid with half a step on the edge itself
    (trapezoid rule); the filter is a dense FIR; the high pass is scipy's exact
    discretisation of the analog one for straight lines between points (lsim). The
    trapezoid's error is h^2 / 12 times the kernel's slope, at most 1.1 a sample squared,
    with h = 1/128: 5.6e-6.
    """
    from scipy.signal import fftconvolve, lsim

    dense = 128
    edge_at = np.array([100 * dense + 35, 130 * dense + 87, 400 * dense + 1, 431 * dense + 61])
    total = 600
    wave = np.zeros(total * dense)
    for k, place in enumerate(edge_at):
        sign = 1.0 if k % 2 == 0 else -1.0
        wave[place + 1 :] += sign
        wave[place] += sign / 2
    time = np.arange(-HALF_LENGTH * dense, HALF_LENGTH * dense + 1) / dense
    kernel = np.sinc(2 * CUTOFF * time) * np.kaiser(time.size, BETA)
    filtered = fftconvolve(wave, kernel / kernel.sum(), mode="same")
    corner = 2 * np.pi * 50.0 / RATE
    seconds = np.arange(wave.size) / dense
    expected = lsim(([1.0, 0.0], [1.0, corner]), filtered, seconds)[1][::dense]
    edges = TrueEdges.from_times(edge_at / dense / RATE, first=True)
    model = plain(corners_hz=(50.0,), settled=False)
    got = render_sound(edges, model, total / RATE)
    np.testing.assert_allclose(got, expected, rtol=0, atol=6e-6)


def test_narrow_step_equals_scipy() -> None:
    """Source: scipy.signal.step of scipy.signal.butter; scipy's own tolerance is 1e-7."""
    from scipy.signal import butter, step

    shape = shape_edge("narrow", CUTOFF, ())
    time = np.linspace(0, 75, 4001)
    _, expected = step(butter(4, 2 * np.pi / 8, analog=True), T=time)
    np.testing.assert_allclose(shape.at(time), expected, atol=1e-7)


def test_minimum_phase_is_the_one_of_scipy() -> None:
    """Source: scipy.signal.minimum_phase, homomorphic, on an odd-length FIR of the same kind.

    It works on the dense grid from its own kernel, and floors the magnitude in its own
    way, which moves the filter's delay by up to a thousandth of a sample.
    """
    from scipy.signal import minimum_phase

    dense = 64
    time = np.arange(-HALF_LENGTH * dense, HALF_LENGTH * dense + 1) / dense
    kernel = np.sinc(2 * CUTOFF * time) * np.kaiser(time.size, BETA)
    kernel /= kernel.sum()
    expected = minimum_phase(kernel, method="homomorphic", n_fft=1 << 20, half=False) * dense
    _, got = impulse_response("minimum", CUTOFF)
    np.testing.assert_allclose(got, expected, atol=1e-4 * got.max())


def test_minimum_phase_has_the_magnitude_of_the_linear_one() -> None:
    """The answer before the step is 0, and the magnitudes differ by 1e-6 at most."""
    time, minimum = impulse_response("minimum", CUTOFF)
    _, linear = impulse_response("linear", CUTOFF)
    assert time[0] == 0
    one, other = (np.abs(np.fft.rfft(h / 64, 1 << 16)) for h in (minimum, linear))
    np.testing.assert_allclose(one, other, atol=3e-6)
    # Its energy comes early: half of it within 5 samples, the linear one's after 40.
    energy = np.cumsum(minimum**2) / np.sum(minimum**2)
    assert time[np.searchsorted(energy, 0.5)] < 5


@pytest.mark.parametrize("kind", ["linear", "minimum", "narrow"])
def test_step_ends_at_one_and_tail_takes_over_smoothly(kind: FilterKind) -> None:
    """The table's end and the exponential tail are the same number."""
    shape = shape_edge(kind, CUTOFF, (0.002, 0.0005))
    end = np.array([shape.first + shape.count])
    tail = shape.tail_weight @ np.exp(-shape.tail_rate * end)
    np.testing.assert_allclose(shape.at(end), tail, atol=1e-8)
    np.testing.assert_allclose(shape_edge(kind, CUTOFF, ()).tail_weight, [1.0], atol=1e-9)


def test_true_width_comes_back_from_the_samples() -> None:
    """Crossings found by band-limited (zero-padded Fourier) interpolation, DC-coupled.

    With 'linear', symmetric about the edge, the mid-level crossing is the edge; the ringing
    of the other edge, 71 samples off, is the windowed sinc's beyond its window: none.
    """
    period, width = 960.0, 71.77
    edges = periodic_edges(4, period, width, 100.21)
    values = render_sound(edges, plain(corners_hz=()), 4 * period / RATE).astype(float)
    factor = 64
    dense = np.fft.irfft(np.fft.rfft(values), values.size * factor) * factor
    above = dense > 0.5
    place = np.flatnonzero(above[1:] != above[:-1])
    share = (0.5 - dense[place]) / (dense[place + 1] - dense[place])
    crossing = (place + share) / factor
    # float32 samples (6e-8) and a straight line over 1/64 sample (1e-6): far below 1e-4.
    np.testing.assert_allclose(crossing, edges.time_s * RATE, atol=1e-4)


def test_noise_has_the_level_that_the_ratio_says() -> None:
    """Worked by hand: 54 dB below a step of 0.4 is 0.4 / 501.187 = 798.1e-6.

    The standard deviation of n = 96000 values is known to 1 / sqrt(2 n) = 0.23 %; 4 of them.
    """
    model = SoundInputModel(snr_db=54.0, bits=None)
    assert model.noise_sd_fs == pytest.approx(0.4 / 501.187, rel=1e-5)
    edges = TrueEdges.from_times([], first=True)
    values = render_sound(edges, model, 2.0, seed=1)
    assert np.std(values) == pytest.approx(798.1e-6, rel=0.0092)
    # White: neighbours are uncorrelated to 4 / sqrt(n).
    lag = np.mean(values[1:] * values[:-1]) / np.var(values)
    assert abs(lag) < 4 / math.sqrt(values.size)


def test_fast_clock_stretches_the_record() -> None:
    """Worked by hand: 100 ppm fast, 10 s true are 480048 samples at 48 kHz.

    An edge at 9.999 s stands at sample 9.999 * 48004.8 = 479999.9952, and the answer
    rises by 2 * 0.45 of the step a sample there.
    """
    edges = TrueEdges.from_times([9.999], first=True)
    model = plain(corners_hz=(), clock_ppm=100.0)
    values = render_sound(edges, model, 10.0)
    assert values.size == 480048
    assert values[480000] == pytest.approx(0.5 + 0.0048 * 2 * CUTOFF, abs=1e-5)


def test_hum_is_a_line_of_the_given_height() -> None:
    """One second holds whole periods, so the lines stand alone in the spectrum."""
    model = SoundInputModel(hum_fs=0.01, hum_hz=50.0, hum_harmonics=(0.5, 0.25), bits=None)
    values = render_sound(TrueEdges.from_times([], first=True), model, 1.0, seed=5)
    line = np.abs(np.fft.rfft(values)) * 2 / values.size
    np.testing.assert_allclose(line[[50, 100, 150]], [0.01, 0.005, 0.0025], atol=1e-7)
    assert np.delete(line, [50, 100, 150]).max() < 1e-7


@pytest.mark.parametrize(("bits", "step"), [(16, 1 / 32768), (24, 1 / 8388608)])
def test_rounding_to_whole_steps(bits: int, step: float) -> None:
    """Full scale is 2^15 or 2^23 steps: two's complement, common practice."""
    edges = periodic_edges(3, 977.3, 71.77, 12.34)
    values = render_sound(edges, SoundInputModel(amplitude=2.2, bits=bits), 2000 / RATE)
    counts = values.astype(float) / step
    np.testing.assert_array_equal(counts, np.rint(counts))
    assert values.max() == np.float32(1 - step)
    exact = render_sound(edges, plain(amplitude=2.2), 2000 / RATE)
    inside = np.abs(exact) < 0.99
    assert np.max(np.abs(values - exact)[inside]) <= step / 2 + 1e-7


def test_dither_makes_the_rounding_error_independent_of_the_signal() -> None:
    """Triangular dither of ±1 step: total error variance 1/4 step^2 (1/12 + 1/6).

    A standard result (Lipshitz, Wannamaker and Vanderkooy 1992; from memory).
    """
    model = SoundInputModel(offset_fs=0.3 / 32768, dither=True)
    values = render_sound(TrueEdges.from_times([], first=True), model, 4.0, seed=2)
    error = values.astype(float) * 32768 - 0.3
    n = error.size
    assert abs(error.mean()) < 4 * 0.5 / math.sqrt(n)
    assert np.var(error) == pytest.approx(0.25, rel=4 * math.sqrt(2 / n) * 1.2)


def test_clipping_holds_either_side() -> None:
    edges = periodic_edges(3, 977.3, 400.0, 12.34)
    values = render_sound(edges, plain(amplitude=2.0, clip_fs=0.5, corners_hz=(20.0,)), 0.04)
    assert values.max() == 0.5
    assert values.min() == -0.5
    assert np.mean(np.abs(values) == 0.5) > 0.5


def test_inverted_is_the_mirror_image() -> None:
    edges = periodic_edges(3, 977.3, 71.77, 12.34)
    one, other = (render_sound(edges, plain(inverted=flag), 0.04) for flag in (False, True))
    np.testing.assert_array_equal(one, -other)


def test_without_edges_or_with_one() -> None:
    """An AC-coupled steady level is 0; a single step from rest dies away as exp(-2 pi f t)."""
    steady = render_sound(TrueEdges.from_times([], first=True), plain(), 0.1)
    np.testing.assert_array_equal(steady, 0)
    one = render_sound(TrueEdges.from_times([0.01], first=True), plain(), 0.1)
    time = np.arange(one.size) / RATE
    late = time > 0.011
    expected = np.exp(-2 * math.pi * 20 * (time[late] - 0.01))
    # The filter is symmetric, so it changes the tail by (2 pi f / rate)^2 alone: 7e-6.
    np.testing.assert_allclose(one[late], expected, atol=1e-5)
    high = TrueEdges(np.empty(0), np.empty(0, bool), steady_level=True)
    np.testing.assert_array_equal(render_sound(high, plain(corners_hz=()), 0.1), 1)


def test_block_size_does_not_matter() -> None:
    edges = periodic_edges(12, 977.3, 71.77, 12.34)
    model = SoundInputModel(snr_db=50, corners_hz=(20.0, 3.0), hum_fs=0.01, dither=True)
    whole = render_sound(edges, model, 0.25, seed=3)
    pieces = np.concatenate(list(render_blocks(edges, model, 0.25, seed=3, frames=701)))
    np.testing.assert_array_equal(whole, pieces)


@settings(max_examples=30, deadline=None)
@given(
    kind=st.sampled_from(["linear", "minimum", "narrow"]),
    first=st.floats(1.0, 900.0),
    width=st.floats(3.0, 400.0),
    corners=st.lists(st.floats(0.0, 300.0), max_size=2),
    seed=st.integers(0, 9),
)
@example(kind="linear", first=1.0, width=3.0, corners=[6e-8, 6e-8], seed=0)
def test_a_shift_by_one_sample_shifts_the_samples(
    kind: FilterKind, first: float, width: float, corners: list[float], seed: int
) -> None:
    """And the same seed gives the same record, another seed another noise."""
    model = plain(filter=kind, corners_hz=tuple(corners))
    one = render_sound(periodic_edges(3, 960.0, width, first), model, 0.05)
    other = render_sound(periodic_edges(3, 960.0, width, first + 1), model, 0.05)
    # Positions of some 1e3 samples carry 1e-13; float32 samples 6e-8.
    np.testing.assert_allclose(other[1:], one[:-1], atol=3e-7)
    noisy = SoundInputModel(snr_db=40)
    edges = periodic_edges(3, 960.0, width, first)
    again = [render_sound(edges, noisy, 0.01, seed=s) for s in (seed, seed, seed + 1)]
    np.testing.assert_array_equal(again[0], again[1])
    assert np.any(again[0] != again[2])


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"rate_hz": 0.0}, "rate_hz"),
        ({"corners_hz": (1.0, 2.0, 3.0)}, "corners_hz"),
        ({"corners_hz": (-1.0,)}, "corners_hz"),
        ({"filter": "wide"}, "filter"),
        ({"bits": 8}, "bits"),
        ({"snr_db": 40.0, "noise_fs": 0.1}, "exclude"),
        ({"noise_fs": -0.1}, "noise_fs"),
        ({"cutoff": 0.7}, "cutoff"),
        ({"clip_fs": 0.0}, "clip_fs"),
    ],
)
def test_wrong_models_are_refused(changes: dict[str, object], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        SoundInputModel(**changes)  # type: ignore[arg-type]


def test_wrong_durations_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        render_sound(TrueEdges.from_times([], first=True), plain(), 0.0)
