"""The marks of a table against those of an earlier one, each with its verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.chances import chi_square_above
from benchlog.calibration.difference import Difference
from benchlog.calibration.moved import Choice
from benchlog.calibration.stored_table import StoredTable
from benchlog.calibration.verdict import COVERAGE
from benchlog.channel.plan import Design

__all__ = [
    "CHANGED",
    "ROWS_LEVEL",
    "UNCHANGED",
    "UNDECIDED",
    "DriftRow",
    "find_significant",
    "judge_rows",
]

Values = NDArray[np.float64]

UNCHANGED = "unchanged"
CHANGED = "changed"
UNDECIDED = "undecided"

ROWS_LEVEL = 0.002
"""How often a mark of an unchanged channel may be called changed, all its marks together."""

_MAYBE_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class DriftRow:
    """One mark of the newest table.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    direction : str or None
        'up', 'down' or None.
    pulse_s, design_pulse_s : float
        As measured, and what the marked parts give at the record's surroundings, seconds.
    earlier_pulse_s : float or None
        Of the earlier table, seconds; None where it does not reach there, or there is none.
    change_s : float or None
        Pulse less earlier pulse, seconds; less the design's where there is no earlier table.
    surroundings_s : float or None
        What of it the recorded supplies and temperatures account for, seconds.
    u_change_s : float or None
        Standard uncertainty of the change that is left when that is taken out, seconds.
    rest_s : float
        Rest of the cycle, seconds.
    rest_change_s : float or None
        Its change, what the recorded surroundings account for taken out, seconds.
    between : bool
        Whether the earlier value lies between two marks of the earlier table.
    p_value : float or None
        Probability that pulse and rest of an unchanged channel differ as much by chance.
    verdict : str
        'unchanged', 'changed' or 'undecided'.
    """

    knob_deg: float
    direction: str | None
    pulse_s: float
    design_pulse_s: float
    earlier_pulse_s: float | None
    change_s: float | None
    surroundings_s: float | None
    u_change_s: float | None
    rest_s: float
    rest_change_s: float | None
    between: bool
    p_value: float | None
    verdict: str

    @property
    def own_change_s(self) -> float | None:
        """The change that the recorded surroundings do not account for, seconds."""
        if self.change_s is None or self.surroundings_s is None:
            return None
        return self.change_s - self.surroundings_s


def judge_rows(
    now: StoredTable,
    difference: Difference,
    chosen: Choice | None,
    design: Design,
) -> tuple[DriftRow, ...]:
    """Judge each mark by its pair of pulse and rest, all marks sharing one level.

    Parameters
    ----------
    now : StoredTable
        The newest table.
    difference : Difference
        It against an earlier one.
    chosen : Choice or None
        What moved, where anything did.
    design : Design
        For the limits.

    Returns
    -------
    tuple of DriftRow
        In the order of the table.
    """
    n = len(difference.index)
    blocks = difference.covariance.reshape(n, 2, n, 2)
    own = np.array([blocks[i, :, i, :] for i in range(n)])
    square = np.einsum("ia,iab,ib->i", difference.logs, np.linalg.inv(own), difference.logs)
    levels = chi_square_above(square, 2)
    changed = find_significant(levels)
    touched = np.zeros(n, dtype=bool)
    if chosen is not None:
        effect = chosen.best.effect
        if chosen.second is not None:
            effect = effect + chosen.second.effect
        touched = np.einsum("ia,iab,ib->i", effect, np.linalg.inv(own), effect) > COVERAGE**2
    rows: list[DriftRow] = []
    place = {i: k for k, i in enumerate(difference.index)}
    for i, stored in enumerate(now.rows):
        k = place.get(i)
        rest_s = stored.period_s - stored.pulse_s
        if k is None:
            rows.append(
                DriftRow(
                    stored.knob_deg, stored.direction, stored.pulse_s, stored.design_pulse_s,
                    None, None, None, None, rest_s, None, False, None, UNDECIDED,
                )
            )  # fmt: skip
            continue
        earlier_s = float(np.exp(difference.earlier_logs[k, 0]))
        own_change_s = stored.pulse_s * -math.expm1(-float(difference.logs[k, 0]))
        u_s = stored.pulse_s * math.sqrt(float(own[k, 0, 0]))
        unsure = levels[k] < _MAYBE_LEVEL or COVERAGE * u_s > design.limits.deviation_s
        verdict = UNDECIDED if unsure or touched[k] else UNCHANGED
        rows.append(
            DriftRow(
                knob_deg=stored.knob_deg,
                direction=stored.direction,
                pulse_s=stored.pulse_s,
                design_pulse_s=stored.design_pulse_s,
                earlier_pulse_s=earlier_s,
                change_s=stored.pulse_s - earlier_s,
                surroundings_s=stored.pulse_s - earlier_s - own_change_s,
                u_change_s=u_s,
                rest_s=rest_s,
                rest_change_s=rest_s * -math.expm1(-float(difference.logs[k, 1])),
                between=difference.between[k],
                p_value=float(levels[k]),
                verdict=CHANGED if changed[k] else verdict,
            )
        )
    return tuple(rows)


def find_significant(levels: Values) -> NDArray[np.bool_]:
    """Return which of several tests are significant together (Holm's step-down procedure).

    Parameters
    ----------
    levels : numpy.ndarray
        Their p-values, shape (n,).

    Returns
    -------
    numpy.ndarray
        Shape (n,), bool. The chance that any of them is a false alarm is `ROWS_LEVEL` at most.
    """
    order = np.argsort(levels)
    bound = ROWS_LEVEL / np.arange(levels.size, 0, -1)
    below = levels[order] < bound
    passed = np.logical_and.accumulate(below)
    found = np.zeros(levels.size, dtype=bool)
    found[order] = passed
    return found
