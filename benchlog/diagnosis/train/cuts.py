"""Which odd intervals lost samples explain, which a restless circuit, which a supply's step."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.train.incidents import Incident

__all__ = ["find_cuts", "follows_supply", "is_mild", "most_cuts"]

_MILD_ON = (0.6, 1.25)
_MILD_OFF = (0.75, 1.35)
"""Shares of the usual pulse and rest that a bad contact (a rest 35 % longer is some kilohm) or a
supply that another servo pulls may bring about; beyond them it is an event."""
_WILD_SPREADS = 16.0
_STRAYS = 0.34
_FEW = 2
_DEEP = 0.93
"""A rest cut by more than this is no supply's that comes back (a servo's pull makes 5 %)."""
_LONG_REST = 1.07
_OUTSTANDING = 60.0
_MANY_SHARE = 0.01
_MANY = 40
_SHALLOW_MARGINS = 3.0
_TAIL = 2
"""A cut leaves the other rests usual: where more than this lie near the margin's end beside each
odd one, the odd ones are the tail of the circuit's own scatter."""
_STEP_PER_REST = 0.05
"""A supply that steps by a share moves the pulse that follows by 0.14 (9 V) to 0.4 of it, through
the diode's drop, and the rest in which it steps by 1 / ln 2 of it: the least ratio, halved."""
_STEPPED_ON = (0.25, 1.8)
_STEPPED_OFF = (0.4, 1.8)
"""Shares of the usual that a supply which steps by up to a third leaves of the cycle: a rest that
goes on until a lower trigger level, a pulse that a lower threshold ends at once."""


def is_mild(one: Incident) -> bool:
    """Tell whether a restless circuit alone may have done it: usual edges a little out of place.

    Parameters
    ----------
    one : Incident
        From `find_incidents`.

    Returns
    -------
    bool
        False where it is an event whatever else the train does.
    """
    on_reach = _WILD_SPREADS * one.spread_on_s / one.usual_on_s
    off_reach = _WILD_SPREADS * one.spread_off_s / one.usual_off_s
    on = (min(_MILD_ON[0], 1.0 - on_reach), max(_MILD_ON[1], 1.0 + on_reach))
    off = (min(_MILD_OFF[0], 1.0 - off_reach), max(_MILD_OFF[1], 1.0 + off_reach))
    return one.alternates and _lies_within(one, on, off)


def follows_supply(one: Incident) -> bool:
    """Tell whether the supply, or what else sets the pulse, stepped within an incident.

    Parameters
    ----------
    one : Incident
        From `find_incidents`.

    Returns
    -------
    bool
        Where the pulse is longer or shorter behind it, by an amount that belongs to what the
        cycle itself went out of place: a cut in the recording leaves the pulse as it is.

    Notes
    -----
    Both thresholds of the timer are shares of its supply. The capacitor falls from the old upper
    one to the new lower one, so that the rest in which the supply falls is longer, whenever in
    the rest that is; and the pulses that follow are longer, since the diode's drop is a larger
    share. A rise of the supply shortens both.
    """
    if not one.alternates or not one.pulse_step:
        return False
    if not _lies_within(one, _STEPPED_ON, _STEPPED_OFF):
        return False
    rests = [part - 1.0 for state, part in zip(one.on, one.parts, strict=True) if not state]
    if len(one.parts) == 1 and rests:
        return one.pulse_step / rests[0] > _STEP_PER_REST
    return abs(one.pulse_step) > _STEP_PER_REST * max(abs(part - 1.0) for part in one.parts)


def most_cuts(cycle_count: int) -> float:
    """Return how many cuts a recording may have: where there are more, it is the circuit.

    Parameters
    ----------
    cycle_count : int
        Cycles in the recording.

    Returns
    -------
    float
        The most.
    """
    return max(_MANY, _MANY_SHARE * cycle_count)


def find_cuts(mild: Sequence[Incident], surely_cut: int, cycle_count: int) -> list[Incident]:
    """Find the mild incidents that lost samples explain better than the circuit does.

    A cut shortens one rest (or one pulse) and leaves all others alone. A circuit that is
    disturbed comes back as well, so that it strays both ways, and often for some cycles. Where
    samples were surely lost elsewhere, intervals that are too long may be what two cut ones left.

    Parameters
    ----------
    mild : sequence of Incident
        Those that `is_mild` holds for; without those that `follows_supply` holds for.
    surely_cut : int
        Cuts that were found beyond doubt.
    cycle_count : int
        Cycles in the recording.

    Returns
    -------
    list of Incident
        Of the mild ones.
    """
    if len(mild) > most_cuts(cycle_count):
        return []
    cuts = _choose(mild, surely_cut)
    if surely_cut:
        return cuts
    shallow = [one for one in cuts if one.reach < _SHALLOW_MARGINS]
    return [one for one in cuts if one not in shallow or one.crowd <= _TAIL * len(shallow)]


def _choose(mild: Sequence[Incident], surely_cut: int) -> list[Incident]:
    """Choose those that have a cut's form, where hardly anything strays otherwise."""
    shifted = [one for one in mild if len(one.parts) <= 2 and not one.kept]
    if surely_cut:
        return shifted if len(mild) - len(shifted) <= _STRAYS * len(shifted) else []
    resting = [one for one in shifted if not one.on[0] or max(one.parts) < 1.0]
    resting = [one for one in resting if one.on != (True,)]
    if any(max(one.parts) < 1.0 and min(one.parts) < _DEEP for one in resting):
        return resting if len(mild) - len(resting) <= _STRAYS * len(resting) else []
    short = [one for one in shifted if not one.on[0] and max(one.parts) < 1.0]
    if short:
        return short if len(mild) - len(short) <= _STRAYS * len(short) else []
    return [one for one in shifted if len(mild) <= _FEW and _stands_out(one)]


def _stands_out(one: Incident) -> bool:
    """Tell whether a lone rest is so long, and all else so quiet, that no contact did it."""
    return (
        one.on == (False,)
        and one.parts[0] > _LONG_REST
        and one.shift_s > _OUTSTANDING * one.spread_off_s
    )


def _lies_within(one: Incident, on: tuple[float, float], off: tuple[float, float]) -> bool:
    """Tell whether each interval lies between two shares of its usual length."""
    return all(
        on[0] < part < on[1] if state else off[0] < part < off[1]
        for state, part in zip(one.on, one.parts, strict=True)
    )
