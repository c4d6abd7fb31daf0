"""What each cause may do in each cell of a recording: its direction, and how it is coloured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.spectra import Cells
from benchlog.diagnosis.separation.supplies import FLOWING, SUPPLIES

__all__ = ["ALWAYS", "INPUT", "REST", "WITHIN", "Templates", "list_templates"]

Values = NDArray[np.float64]
Turned = NDArray[np.complex128]

INPUT, REST = "input", "rest"
ALWAYS = (INPUT, "upper-level", "lower-level")
"""What is in every explanation: each channel's levels are a little restless."""

WITHIN = ("supply-on-end", "supply-off-end")
"""What the supply does from crossing to crossing."""

_WHITE = frozenset({*ALWAYS, *WITHIN})
_THERMAL = frozenset({"capacitor", "diode", "leak", "battery", "battery-bipolar"})
_STEPPING = frozenset({"wiper", *SUPPLIES} - {"battery", "battery-bipolar"})
"""What moves in steps and walks: its power falls as the square of the rate within an octave."""

_SLACK, _PULLED_SLACK = 0.004, 0.1

_THERMAL_ORDER = 8.0  # half-waves in the recording from which what is warm only follows
_THERMAL_FALL = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Templates:
    """What each kind may do in each cell.

    Attributes
    ----------
    kinds : tuple of str
        The kinds, `INPUT` and `REST` among them.
    along, across : numpy.ndarray
        The direction and what stands square on it, shape (kinds, m, 2), complex, in shares of
        the means, of length 1.
    length : numpy.ndarray
        Length of the direction for one unit of the kind, shape (kinds,).
    u_angle : numpy.ndarray
        Standard uncertainty of each direction, radians, shape (kinds,).
    bend : numpy.ndarray
        By how much it turns over the root of a power, radians, shape (kinds,).
    slack : numpy.ndarray
        By how much it may bend at the least, radians, shape (kinds,): nothing in the model is truer
        than that.
    group : numpy.ndarray
        Which of a kind's powers holds in a cell and how much of it, shape (kinds, m, groups).
    """

    kinds: tuple[str, ...]
    along: Turned
    across: Turned
    length: Values
    u_angle: Values
    bend: Values
    slack: Values
    group: Values


def list_templates(
    cells: Cells, directions: Sequence[Direction], *, is_pulled: bool = False
) -> Templates:
    """Return what each direction does in each cell of a recording.

    Parameters
    ----------
    cells : Cells
        The recording, m cells.
    directions : sequence of Direction
        Of that recording's channel.
    is_pulled : bool
        Whether its supply is pulled so suddenly that single cycles were set apart: what is left
        beside them goes the supply's way less truly.

    Returns
    -------
    Templates
        `INPUT` first, `REST` last.
    """
    count = cells.weight.shape[0]
    kinds = (INPUT, *(one.kind for one in directions), REST)
    along = np.zeros((len(kinds), count, 2), dtype=np.complex128)
    across = np.zeros_like(along)
    length, u_angle, bend = np.ones(len(kinds)), np.zeros(len(kinds)), np.zeros(len(kinds))
    for k, one in enumerate(directions, start=1):
        sizes = np.array([one.on_s, one.next_on_s, one.off_s, one.next_off_s])
        sizes /= np.repeat((cells.mean_on_s, cells.mean_off_s), 2)
        length[k] = float(np.sqrt(np.sum(sizes**2)))
        sizes /= length[k]
        before, after = cells.turn, cells.turn
        if one.kind in FLOWING:
            duty = cells.mean_on_s / (cells.mean_on_s + cells.mean_off_s)
            before = np.exp(-2j * np.pi * cells.rate * duty)
            after = np.exp(2j * np.pi * cells.rate * (1.0 - duty))
        on, off = sizes[0] + sizes[1] * before, sizes[2] + sizes[3] * after
        phase = np.where(np.abs(on) > 1e-12, on / np.maximum(np.abs(on), 1e-12), 1.0)
        along[k, :, 0], along[k, :, 1] = on, off
        across[k, :, 0], across[k, :, 1] = -off * phase, np.abs(on)
        u_angle[k] = max(one.u_relative, 1e-3)
        bend[k] = one.bend / length[k]
    pulled = [is_pulled and kind in SUPPLIES for kind in kinds]
    slack = np.where(pulled, _PULLED_SLACK, _SLACK)
    bands = int(cells.band.max()) + 1
    group = np.zeros((len(kinds), count, bands))
    own = np.zeros((count, bands))
    own[np.arange(count), cells.band] = 1.0
    middle = np.array([np.mean(cells.rate[cells.band == band]) for band in range(bands)])
    steep = own * (middle[cells.band] / cells.rate)[:, None] ** 2
    for k, kind in enumerate(kinds):
        if kind in _STEPPING:
            group[k] = steep
        elif kind == "contact":
            # it crackles; what it does slowly is the chance sum of that
            group[k] = np.where(cells.slow[:, None], 0.0, own)
            group[k, cells.slow, 0] = 1.0
        elif kind in _WHITE:
            group[k, :, 0] = 1.0
        elif kind in _THERMAL:
            group[k] = _thermal_groups(cells, own)
        else:
            group[k] = own
    return Templates(kinds, along, across, length, u_angle, bend, slack, group)


def _thermal_groups(cells: Cells, own: Values) -> Values:
    """Return groups in which what only warms and cools falls off steeply."""
    group = np.where(cells.slow[:, None], own, 0.0)
    fast = cells.order >= _THERMAL_ORDER
    low = np.flatnonzero(~fast & cells.slow)
    last = int(low[-1]) if low.shape[0] else 0
    falls = (cells.order / cells.order[last]) ** -_THERMAL_FALL
    group[fast] = 0.0
    group[fast & cells.slow, cells.band[last]] = falls[fast & cells.slow]
    return group
