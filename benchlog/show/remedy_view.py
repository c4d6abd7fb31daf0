"""Remedies as a person reads them, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchlog.calibration.remedy import Remedy
from benchlog.show.prediction_view import positions_to_json

__all__ = ["remedies_to_json", "remedy_lines"]


CAUTION = "Change parts with the power off and the servo unplugged, and measure again afterwards."


def remedy_lines(remedies: Sequence[Remedy], *, table: bool = False) -> list[str]:
    """Say what to change.

    Parameters
    ----------
    remedies : sequence of Remedy
        From `benchlog.calibration.remedy.propose_remedies`; may be empty.
    table : bool
        Whether the table that would result follows the first remedy.

    Returns
    -------
    list of str
        One a remedy, in the order given, and a caution; then the lines of the table.
    """
    words = ("What to change: ", "Or: ", "Or: ")
    lines = [f"{words[min(number, 2)]}{remedy.text}" for number, remedy in enumerate(remedies)]
    if remedies:
        lines.append(CAUTION)
    if table and remedies:
        lines += ["", "With the first of them the knob would give", *_table(remedies[0])]
    return lines


def _table(remedy: Remedy) -> list[str]:
    """Lay out the table that would result, 46 columns wide."""
    lines = [f"{'knob':>6}{'pulse':>9}{'95 of 100':>15}{'period':>9}{'arm':>7}",
             f"{'°':>6}{'µs':>9}{'µs':>15}{'ms':>9}{'°':>7}"]  # fmt: skip
    for one in remedy.positions:
        band = f"{one.on_low_s * 1e6:.0f} to {one.on_high_s * 1e6:.0f}"
        stop = f"  past the {one.end_stop} stop" if one.end_stop else ""
        lines.append(
            f"{one.knob_deg:>6.4g}{one.on_s * 1e6:>9.0f}{band:>15}{one.period_s * 1e3:>9.2f}"
            f"{one.servo_deg:>7.1f}{stop}"
        )
    return lines


def remedies_to_json(remedies: Sequence[Remedy]) -> list[dict[str, Any]]:
    """Return remedies as JSON.

    Parameters
    ----------
    remedies : sequence of Remedy
        In any order.

    Returns
    -------
    list of dict
        Values in the unit that stands beside them; the table as `predict` has it.
    """
    return [
        {
            "changes": [
                {
                    "part": change.part,
                    "how": change.how,
                    "before": change.before,
                    "after": change.after,
                    "unit": change.unit,
                    "new": change.new,
                    "place": change.place,
                    "trimmer_ohm": change.trimmer_ohm,
                    "text": change.text,
                }
                for change in remedy.changes
            ],
            "share": remedy.share,
            "text": remedy.text,
            "positions": positions_to_json(remedy.positions),
        }
        for remedy in remedies
    ]
