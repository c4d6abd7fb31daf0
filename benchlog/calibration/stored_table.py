"""A calibration table as it was stored: what was measured, and what was said of it then."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.calibration.table import KNOB_READING_DEG, Point

__all__ = ["StoredRow", "StoredTable"]


@dataclass(frozen=True, slots=True)
class StoredRow:
    """One row of a stored table.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    direction : str or None
        'up', 'down' or None.
    pulse_s, u_pulse_s, period_s : float
        Mean pulse, its standard uncertainty, mean period, seconds.
    design_pulse_s, deviation_s, u_deviation_s : float
        Design value, deviation and its standard uncertainty, seconds.
    verdict : str
        The verdict.
    flags : tuple of str
        The flags.
    supply_v, temperature_c : float or None
        What was known of the surroundings.
    pulse_count : int
        Pulses behind the mean.
    source : str
        The record.
    u_period_s : float or None
        Standard uncertainty of the period, seconds; None where the table does not say.
    pulse_sd_s, rest_sd_s, period_sd_s : float
        Standard deviations within the recording, seconds; 0 where the table does not say.
    pulse_rest_correlation : float
        Correlation of pulse and rest of the cycle; 0 where the table does not say.
    clock_share : float or None
        Half-width of what the recorder's clock may be off, a fraction; None where the table
        does not say.
    """

    knob_deg: float
    direction: str | None
    pulse_s: float
    u_pulse_s: float
    period_s: float
    design_pulse_s: float
    deviation_s: float
    u_deviation_s: float
    verdict: str
    flags: tuple[str, ...]
    supply_v: float | None
    temperature_c: float | None
    pulse_count: int
    source: str
    u_period_s: float | None = None
    pulse_sd_s: float = 0.0
    rest_sd_s: float = 0.0
    period_sd_s: float = 0.0
    pulse_rest_correlation: float = 0.0
    clock_share: float | None = None

    def point(self) -> Point:
        """Return the row as the measured knob position that it was made from.

        Returns
        -------
        Point
            With a rest of the cycle that is known as well as two edges of its own let it, where
            the table does not say: twenty times worse where the pulses were unsteady, since a
            worn wiper moves the rest that much more. Notices are not kept.
        """
        u_period_s = self.u_period_s
        if u_period_s is None:
            unsteady = {"jitter", "period-jitter"} & set(self.flags)
            u_period_s = self.u_pulse_s * (20.0 if unsteady else math.sqrt(3.0))
        return Point(
            knob_deg=self.knob_deg,
            pulse_s=self.pulse_s,
            u_pulse_s=self.u_pulse_s,
            period_s=self.period_s,
            direction=self.direction,
            supply_v=self.supply_v,
            temperature_c=self.temperature_c,
            pulse_sd_s=self.pulse_sd_s,
            rest_sd_s=self.rest_sd_s,
            period_sd_s=self.period_sd_s,
            pulse_rest_correlation=self.pulse_rest_correlation,
            pulse_count=self.pulse_count,
            source=self.source,
            u_period_s=u_period_s,
            clock_share=self.clock_share or 0.0,
        )


@dataclass(frozen=True, slots=True)
class StoredTable:
    """A table as it was stored.

    Attributes
    ----------
    channel, stamp : str
        Whose it is, and when it was made (UTC).
    design_text : str
        The design that it was made against.
    rows : tuple of StoredRow
        In the order of the file.
    knob_reading_deg : float
        Half-width of the knob reading that was reckoned with, degrees.
    """

    channel: str
    stamp: str
    design_text: str
    rows: tuple[StoredRow, ...]
    knob_reading_deg: float = KNOB_READING_DEG

    def points(self) -> tuple[Point, ...]:
        """Return the measured knob positions, in the order of the rows."""
        return tuple(row.point() for row in self.rows)
