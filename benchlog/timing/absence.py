"""What a recording without pulses holds instead, in plain words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import MeasurementError
from benchlog.recording import EdgeList, Samples
from benchlog.timing.detection import decimate, decimation_for
from benchlog.timing.edges import Edges

__all__ = ["explain_absence"]

_LOOK_S = 20.0
_SILENCE_RMS = 2e-4
_HUM_SHARE = 0.7
_MAINS_HZ = (50.0, 60.0)
_PULSES = "a train of pulses"


def explain_absence(
    recording: Samples | tuple[EdgeList, ...], edges: Edges, channel: int
) -> MeasurementError:
    """Say what is on an input that holds no pulses.

    Parameters
    ----------
    recording : Samples or tuple of EdgeList
        Of samples the first 20 s are looked at.
    edges : Edges
        The edges that were found, too few to make pulses.
    channel : int
        The input, from 0.

    Returns
    -------
    MeasurementError
        To be raised by the caller.
    """
    count = edges.time_s.shape[0]
    if not isinstance(recording, Samples):
        return MeasurementError(
            f"{edges.name} holds {count} edge{'s' * (count != 1)}",
            expected=f"{_PULSES}, two at the least",
            attempt="record for some seconds while the channel runs",
        )
    samples = recording
    name = samples.name if samples.input_count == 1 else f"{samples.name}: input {channel + 1}"
    if count:
        what = "a single edge" if count == 1 else f"{count} edges but not two whole pulses"
        return MeasurementError(
            f"{name} holds {what}",
            expected=f"{_PULSES}, two at the least",
            attempt="record for some seconds while the channel runs",
        )
    averages, rate_hz = _first_stretch(samples, channel)
    if averages.shape[0] == 0:
        return MeasurementError(
            f"{name} holds no samples", expected=_PULSES, attempt="record again"
        )
    return _name_it(name, averages, rate_hz)


def _name_it(name: str, averages: NDArray[np.float64], rate_hz: float) -> MeasurementError:
    """Tell silence, a steady level, hum and hiss apart."""
    mean = float(averages.mean())
    rms = float(averages.std())
    if rms < _SILENCE_RMS and abs(mean) > 0.05:
        found = f"{name} holds a steady level ({mean:+.2f} of full scale) and no edge"
        attempt = "check that the timer oscillates and that the lead is on its output pin"
    elif rms < _SILENCE_RMS:
        found = f"{name} holds silence"
        attempt = "another input, more input level, and the lead on the timer's output pin"
    elif (mains := _mains_share(averages, rate_hz))[1] > _HUM_SHARE:
        found = f"{name} holds mains hum at {mains[0]:.0f} Hz alone, as an open lead picks up"
        attempt = "check that the lead and its ground are joined to the channel"
    else:
        found = f"{name} holds hiss or other sound ({100 * rms:.2g} % of full scale) but no pulses"
        attempt = "check that this input hears the wire and not a microphone"
    return MeasurementError(found, expected=_PULSES, attempt=attempt)


def _first_stretch(samples: Samples, channel: int) -> tuple[NDArray[np.float64], float]:
    """Return the decimated beginning of one input and its rate."""
    factor = decimation_for(samples.rate_hz)
    parts: list[NDArray[np.float64]] = []
    seen = 0
    for block in samples.blocks():
        parts.append(decimate(block[:, channel], factor).astype(np.float64))
        seen += block.shape[0]
        if seen >= _LOOK_S * samples.rate_hz:
            break
    joined = np.concatenate(parts) if parts else np.empty(0)
    return joined, samples.rate_hz / factor


def _mains_share(averages: NDArray[np.float64], rate_hz: float) -> tuple[float, float]:
    """Return the mains frequency that explains most, and its share of the power."""
    centred = averages - averages.mean()
    power = np.abs(np.fft.rfft(centred * np.hanning(centred.shape[0]))) ** 2
    hertz = np.fft.rfftfreq(centred.shape[0], 1.0 / rate_hz)
    reach = max(1.0, 3.0 * rate_hz / centred.shape[0])
    shares = []
    for mains in _MAINS_HZ:
        near = np.zeros(hertz.shape, bool)
        for harmonic in range(1, 8):
            near |= np.abs(hertz - harmonic * mains) <= reach
        shares.append(float(power[near].sum() / max(float(power.sum()), 1e-30)))
    best = int(np.argmax(shares))
    return _MAINS_HZ[best], shares[best]
