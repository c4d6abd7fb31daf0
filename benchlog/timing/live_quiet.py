"""Why no pulses come: what is heard in their place, and the likely reasons in order.

An AC-coupled input hears nothing of a level that stays, so a timer without supply, one
that is held in reset and one whose output is stuck sound alike; what the last edge was
narrows it down. Where the wiper is open the timing capacitor can still charge but no longer
discharge, so the output stays low.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.live_reading import Quiet

__all__ = ["explain_quiet", "explain_stop"]

_SILENCE_RMS = 2e-4
_HISS_RMS = 4e-3
_LEVEL = 0.05
_HUM_SHARE = 0.7
_MAINS_HZ = (50.0, 60.0)

_LEAD = (
    "the lead: its clip on the timer's output (pin 3), its ground on the circuit's ground, "
    "its plug in the input that is watched"
)
_SUPPLY = "no supply: the meter between pins 8 and 1 should read the cells' voltage"
_RESET = "reset held low: pin 4 should read the supply's voltage"
_WIPER = "an open wiper: turn the knob slowly; if pulses come and go, its track is worn"
_STUCK_LOW = (
    "the output stuck low: pins 2 and 6 read more than a third of the supply and stay there, "
    "so look at the knob, r_off and pin 7"
)
_STUCK_HIGH = (
    "the output stuck high: pins 2 and 6 read less than two thirds of the supply and stay there, "
    "so look for a shorted timing capacitor or an open r_on"
)
_STUCK = (
    "the output stuck: the meter at pin 3 reads near the supply (stuck high: a shorted timing "
    "capacitor, an open r_on) or near 0 V (stuck low: the knob, r_off or pin 7)"
)
_LEVEL_LOW = "too little input level: turn it up in the system's sound settings"
_ROOM = "the wrong input: this one hears a microphone or other sound, not the wire"


def explain_quiet(averages: NDArray[np.float32], rate_hz: float, *, stopped: str | None) -> Quiet:
    """Say what a stretch without pulses holds.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples of one input, shape (n,), some tenths of a second.
    rate_hz : float
        Their rate.
    stopped : {'high', 'low'} or None
        The level of the timer's output after the last edge that was heard, None where none was.

    Returns
    -------
    Quiet
        With the likely reasons in order.
    """
    values = averages.astype(np.float64)
    mean = float(values.mean()) if values.shape[0] else 0.0
    rms = float(values.std()) if values.shape[0] else 0.0
    if rms >= _SILENCE_RMS:
        mains, share = _mains_share(values - mean, rate_hz)
        if share > _HUM_SHARE:
            return Quiet(
                "hum",
                f"mains hum at {mains:.0f} Hz and no pulse, as an open lead picks up",
                (_LEAD, _SUPPLY, _RESET, _WIPER, _STUCK),
            )
        if stopped is None and rms >= _HISS_RMS:
            return Quiet(
                "noise",
                "hiss or other sound, but no pulse",
                (_ROOM, _LEAD, _LEVEL_LOW, _SUPPLY, _RESET, _WIPER, _STUCK),
            )
    if abs(mean) > _LEVEL and rms < _SILENCE_RMS:
        return Quiet(
            "level",
            f"a steady level ({mean:+.2f} of full scale) and no edge",
            _reasons(stopped),
        )
    if stopped is not None:
        return explain_stop(stopped)
    sentence = "silence" if rms < _SILENCE_RMS else "a faint hiss and no pulse"
    return Quiet("silence", sentence, (_SUPPLY, _RESET, _WIPER, _STUCK, _LEAD, _LEVEL_LOW))


def explain_stop(stopped: str | None) -> Quiet:
    """Say why edges that were there may have stopped, or never came.

    Parameters
    ----------
    stopped : {'high', 'low'} or None
        The level of the timer's output after the last edge; None where there was none.

    Returns
    -------
    Quiet
        With the likely reasons in order.
    """
    if stopped is None:
        return Quiet("silence", "no edge at all", _reasons(None))
    return Quiet(
        f"stopped-{stopped}",
        f"the pulses stopped, with the output {stopped}",
        _reasons(stopped),
    )


def _reasons(stopped: str | None) -> tuple[str, ...]:
    """Order the reasons by the level in which the output came to rest."""
    if stopped == "high":
        return (_STUCK_HIGH, _SUPPLY, _RESET, _WIPER, _LEAD)
    if stopped == "low":
        return (_SUPPLY, _RESET, _WIPER, _STUCK_LOW, _LEAD)
    return (_SUPPLY, _RESET, _WIPER, _STUCK, _LEAD)


def _mains_share(centred: NDArray[np.float64], rate_hz: float) -> tuple[float, float]:
    """Return the mains frequency that explains most, and its share of the power."""
    count = centred.shape[0]
    power = np.abs(np.fft.rfft(centred * np.hanning(count))) ** 2
    hertz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    reach = max(1.0, 3.0 * rate_hz / count)
    total = max(float(power.sum()), 1e-30)
    shares = []
    for mains in _MAINS_HZ:
        near = np.zeros(hertz.shape, bool)
        for harmonic in range(1, 8):
            near |= np.abs(hertz - harmonic * mains) <= reach
        shares.append(float(power[near].sum()) / total)
    best = int(np.argmax(shares))
    return _MAINS_HZ[best], shares[best]
