"""What is said on a dial and beneath it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.calibration.dial_marks import Scale, find_stretches
from benchlog.show.dial_face import Layout
from benchlog.show.dial_scale import DialSource
from benchlog.show.dial_words import Line
from benchlog.show.lettering import drawable

__all__ = ["Hold", "caption_of", "lines_of"]


@dataclass(frozen=True, slots=True)
class Hold:
    """From which supply to which the marks hold, volts, and within how many degrees of arm."""

    low_v: float
    high_v: float
    within_deg: float

    def volts(self) -> tuple[str, str]:
        """Return both ends, rounded inward."""
        scale = 10 if self.high_v - self.low_v > 0.3 else 100
        places = 1 if scale == 10 else 2
        low = math.ceil(scale * self.low_v - 1e-6) / scale
        high = math.floor(scale * self.high_v + 1e-6) / scale
        return f"{min(low, high):.{places}f}", f"{high:.{places}f}"


_NB = "\N{NO-BREAK SPACE}"
_UNITS = {"arm": "arm °", "pulse": "pulse µs", "settings": "settings", "own": ""}


def lines_of(source: DialSource, scale: Scale, hold: Hold | None) -> list[list[Line]]:
    """Return what may be printed on a dial.

    Parameters
    ----------
    source : DialSource
        Whose scale it is.
    scale : Scale
        Its marks.
    hold : Hold or None
        Over which supplies they hold.

    Returns
    -------
    list of list of Line
        The fullest text first.
    """
    name = Line(_short(drawable(source.channel), 16), 1.35, bold=True)
    unit = _UNITS[scale.kind]
    head = [name] + ([Line(unit)] if unit else [])
    origin = source.date if source.date else "from the design,"
    volts = f"{source.supply_v:.3g} V"
    under = (
        [Line(f"{origin}, {volts}")]
        if source.date
        else [Line(origin), Line(f"not measured, {volts}")]
    )
    if hold is None:
        return [[*head, *under], [name, *under], [name, *under[:1]], [name]]
    low, high = hold.volts()
    full = [Line(f"holds within {hold.within_deg:g}°"), Line(f"from {low} to {high} V")]
    brief = [Line(f"±{hold.within_deg:g}°"), Line(f"{low}–{high} V")]
    wide = Line(f"holds within {hold.within_deg:g}° from {low} to {high} V")
    return [
        [*head, *full, *under],
        [name, *full, *under],
        [name, *full],
        [name, wide],
        [name, *brief],
        brief,
        [name],
    ]


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def caption_of(source: DialSource, scale: Scale, layout: Layout, hold: Hold | None) -> list[str]:
    """Tell in sentences what a dial is and how to read it.

    Parameters
    ----------
    source : DialSource
        Whose scale it is.
    scale : Scale
        Its marks.
    layout : Layout
        Where they lie.
    hold : Hold or None
        Over which supplies they hold.

    Returns
    -------
    list of str
        To stand beneath it.
    """
    if source.date:
        count = source.mark_count
        texts = [
            f"measured {source.date}, {count}{_NB}position{'s' * (count != 1)}, "
            f"{source.supply_v:.3g}{_NB}V"
        ]
    else:
        texts = [f"from the design, not measured; for {source.supply_v:.3g}{_NB}V"]
    if hold is not None:
        low, high = hold.volts()
        texts.append(f"holds within {hold.within_deg:g}° of arm from {low} to {high}{_NB}V")
    if source.servo.assumed:
        texts.append("the servo's range is assumed, not measured")
    for one in find_stretches(source.curve, source.servo):
        if one.from_deg > 0.0:
            where = f"above knob{_NB}{math.floor(one.from_deg)}°"
        else:
            where = f"below knob{_NB}{math.ceil(one.to_deg)}°"
        if one.kind == "dead":
            texts.append(f"dotted: turning changes nothing, {where}")
        else:
            texts.append(f"hatched: the servo pushes its stop, {where}")
    if scale.kind == "own" and layout.left_out:
        names = ", ".join(_short(scale.marks[k].text, 20) for k in layout.left_out)
        texts.append(f"no room for: {names}")
    if layout.numbered:
        texts.append("; ".join(f"{k}{_NB}{one.text}" for k, one in enumerate(scale.marks, 1)))
    return texts
