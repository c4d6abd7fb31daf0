"""Where a knob stood between its stops, told from the cycles alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.design import Design, predict_cycle

__all__ = ["place_middle"]

_MIDDLE_SHARE = 0.2
_AGREE_DEG = 3.0


def place_middle(
    design: Design, pulse_s: tuple[float, float, float], rest_s: tuple[float, float, float]
) -> float:
    """Return where between its stops the knob stood, from the cycles alone.

    Parameters
    ----------
    design : Design
        What the channel should be.
    pulse_s, rest_s : tuple of float
        The pulse and the rest of the cycle at the anticlockwise stop, between, and at the
        clockwise stop, seconds.

    Returns
    -------
    float
        Degrees; half the knob's travel where the answer is not near it (a track of another
        taper, or ends that are no ends: that is for the parts to explain).

    Notes
    -----
    The pulse is all but proportional to the resistance on the on side, the rest of the cycle to
    that on the off side, so the place of either between those of the stops is the wiper's on the
    track, whatever the parts are; the design's own curve takes up what is left of the proportion.
    The pulse is the better witness: the discharge transistor's resistance bends the rest by up to a
    degree. Where the two disagree, a wrong diode or exchanged resistors bend the pulse much more.
    """
    travel_deg = design.knob.travel_deg
    middle_deg = travel_deg / 2.0
    marks = np.linspace(0.0, travel_deg, 541)
    curves = predict_cycle(design, marks)
    by_pulse, by_rest = (
        _find_place(curve, marks, times)
        for curve, times in ((curves.on_s, pulse_s), (curves.off_s, rest_s))
    )
    near = [
        one
        for one in (by_pulse, by_rest)
        if one is not None and abs(one - middle_deg) <= _MIDDLE_SHARE * travel_deg
    ]
    if len(near) == 2 and abs(near[0] - near[1]) > _AGREE_DEG:
        return near[1]
    return near[0] if near else middle_deg


def _find_place(
    curve: NDArray[np.float64], marks: NDArray[np.float64], times: tuple[float, float, float]
) -> float | None:
    """Return where on a curve a time lies as it lies between its ends; None where they are one."""
    first, between, last = times
    if first == last:
        return None
    share = (curve - curve[0]) / (curve[-1] - curve[0])
    return float(np.interp((between - first) / (last - first), share, marks))
