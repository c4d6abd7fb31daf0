"""Remedies in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.calibration.remedy_steps import Step, fixed_value, trimmer_of
from benchlog.channel.aim import Aim
from benchlog.channel.built_ends import Ends
from benchlog.channel.plan import Design
from benchlog.units import format_value

__all__ = ["After", "describe_remedy", "describe_rest", "describe_step", "describe_values"]

_UNITS = {"r_on": "ohm", "r_knob": "ohm", "r_off": "ohm", "c_timing": "F"}
_TURNS = (
    (0.06, "hardly any"), (0.18, "an eighth"), (0.3, "a quarter"), (0.42, "a third"),
    (0.58, "half"), (0.7, "two thirds"), (0.82, "three quarters"),
)  # fmt: skip
_DIFFERS = 0.02  # of a found value from the marked one, to be worth a word


@dataclass(frozen=True, slots=True)
class After:
    """What a remedy brings.

    Attributes
    ----------
    low_s, high_s, period_s : tuple of float
        The middle value of each, and half the width of the band that holds 95 %; seconds.
    aim : Aim
        The aim.
    share : float
        The share of builds that meet it.
    known : bool
        Whether the parts were measured.
    """

    low_s: tuple[float, float]
    high_s: tuple[float, float]
    period_s: tuple[float, float]
    aim: Aim
    share: float
    known: bool

    @property
    def is_centred(self) -> bool:
        """Whether the middle one of the builds meets the aim."""
        return not _misses(self)

    @classmethod
    def of(cls, ends: Ends, aim: Aim, share: float, *, known: bool) -> After:
        """Sum up what builds do."""
        good = np.isfinite(ends.period_s)
        bands = []
        for one in (ends.low_s, ends.high_s, ends.period_s):
            low, middle, high = np.quantile(one[good], (0.025, 0.5, 0.975))
            bands.append((float(middle), float(high - low) / 2))
        return cls(bands[0], bands[1], bands[2], aim, share, known)


def _ohms(value: float, part: str, digits: int = 3) -> str:
    """Write a part's value."""
    return format_value(value, _UNITS[part], digits)


def _stood(design: Design, part: str, stood: float | None) -> str:
    """Write what a part is: as marked, and as found where that differs."""
    marked = fixed_value(design, part)
    shown = _ohms(marked, part)
    if stood is None or abs(stood / marked - 1.0) < _DIFFERS or trimmer_of(design, part):
        return shown
    return f"{shown} marked, {_ohms(stood, part)} found"


def describe_step(design: Design, step: Step, stood: float | None, becomes: float | None) -> str:
    """Say what to do, as a clause that begins with a verb.

    Parameters
    ----------
    design : Design
        The design.
    step : Step
        The change.
    stood : float or None
        What the part was found to be; None where it was not measured.
    becomes : float or None
        What it becomes, with what stands beside it.

    Returns
    -------
    str
        Such as ``put 39 kΩ in place of r_on (33 kΩ)``.
    """
    part = step.part
    if step.kind == "exchange":
        return "exchange r_on and r_off: each sits in the other's place"
    if step.kind == "ends":
        return "exchange the two outer leads of the knob"
    if step.kind == "renew":
        if part == "timer":
            return f"put another timer of the family {design.timer.name} in"
        named = design.diode_model or "of the design's type"
        return f"put a new diode {named} in, its bar to pins 2 and 6"
    new = _ohms(step.value, part) if step.value else ""
    was = _stood(design, part, stood)
    if step.kind == "setting":
        return _describe_setting(design, part, stood, becomes)
    if step.kind == "fixed":
        return (
            f"put {new} in place of the fixed {_ohms(fixed_value(design, part), part)} of {part}, "
            f"then {_describe_setting(design, part, None, None)}"
        )
    if step.kind == "trimmer":
        share = (becomes - step.value) / step.trimmer_ohm if becomes is not None else 0.5
        return (
            f"put {new} and a trimmer of {_ohms(step.trimmer_ohm, part)} in series in place of "
            f"{part} ({was}), and turn the trimmer until {_wanted(part)} is right (with about "
            f"{_turn(share)} of its resistance)"
        )
    if step.kind == "value":
        return f"put {new} in place of {part} ({was})"
    side = "in series with" if step.kind == "series" else "in parallel with"
    where = f"{part} ({was})"
    if part == "r_knob":
        where = f"the knob ({was}), from one end of its track to the other"
        return f"put {new} in parallel with {where}"
    return f"put {new} {side} {where}"


def _wanted(part: str) -> str:
    """Say what is read while a trimmer is turned."""
    return "the shortest pulse" if part == "r_on" else "the period"


def _turn(share: float) -> str:
    """Write a share of a turn in words, to an eighth or so."""
    for limit, word in _TURNS:
        if abs(share) <= limit:
            return word
    return "nearly all"


def _describe_setting(design: Design, part: str, stood: float | None, becomes: float | None) -> str:
    """Say how to set a trimmer that is there."""
    base = f"turn the trimmer at {part} until {_wanted(part)} is right"
    trimmer = trimmer_of(design, part)
    if stood is None or becomes is None or not trimmer:
        return base
    share = (becomes - stood) / trimmer
    way = "more" if share > 0 else "less"
    if abs(share) < 0.02:
        return f"{base} (it nearly is)"
    return f"{base}: {way} resistance, about {_turn(share)} of its whole turn"


def describe_remedy(steps: Sequence[str], after: After) -> str:
    """Put a remedy into sentences.

    Parameters
    ----------
    steps : sequence of str
        From `describe_step`.
    after : After
        What it brings.

    Returns
    -------
    str
        What to do; what the pulse becomes; how surely that meets the aim.
    """
    what = "; ".join(steps)
    aim = after.aim
    brings = (
        f"the shortest pulse becomes {_microseconds(after.low_s)}, "
        f"the longest {_microseconds(after.high_s)}"
    )
    if aim.period_s is not None:
        period, half = after.period_s
        brings += f", and a pulse comes every {period * 1e3:.3g} ± {_up(half * 1e3, 2)} ms"
    text = f"{what[0].upper()}{what[1:]}: {brings}."
    return " ".join([text, *_misses(after), _surety(after)])


def _up(value: float, digits: int) -> str:
    """Write half a band, rounded up to two figures so that it never promises too much."""
    if value <= 0.0:
        return "0"
    scale = 10.0 ** (digits - 1 - math.floor(math.log10(value)))
    return f"{math.ceil(value * scale - 1e-9) / scale:.6g}"


def _microseconds(band: tuple[float, float]) -> str:
    """Write a pulse with its band."""
    return f"{band[0] * 1e6:.0f} ± {math.ceil(band[1] * 1e6 - 1e-6):d} µs"


def _misses(after: After) -> list[str]:
    """Say which end is still missed by the middle one of the builds."""
    aim, said = after.aim, []
    for word, band, wanted in (
        ("shortest", after.low_s, aim.low_s),
        ("longest", after.high_s, aim.high_s),
    ):
        off = band[0] - wanted
        if abs(off) > aim.within_s:
            way = "longer" if off > 0 else "shorter"
            said.append(
                f"That leaves the {word} pulse {abs(off) * 1e6:.0f} µs {way} than the "
                f"{wanted * 1e6:.0f} µs wanted."
            )
    if aim.period_s is not None:
        off = after.period_s[0] / aim.period_s - 1.0
        if abs(off) > aim.period_within:
            way = "longer" if off > 0 else "shorter"
            said.append(f"That leaves the period {100 * abs(off):.0f} % {way} than wanted.")
    return said


def _surety(after: After) -> str:
    """Say how many builds meet the aim."""
    aim = after.aim
    hundredths = round(100 * after.share)
    room = f"both ends within ±{aim.within_s * 1e6:.0f} µs"
    if aim.period_s is not None:
        room = f"{room} and the period within ±{100 * aim.period_within:.3g} %"
    if after.known:
        return f"The chance that it then has {room}: {hundredths} in 100."
    return f"Of 100 such channels {hundredths} then have {room}."


def describe_rest(*, known: bool) -> str:
    """Say why the middle one of the builds meets an aim and most others do not.

    Parameters
    ----------
    known : bool
        Whether the parts that stay were measured.

    Returns
    -------
    str
        One sentence.
    """
    if known:
        return (
            "What is left are the new parts' own tolerances and how well the old ones are known: a "
            "part picked with a meter makes it surer."
        )
    return "What is left are the parts' tolerances: parts picked with a meter make it surer."


def describe_values(values: Mapping[str, float], free: Sequence[str], miss: float, aim: Aim) -> str:
    """Say which values would meet an aim.

    Parameters
    ----------
    values : mapping of str to float
        By part.
    free : sequence of str
        The parts that may change.
    miss : float
        By how many times what is allowed the worst is off.
    aim : Aim
        The aim.

    Returns
    -------
    str
        One sentence or two.
    """
    span = f"{aim.low_s * 1e6:.0f} to {aim.high_s * 1e6:.0f} µs"
    named = [f"{part} {_ohms(values[part], part)}" for part in free]
    listed = f"{', '.join(named[:-1])} and {named[-1]}"
    if not miss <= 1.0:
        return (
            f"No values of {', '.join(free[:-1])} and {free[-1]} reach {span} from here; "
            f"the nearest are {listed}."
        )
    return (
        f"Exactly there it takes {listed}: picked with a meter, or made up of a fixed resistor "
        "and a trimmer."
    )
