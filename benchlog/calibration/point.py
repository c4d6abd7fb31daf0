"""One measured knob position, and how well what surrounds it is known.

Half-widths of rectangular distributions (JCGM 100:2008, 4.3.7):

=============  ===============================================================
knob           1 degree, unless the caller says how well the knob was read
supply         0.5 % of a reading that stands in the record (a common hand-held
               meter; common practice); else the design's tolerance of the supply,
               or 5 % where the design gives none
temperature    1 K when it stands in the record, else 5 K around the design's
=============  ===============================================================
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.timing.notices import Notice

__all__ = [
    "KNOB_READING_DEG",
    "ROOT3",
    "SUPPLY_READING_SHARE",
    "SUPPLY_UNKNOWN_SHARE",
    "TEMPERATURE_READING_K",
    "TEMPERATURE_UNKNOWN_K",
    "Point",
]

KNOB_READING_DEG = 1.0
"""Half-width of the knob reading in degrees, unless it is given."""

SUPPLY_READING_SHARE = 0.005
SUPPLY_UNKNOWN_SHARE = 0.05
TEMPERATURE_READING_K = 1.0
TEMPERATURE_UNKNOWN_K = 5.0

ROOT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Point:
    """One knob position as it was measured.

    Attributes
    ----------
    knob_deg : float
        Knob angle as read, degrees.
    pulse_s, u_pulse_s : float
        Mean pulse width and its standard uncertainty, seconds.
    period_s : float
        Mean period, seconds.
    direction : str or None
        'up' or 'down': the way the knob came; None where that is not known.
    supply_v, temperature_c : float or None
        What stands in the record.
    pulse_sd_s, rest_sd_s, period_sd_s : float
        Standard deviations of the pulse, of the rest of the cycle and of the period within the
        recording, the input's own part taken out, seconds.
    pulse_rest_correlation : float
        Correlation of pulse and rest of the cycle, -1 to 1; 0 where it is not known.
    pulse_count : int
        Pulses behind the mean.
    notices : tuple of Notice
        What the measurement has to say of itself.
    source : str
        Where it comes from, such as the record's file name.
    u_period_s : float
        Standard uncertainty of the period, seconds; 0 where it is not known.
    clock_share : float
        Half-width of what the recorder's clock may be off, a fraction of every time: the part
        of `u_pulse_s` and `u_period_s` that all positions share; 0 where it is not known.
    """

    knob_deg: float
    pulse_s: float
    u_pulse_s: float
    period_s: float
    direction: str | None = None
    supply_v: float | None = None
    temperature_c: float | None = None
    pulse_sd_s: float = 0.0
    rest_sd_s: float = 0.0
    period_sd_s: float = 0.0
    pulse_rest_correlation: float = 0.0
    pulse_count: int = 0
    notices: tuple[Notice, ...] = ()
    source: str = ""
    u_period_s: float = 0.0
    clock_share: float = 0.0

    @property
    def rest_s(self) -> float:
        """The rest of the cycle: period less pulse, seconds."""
        return self.period_s - self.pulse_s
