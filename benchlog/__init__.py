"""benchlog: confirm, calibrate and diagnose 555 servo channels at the bench.

The package is a house of rooms (see DEVELOPERS.md): ``capture`` brings recordings
in, ``timing`` finds edges and pulses, ``channel`` says what a circuit should do,
``calibration`` and ``diagnosis`` compare the two, ``show`` presents, and
``commands`` wires the rooms together for the command line.
"""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.5.0"
