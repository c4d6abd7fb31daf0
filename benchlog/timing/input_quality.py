"""What an input is good for, told from a train of pulses that it hears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.clipping import count_clipped_side
from benchlog.timing.gain_control import GainTrack, find_gain_control, level_out
from benchlog.timing.hearing import Hearing
from benchlog.timing.input_fit import InputFit, fit_input
from benchlog.timing.notices import Notice
from benchlog.timing.pulses import ActiveLevel, Measurement, measure_edges

__all__ = ["Clipping", "InputQuality", "find_clipping", "judge_input"]

_CLIPPED_SHARE = 1e-3
_HIGH_CORNER_HZ = 100.0
_PICKED_UP_HZ = 400.0
_WEAK_RATIO = 10.0
_LOW_STEP = 0.02

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Clipping:
    """Where an input's scale ends, as far as the recording reached it.

    Attributes
    ----------
    peak : float
        The largest sample without its sign, units of full scale.
    level : float or None
        Where it clips; None where no clipping was seen.
    share : float
        Share of the samples that are clipped.
    """

    peak: float
    level: float | None
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class InputQuality:
    """What an input is good for.

    Attributes
    ----------
    measurement : Measurement
        The pulses as measured.
    active_level : str
        ``high`` or ``low``: how the pulse shows at this input.
    polarity_sure : bool
        False where high and low last about as long, so that it is a guess.
    corners_hz, u_corners_hz : tuple of float
        Corners of the coupling, the higher first, and their standard uncertainties; empty for
        a DC-coupled input.
    step : float
        Height of an edge, units of full scale.
    bandwidth_hz : float or None
        The -3 dB frequency, None where it was not reached or could not be learned.
    rise_s : float or None
        From 10 to 90 %.
    symmetric : bool or None
        Whether the edge rings alike before and after; None where it could not be learned.
    asymmetry, overshoot : float or None
        See `EdgeResponse`.
    noise : float
        Standard deviation per sample between the pulses, units of full scale.
    hum_hz : float or None
        Mains frequency where hum stands out.
    hum_rms, hum_floor : float
        Its RMS, and the RMS of hum that would have stood out, units of full scale.
    hum_hidden : bool
        Whether the train runs so near to the mains that hum and droop hide each other.
    clipping : Clipping
        Where the scale ends.
    gain : GainTrack
        Automatic gain or noise suppression.
    width_scatter_s : float
        What the input adds to the scatter of single pulses, standard deviation.
    width_bias_s, u_width_bias_s : float
        By how much a measured width is too long on this input, and the standard uncertainty.
    notices : tuple of Notice
        What to know beside the figures.
    """

    measurement: Measurement
    active_level: ActiveLevel
    polarity_sure: bool
    corners_hz: tuple[float, ...]
    u_corners_hz: tuple[float, ...]
    step: float
    bandwidth_hz: float | None
    rise_s: float | None
    symmetric: bool | None
    asymmetry: float | None
    overshoot: float | None
    noise: float
    hum_hz: float | None
    hum_rms: float
    hum_floor: float
    hum_hidden: bool
    clipping: Clipping
    gain: GainTrack
    width_scatter_s: float
    width_bias_s: float
    u_width_bias_s: float
    notices: tuple[Notice, ...]

    @property
    def spoils(self) -> bool:
        """Whether the input spoils the figures."""
        return any(notice.spoils for notice in self.notices)


def find_clipping(values: NDArray[np.floating], noise: float, quantum: float) -> Clipping:
    """Look for the ends of an input's scale.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, units of full scale, shape (n,).
    noise : float
        Standard deviation of the noise per sample.
    quantum : float
        Quantisation step; 0 where it is not known.

    Returns
    -------
    Clipping
        Clipped are samples at full scale, and runs of three and more at a lower extreme where
        the noise would not let so many be alike.
    """
    if values.shape[0] == 0:
        return Clipping(0.0, None, 0.0)
    peak = float(np.abs(values).max())
    count, levels = 0, []
    for side in (values, -values):
        clipped = count_clipped_side(side, noise, quantum)
        if clipped > _CLIPPED_SHARE * values.shape[0]:
            count += clipped
            levels.append(float(side.max()))
    share = count / values.shape[0]
    return Clipping(peak, min(levels) if levels else None, share)


def judge_input(
    values: NDArray[np.floating],
    rate_hz: float,
    hearing: Hearing,
    *,
    active_level: ActiveLevel | None = None,
    quantum: float = 0.0,
    input_: int = 1,
) -> InputQuality | None:
    """Say what an input that hears a pulse is good for.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, units of full scale, shape (n,).
    rate_hz : float
        Samples per second.
    hearing : Hearing
        What `hear_values` made of them.
    active_level : str, optional
        ``high`` or ``low`` where it is known.
    quantum : float
        Quantisation step of the samples; 0 where it is not known.
    input_ : int
        The input's number, from 1.

    Returns
    -------
    InputQuality or None
        None where it hears no pulse, or not two whole ones.
    """
    if hearing.kind not in ("pulse", "too much"):
        return None
    edges = hearing.edges
    measurement = measure_edges(edges, active_level=active_level, input_=input_)
    if measurement is None:
        return None
    table = np.asarray(values, dtype=np.float64)
    gain = find_gain_control(table, edges.time_s, rate_hz, quantum=quantum)
    fit = fit_input(level_out(table, gain, rate_hz), edges.time_s * rate_hz, edges.rising, rate_hz)
    clipping = find_clipping(values, fit.noise, quantum)
    response = fit.response
    turned = 1.0 if measurement.active_level == "high" else -1.0
    sure = not any(notice.code == "polarity-unsure" for notice in measurement.notices)
    return InputQuality(
        measurement=measurement,
        active_level=measurement.active_level,
        polarity_sure=sure,
        corners_hz=fit.coupling.corners_hz,
        u_corners_hz=fit.coupling.u_corners_hz,
        step=abs(fit.coupling.step),
        bandwidth_hz=response.bandwidth_hz if response else None,
        rise_s=response.rise_s if response else None,
        symmetric=response.symmetric if response else None,
        asymmetry=response.asymmetry if response else None,
        overshoot=response.overshoot if response else None,
        noise=fit.noise,
        hum_hz=fit.hum.fundamental_hz if fit.hum_rms > 0 else None,
        hum_rms=fit.hum_rms,
        hum_floor=fit.hum.floor,
        hum_hidden=fit.locked,
        clipping=clipping,
        gain=gain,
        width_scatter_s=measurement.jitter.floor_s,
        width_bias_s=-turned * fit.width_shift_s,
        u_width_bias_s=fit.u_width_shift_s,
        notices=_notices(fit, clipping, gain, sure),
    )


def _notices(fit: InputFit, clipping: Clipping, gain: GainTrack, sure: bool) -> tuple[Notice, ...]:
    """Say what to know of an input, what spoils its figures first."""
    step = abs(fit.coupling.step)
    corner = max(fit.coupling.corners_hz, default=0.0)
    candidates = (
        (
            clipping.level is not None,
            "clipping",
            f"{100 * clipping.share:.1f} % of the samples are cut off at the end of the scale: "
            "lower the input level, or use a divider that leaves less",
            True,
        ),
        (
            gain.at_work is True,
            "gain-control",
            _tell_gain(gain),
            True,
        ),
        (
            not sure,
            "polarity-unsure",
            "high and low last about as long, so which of them is the pulse is a guess: turn the "
            "knob to a shorter pulse, or say --active high or low",
            False,
        ),
        (
            step < _WEAK_RATIO * fit.noise,
            "weak-signal",
            "the pulse hardly stands out of the noise: raise the input level",
            True,
        ),
        (
            _WEAK_RATIO * fit.noise <= step < _LOW_STEP,
            "low-level",
            f"the pulse uses {100 * step:.1f} % of the scale: raise the input level",
            False,
        ),
        (
            corner > _PICKED_UP_HZ,
            "loose-lead",
            "the level sags away within a millisecond, as if the lead were not joined but picked "
            "the pulse up through the air: check the clip on the output pin and the ground",
            False,
        ),
        (
            _HIGH_CORNER_HZ < corner <= _PICKED_UP_HZ,
            "high-corner",
            "the level sags fast on this input; that is undone, but another input may be better",
            False,
        ),
        (
            fit.locked,
            "near-mains",
            "the pulses come at nearly the rate of the mains, so hum and the input's sag are hard "
            "to tell apart: turn the knob a little and listen again",
            False,
        ),
    )
    return tuple(Notice(code, text, spoils) for hit, code, text, spoils in candidates if hit)


def _tell_gain(gain: GainTrack) -> str:
    """Say in one sentence how the input changes what it hears."""
    if gain.cut_count:
        return (
            f"the input cuts the pulses out for {0.5 * gain.cut_count:g} s in all: noise "
            "suppression takes them for noise; turn it off"
        )
    if gain.change_db > 1.0:
        way = "rises" if gain.trend_db_per_s > 0 else "falls"
        return (
            f"the pulse's height {way} by {gain.change_db:.1f} dB within {gain.watched_s:.0f} s: "
            "automatic gain or noise suppression is at work; turn it off"
        )
    return (
        f"the noise between the pulses changes by {gain.noise_change_db:.0f} dB while the pulses "
        "stay: noise suppression is at work; turn it off"
    )
