"""Whether a servo can follow the pulses that were measured: what a beginner asks first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchlog.calibration.figures import round_up
from benchlog.calibration.point import Point
from benchlog.calibration.verdict import COVERAGE
from benchlog.channel.plan import Design

__all__ = ["Safety", "judge_safety"]


@dataclass(frozen=True, slots=True)
class Safety:
    """Whether the servo can follow the pulses.

    Attributes
    ----------
    state : {"safe", "unsafe", "unsure"}
        'unsure' where the uncertainty reaches across a limit.
    low_s, high_s : float
        The shortest and the longest pulse, seconds.
    u_low_s, u_high_s : float
        Their standard uncertainties, seconds.
    text : str
        One or two sentences.
    """

    state: Literal["safe", "unsafe", "unsure"]
    low_s: float
    high_s: float
    u_low_s: float
    u_high_s: float
    text: str


def judge_safety(design: Design, points: Sequence[Point]) -> Safety:
    """Hold the shortest and the longest pulse against the servo's range.

    Parameters
    ----------
    design : Design
        For its servo.
    points : sequence of Point
        What was measured, at least one.

    Returns
    -------
    Safety
        The answer.
    """
    servo = design.servo
    low = min(points, key=lambda point: point.pulse_s)
    high = max(points, key=lambda point: point.pulse_s)
    beyond_low_s = servo.pulse_min_s - low.pulse_s
    beyond_high_s = high.pulse_s - servo.pulse_max_s
    limits = f"{servo.pulse_min_s * 1e6:g} to {servo.pulse_max_s * 1e6:g} µs"
    faults = []
    unsure = False
    for point, beyond_s, word, limit_s in (
        (low, beyond_low_s, "shorter", servo.pulse_min_s),
        (high, beyond_high_s, "longer", servo.pulse_max_s),
    ):
        margin_s = COVERAGE * point.u_pulse_s
        if beyond_s > margin_s:
            faults.append(
                f"the pulse at {point.knob_deg:.0f}° is {point.pulse_s * 1e6:.0f} µs, "
                f"{beyond_s * 1e6:.0f} µs {word} than the {limit_s * 1e6:g} µs "
                "that the servo can follow"
            )
        elif beyond_s > -margin_s:
            unsure = True
    state: Literal["safe", "unsafe", "unsure"] = "safe"
    if faults:
        state = "unsafe"
        text = (
            f"Not safe for this servo: {' and '.join(faults)}. A servo held against its stop heats "
            "and can pinch: leave it unplugged."
        )
    elif unsure:
        state = "unsure"
        text = (
            f"Maybe not safe for this servo: a pulse lies at the very end of its range, {limits}. "
            "A servo held against its stop heats and can pinch: leave it unplugged."
        )
    else:
        text = (
            f"Safe for this servo: {_figure(low)} to {_figure(high)} µs, inside its range of "
            f"{limits}."
        )
    return Safety(state, low.pulse_s, high.pulse_s, low.u_pulse_s, high.u_pulse_s, text)


def _figure(point: Point) -> str:
    return f"{point.pulse_s * 1e6:.1f} ± {round_up(COVERAGE * point.u_pulse_s * 1e6, 1)}"
