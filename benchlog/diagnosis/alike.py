"""Supply and diode, which move pulse and rest alike: one cause where nothing tells them apart."""

from __future__ import annotations

from dataclasses import replace

from benchlog.diagnosis.finding import InputDiagnosis
from benchlog.diagnosis.separation.causes import Cause
from benchlog.diagnosis.separation.unrest import Contribution, Unrest
from benchlog.diagnosis.words.sizes import Setting
from benchlog.diagnosis.words.supply_texts import may_be_diode

__all__ = ["LOOK_ALIKE", "gather_alike", "is_either", "tell_as_named"]

LOOK_ALIKE = {"supply", "diode"}
"""Causes, and kinds of movement, that move pulse and rest nearly alike."""


def gather_alike(
    one: InputDiagnosis, unrest: Unrest, causes: tuple[Cause, ...], told: str | None
) -> tuple[Cause, ...]:
    """Take supply and diode as one cause where nothing tells them apart, with one share.

    Without a design the channel is assumed to be a usual one, and that decides nothing between
    the two. Each share by itself may then be anything, while the two together are what the other
    causes leave.

    Parameters
    ----------
    one : InputDiagnosis
        The input.
    unrest : Unrest
        Its movement.
    causes : tuple of Cause
        As `find_causes` gathered them.
    told : str or None
        Which of the two it is by the readings beside the recordings.

    Returns
    -------
    tuple of Cause
        Weightiest first; what may be either of the two is called ``supply``.
    """
    alike = [cause for cause in causes if cause.name in LOOK_ALIKE]
    is_designed = one.design is not None
    if told is not None or not alike or (is_designed and len(alike) > 1):
        return causes
    kinds = tuple(
        sorted((kind for cause in alike for kind in cause.kinds), key=lambda kind: -kind.share)
    )
    is_both = {kind.kind for kind in kinds} >= LOOK_ALIKE
    if is_designed and not is_both:
        return causes
    low = min(cause.share_low for cause in alike)
    high = max(cause.share_high for cause in alike)
    share = min(1.0, sum(cause.share for cause in alike))
    if is_both:
        others = sum(
            kind.share_high for kind in unrest.contributions if kind.cause not in LOOK_ALIKE
        )
        # what no cause explains has no interval of its own: as much again may be in the others
        low = max(low, 1.0 - others - 2.0 * unrest.rest_share)
    whole = Cause("supply", kinds, share, min(low, share), max(high, share))
    rest = [cause for cause in causes if cause.name not in LOOK_ALIKE]
    return tuple(sorted([whole, *rest], key=lambda cause: -cause.share))


def tell_as_named(cause: Cause, setting: Setting) -> Contribution:
    """Return the weightiest kind of a cause, told in the way in which the cause is named."""
    main = cause.main
    per_v = setting.kelvin_per_v
    if main.kind == "diode" and cause.name == "supply":
        size = change = None
        if per_v and main.size is not None:
            size = abs(main.size / per_v)
            change = None if main.change is None else main.change / per_v
        return replace(main, kind="supply", size=size, change=change, unit="V")
    if main.kind == "supply" and cause.name == "diode":
        size = None if main.size is None or per_v is None else abs(main.size * per_v)
        change = None if main.change is None or per_v is None else main.change * per_v
        return replace(main, kind="diode", size=size, change=change, unit="K")
    return main


def is_either(cause: Cause, setting: Setting, told: str | None, *, pulled: bool) -> bool:
    """Tell whether what is named supply may as well be the diode."""
    if cause.name != "supply" or cause.main.kind not in LOOK_ALIKE or told is not None:
        return False
    return may_be_diode(tell_as_named(cause, setting), setting, pulled=pulled) is not False
