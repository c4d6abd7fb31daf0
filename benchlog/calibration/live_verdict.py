"""A live pulse against the design: the verdict where the knob angle is known, else that angle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchlog.calibration.table import Point, build_table
from benchlog.calibration.verdict import judge
from benchlog.channel.design import Design, predict_cycle
from benchlog.channel.servo import EndStop

__all__ = ["DesignReference", "LiveVerdict"]

_STEP_DEG = 0.5


@dataclass(frozen=True, slots=True)
class LiveVerdict:
    """One pulse beside its design.

    Attributes
    ----------
    knob_deg : float or None
        The knob angle at which it was judged; None where that is not known.
    design_s, deviation_s, u_deviation_s : float or None
        The design's pulse there, how far the pulse is from it, and the standard uncertainty
        of that, seconds.
    verdict : str or None
        'on design', 'within part tolerance', 'off design' or 'undecided'.
    gives_deg : float or None
        The knob angle at which the design gives this pulse; None where there is none.
    arm_deg : float
        Arm angle, held at the stops, degrees.
    end_stop : {"low", "high"} or None
        The stop that the pulse drives the arm against.
    """

    knob_deg: float | None
    design_s: float | None
    deviation_s: float | None
    u_deviation_s: float | None
    verdict: str | None
    gives_deg: float | None
    arm_deg: float
    end_stop: EndStop | None


class DesignReference:
    """A design, worked out once, to hold live pulses against.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : float, optional
        Where the knob stands, degrees.
    supply_v, temperature_c : float, optional
        What is known of the surroundings; the design's own, with their uncertainty, if None.

    Raises
    ------
    DesignError
        The design cannot oscillate at `knob_deg`, or over the knob's travel where that is None.
    """

    def __init__(
        self,
        design: Design,
        knob_deg: float | None = None,
        *,
        supply_v: float | None = None,
        temperature_c: float | None = None,
    ) -> None:
        self.design = design
        self.knob_deg = knob_deg
        self._row = None
        if knob_deg is not None:
            blank = Point(knob_deg, 0.0, 0.0, 0.0, supply_v=supply_v, temperature_c=temperature_c)
            self._row = build_table(design, [blank]).rows[0]
        count = int(np.ceil(design.knob.travel_deg / _STEP_DEG)) + 1
        marks = np.linspace(0.0, design.knob.travel_deg, count)
        times = predict_cycle(design, marks, supply_v=supply_v, temperature_c=temperature_c)
        order = np.argsort(times.on_s, kind="stable")
        self._pulse_s, self._knob_deg = times.on_s[order], marks[order]

    def judge(self, width_s: float, u_s: float) -> LiveVerdict:
        """Judge a pulse.

        Parameters
        ----------
        width_s, u_s : float
            Its width and standard uncertainty, seconds.

        Returns
        -------
        LiveVerdict
            With a verdict where the knob angle is known.
        """
        servo = self.design.servo
        inside = self._pulse_s[0] <= width_s <= self._pulse_s[-1]
        gives = float(np.interp(width_s, self._pulse_s, self._knob_deg)) if inside else None
        arm_deg, stop = float(servo.angle_deg(width_s)), servo.end_stop(width_s)
        row = self._row
        if row is None:
            return LiveVerdict(None, None, None, None, None, gives, arm_deg, stop)
        deviation_s = width_s - row.design_pulse_s
        u_deviation_s = replace(row.budget, pulse_s=u_s).u_s
        return LiveVerdict(
            knob_deg=self.knob_deg,
            design_s=row.design_pulse_s,
            deviation_s=deviation_s,
            u_deviation_s=u_deviation_s,
            verdict=judge(deviation_s, u_deviation_s, row.limit),
            gives_deg=gives,
            arm_deg=arm_deg,
            end_stop=stop,
        )
