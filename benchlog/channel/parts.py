"""Parts as they are marked: a value and its tolerance."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.units import format_value

__all__ = ["DEFAULT_TOLERANCES", "Part"]

DEFAULT_TOLERANCES = {"r_on": 0.05, "r_knob": 0.20, "r_off": 0.05, "c_timing": 0.10, "supply": 0.0}
"""Fractional half-widths where none is stated (common practice for carbon film resistors,
panel potentiometers and film capacitors); a supply is taken as read on the meter."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part.

    Attributes
    ----------
    name : str
        Its name in the design file.
    value : float
        The marked value, in `unit`.
    tolerance : float
        Half-width of a rectangular distribution, as a fraction of `value`.
    unit : str
        ``"ohm"``, ``"F"`` or ``"V"``.
    """

    name: str
    value: float
    tolerance: float
    unit: str

    @property
    def low(self) -> float:
        """The least value within tolerance."""
        return self.value * (1.0 - self.tolerance)

    @property
    def high(self) -> float:
        """The greatest value within tolerance."""
        return self.value * (1.0 + self.tolerance)

    def __str__(self) -> str:
        """Return such as ``33 kΩ ± 5 %``."""
        shown = format_value(self.value, self.unit, 4)
        return f"{shown} ± {100 * self.tolerance:.3g} %" if self.tolerance else shown
