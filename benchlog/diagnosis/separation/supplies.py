"""The ways in which a supply may move: in steps from cycle to cycle, held, smoothly, flowing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchlog.diagnosis.separation.directions import Direction

__all__ = ["FLOWING", "SUPPLIES", "list_supplies"]

_BASES = {"supply": "", "supply-bipolar": "-bipolar"}

FLOWING = frozenset({f"supply-flowing{end}" for end in _BASES.values()})
"""What moves on within the cycle as well: of those each crossing sees the supply of its instant."""

SUPPLIES = frozenset(
    f"{name}{end}"
    for end in _BASES.values()
    for name in ("supply", "battery", "supply-held", "supply-flowing")
)
"""The kinds of which an explanation has one at the most."""


def list_supplies(directions: Sequence[Direction]) -> tuple[Direction, ...]:
    """List the further ways in which the supply may move a channel.

    Parameters
    ----------
    directions : sequence of Direction
        Of the channel: ``supply`` and, without a design, ``supply-bipolar``; ``supply-on-end``
        and ``supply-off-end``.

    Returns
    -------
    tuple of Direction
        ``battery`` sags smoothly, and ``supply-held`` holds still within each cycle, so that it
        moves the pulse alone however fast it changes. Of ``supply-flowing`` `on_s` and `off_s`
        hold what the supply does as the pulse ends, `next_on_s` what it does as the pulse begins
        and `next_off_s` what it does as the rest ends: a fall by 10 mV within a rest moves that
        far more than such a fall from cycle to cycle.
    """
    known = {one.kind: one for one in directions}
    found = []
    for kind, end in _BASES.items():
        base = known.get(kind)
        if base is None:
            continue
        found.append(replace(base, kind=f"battery{end}"))
        whole_s = base.on_s + base.next_on_s
        found.append(replace(base, kind=f"supply-held{end}", on_s=whole_s, next_on_s=0.0))
        pulse_end = known.get("supply-on-end")
        if pulse_end is not None:
            found.append(
                replace(
                    base,
                    kind=f"supply-flowing{end}",
                    on_s=pulse_end.on_s,
                    off_s=pulse_end.off_s,
                    next_on_s=whole_s - pulse_end.on_s,
                    next_off_s=base.off_s + base.next_off_s - pulse_end.off_s,
                )
            )
    return tuple(found)
