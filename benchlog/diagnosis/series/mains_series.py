"""The series of a recording in which lines of the mains are looked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.line_fit import LineFit, fit_line
from benchlog.diagnosis.series.turning import Turning
from benchlog.diagnosis.series.whitening import Whitening, choose_whitening

__all__ = ["Series", "list_instants"]

FloatArray = NDArray[np.float64]


def list_instants(cycles: Cycles) -> FloatArray:
    """Say at which instants the mains acts on pulses and rests.

    Parameters
    ----------
    cycles : Cycles
        Pulses and rests with their times.

    Returns
    -------
    numpy.ndarray
        Shape (2, n), seconds: for on and off the beginning of the cycle and by how much the
        middle of this pulse, or this rest, lies later in its cycle than is usual.

    Notes
    -----
    A pulse and a rest answer to the levels at both their ends. Where the line moves them by
    a fraction of its own period, it is a sinusoid of their middles, and none of the cycles'
    beginnings. The usual place is left out, so that phases of on and off compare.
    """
    middle = np.stack([0.5 * cycles.on_s, cycles.on_s + 0.5 * cycles.off_s])
    return np.asarray(cycles.start_s + middle - middle.mean(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The whitened series of a recording and what is needed to look for lines in them.

    Attributes
    ----------
    at_s : numpy.ndarray
        From `list_instants`, shape (2, n).
    values_s, whitened : numpy.ndarray
        On and off, and the same after the filter, shape (2, n).
    whitening : Whitening
        The filter.
    rate_hz : float
        The cycle rate.
    """

    at_s: FloatArray
    values_s: FloatArray
    whitened: FloatArray
    whitening: Whitening
    rate_hz: float

    @classmethod
    def of(
        cls,
        at_s: FloatArray,
        values_s: FloatArray,
        rate_hz: float,
        line_s: FloatArray | None = None,
    ) -> Series:
        """Whiten series by what a line leaves: a strong line would bend the filter to itself.

        Parameters
        ----------
        at_s, values_s : numpy.ndarray
            Instants and values, shape (2, n), seconds.
        rate_hz : float
            The cycle rate.
        line_s : numpy.ndarray, optional
            A line in them, shape (2, n), seconds.

        Returns
        -------
        Series
            With the line still in them.
        """
        whitening = choose_whitening(values_s if line_s is None else values_s - line_s)
        return cls(at_s, values_s, whitening.apply(values_s), whitening, rate_hz)

    @property
    def length_s(self) -> float:
        """How long they are, seconds."""
        return float(self.at_s[0, -1] - self.at_s[0, 0]) + 1.0 / self.rate_hz

    def fit(self, hz: float, alias_hz: float, gap: int = 0) -> LineFit:
        """Fit a sinusoid near a frequency (`fit_line`)."""
        return fit_line(
            self.at_s,
            self.whitened,
            self.whitening,
            hz,
            alias_hz=alias_hz,
            half_rate_hz=self.rate_hz / 2,
            gap=gap,
        )

    def turn(
        self, hz: float, bumps: FloatArray, beside: Sequence[tuple[float, FloatArray]] = ()
    ) -> Turning:
        """Set up the fit of a line that turns slowly, beside others (`Turning`)."""
        return Turning(self.at_s, self.whitened, self.whitening, hz, bumps, beside)
