"""What to do after a channel was confirmed: the change that is proposed, or what to look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from benchlog.calibration.confirming_safety import Safety
from benchlog.calibration.identify import Identification, Suspect
from benchlog.calibration.remedy import Remedy, design_aim, propose_remedies
from benchlog.calibration.suspect_texts import NAMES
from benchlog.calibration.table import Table
from benchlog.channel.design import Design, predict_cycle
from benchlog.errors import BenchlogError
from benchlog.units import format_value

__all__ = ["Word", "ends_alone", "propose_remedy", "tell_next_step"]

Word = Literal["PASS", "FAIL", "AGAIN"]
"""The answer to a confirmation."""


def ends_alone(found: Identification | None, table: Table) -> bool:
    """Tell whether exchanging the knob's ends is all that its ends need.

    Asked of what was measured: where a position between them does not fit as well, the found
    build is none that could be relied on.

    Parameters
    ----------
    found : Identification or None
        The parts as found.
    table : Table
        The rows, the knob's ends first and last.

    Returns
    -------
    bool
        Whether the exchange alone explains both ends.
    """
    if found is None or not found.suspects or found.suspects[0].fault != "ends-swapped":
        return False
    first, last = table.rows[0], table.rows[-1]
    pairs = ((first.point.pulse_s, last), (last.point.pulse_s, first))
    return all(
        row.limit.floor_s <= pulse_s - row.design_pulse_s <= row.limit.ceiling_s
        for pulse_s, row in pairs
    )


def propose_remedy(design: Design, found: Identification | None) -> Remedy | None:
    """Propose what to change, so that the channel becomes what its design says.

    Of several proposals the one that changes the suspected part alone is the natural one.

    Parameters
    ----------
    design : Design
        The design.
    found : Identification or None
        The parts as found.

    Returns
    -------
    Remedy or None
        None where nothing can be proposed.
    """
    if found is None:
        return None
    try:
        remedies = propose_remedies(design, design_aim(design), found)
    except BenchlogError:
        return None
    suspected = found.suspects[0].part if found.suspects else None
    own = [one for one in remedies if {change.part for change in one.changes} == {suspected}]
    return next(iter(own or remedies), None)


def _tell_remedy(design: Design, suspects: Sequence[Suspect], remedy: Remedy | None) -> str | None:
    """Say in one sentence what to change: first of all the part that is wrong."""
    marked = {part.name: part for part in design.parts}
    first = suspects[0] if suspects else None
    changed = {change.part for change in remedy.changes} if remedy is not None else set()
    if first is not None and first.fault in ("value", "decade") and changed != {first.part}:
        part = marked.get(first.part)
        if part is not None:  # simpler than to make up for a wrong part with others
            value = format_value(part.value, part.unit)
            return f"Put the marked part in for {first.part}: {value}."
    if remedy is None:
        return None
    what = _sentence("; ".join(change.text for change in remedy.changes))
    within_us = design_aim(design).within_s * 1e6
    hundredths = round(100 * remedy.share)
    sure = f"{what[:-1]}; {hundredths} in 100 such channels come within ±{within_us:.0f} µs."
    return sure if hundredths >= 95 else f"{sure} Pick the part with a meter to be surer."


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:].rstrip(".") + "."


def tell_next_step(
    design: Design,
    word: Word,
    suspects: Sequence[Suspect],
    remedy: Remedy | None,
    why: Sequence[tuple[str, str]],
    safety: Safety,
    supply_v: float,
) -> str:
    """Say what to do now.

    Parameters
    ----------
    design : Design
        The design.
    word : {"PASS", "FAIL", "AGAIN"}
        The answer.
    suspects : sequence of Suspect
        Likeliest first.
    remedy : Remedy or None
        The change that is proposed.
    why : sequence of (str, str)
        What was found and what to do about it, weightiest first.
    safety : Safety
        The servo's.
    supply_v : float
        The supply, volts.

    Returns
    -------
    str
        One or two sentences.
    """
    if word == "PASS":
        return "Nothing is to be done."
    told = _tell_remedy(design, suspects, remedy) if word == "FAIL" else None
    if told is None and word == "FAIL" and suspects and suspects[0].fault == "ends-swapped":
        return "Exchange the two outer leads of the knob, then confirm again."
    if told is None and word == "FAIL" and suspects:
        return _tell_check(suspects, supply_v)
    if told is None and word == "FAIL" and safety.state == "unsafe" and len(why) == 1:
        return _tell_too_long(design, safety)
    return told or _sentence(why[0][1])


def _tell_check(suspects: Sequence[Suspect], supply_v: float) -> str:
    """Say what to look at where no change of a part can be named."""
    names = list(dict.fromkeys(one.part for one in suspects))
    if "supply" in names:
        others = [NAMES[name] for name in names if name != "supply"][:1]
        rest = f"; if it is {supply_v:.3g} V, look at {others[0]}" if others else ""
        return f"Measure the supply at the timer while the channel runs{rest}."
    return f"Look at {' and '.join(NAMES[name] for name in names[:2])}."


def _tell_too_long(design: Design, safety: Safety) -> str:
    """Say what to do where right parts make pulses that the servo cannot follow."""
    servo, knob = design.servo, design.knob
    degrees = np.linspace(0.0, knob.travel_deg, 541)
    supply = design.supply.value
    pulses_s = np.asarray(predict_cycle(design, degrees, supply_v=supply).on_s)
    good = degrees[(pulses_s >= servo.pulse_min_s) & (pulses_s <= servo.pulse_max_s)]
    keep = ""
    if good.size and good[0] > 0.0 and good[-1] < knob.travel_deg:
        keep = f"keep the knob between {math.ceil(good[0])}° and {math.floor(good[-1])}°, or "
    elif good.size and good[0] > 0.0:
        keep = f"keep the knob above {math.ceil(good[0])}°, or "
    elif good.size and good[-1] < knob.travel_deg:
        keep = f"keep the knob below {math.floor(good[-1])}°, or "
    low_us, high_us = servo.pulse_min_s * 1e6, servo.pulse_max_s * 1e6
    needs = [
        f"{one * 1e6:.0f} µs"
        for one, is_past in (
            (safety.low_s, safety.low_s < servo.pulse_min_s),
            (safety.high_s, safety.high_s > servo.pulse_max_s),
        )
        if is_past
    ]
    word = "long" if safety.high_s > servo.pulse_max_s else "short"
    period_ms = float(predict_cycle(design, 0.5 * knob.travel_deg).period_s) * 1e3
    return (
        f"Leave the servo unplugged. The parts are right, but the design is too {word} for this "
        f"servo: {keep}choose parts for {low_us:.0f} to {high_us:.0f} µs (benchlog new NAME "
        f"--aim {low_us:.0f} {high_us:.0f} {period_ms:.0f}), or a servo that takes "
        f"{' and '.join(needs)}."
    )
