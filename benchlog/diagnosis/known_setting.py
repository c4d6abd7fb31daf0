"""What the sentences of a diagnosis need of the channel: supply, knob, model, printed commands."""

from __future__ import annotations

import numpy as np

from benchlog.diagnosis.finding import InputDiagnosis
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Unrest
from benchlog.diagnosis.words.printed_commands import Bench
from benchlog.diagnosis.words.sizes import Setting
from benchlog.diagnosis.words.verdict_texts import Output

__all__ = ["find_direction", "gather_setting", "know_bench", "know_output"]


def find_direction(one: InputDiagnosis, kind: str) -> Direction | None:
    """Return how a kind moves the cycle, of the first recording that says it."""
    for each in one.directions:
        for direction in each:
            if direction.kind == kind:
                return direction
    return None


def gather_setting(one: InputDiagnosis, unrest: Unrest) -> Setting:
    """Gather what the sentences need of the channel."""
    design = one.design
    supply, diode = find_direction(one, "supply"), find_direction(one, "diode")
    kelvin = None
    if supply is not None and diode is not None and (per_k := diode.on_s + diode.next_on_s):
        kelvin = (supply.on_s + supply.next_on_s) / per_k
    travel = None
    if design is not None:
        knob = design.knob
        travel = knob.travel_deg - knob.dead_low_deg - knob.dead_high_deg
    return Setting(
        travel,
        _supply_v(one),
        kelvin,
        is_designed=design is not None,
        pulse_s=unrest.pulse_rms_s,
        period_s=unrest.period_rms_s,
        rest_per_pulse=_rest_per_pulse(one),
        bench=know_bench(one),
    )


def _rest_per_pulse(one: InputDiagnosis) -> float | None:
    """Return how long the rest is beside the pulse, of the first recording with cycles."""
    for cycles in one.cycles:
        if cycles.count:
            return float(np.mean(cycles.off_s) / np.mean(cycles.on_s))
    return None


def _supply_v(one: InputDiagnosis) -> float | None:
    """Return the supply as it was read, else as the design says."""
    read = [heard.supply_v for heard in one.heard if heard.supply_v is not None]
    if read:
        return float(np.mean(read))
    return None if one.design is None else one.design.supply.value


def know_bench(one: InputDiagnosis) -> Bench:
    """Return what the printed commands know: the channel, and the knob where it stood still."""
    channel = None if one.design is None else one.design.channel
    angles = {heard.knob_deg for heard in one.heard}
    return Bench(channel, angles.pop() if len(angles) == 1 else None)


def know_output(one: InputDiagnosis) -> Output | None:
    """Return what a meter on the output should read, of several recordings at the longest pulse.

    Parameters
    ----------
    one : InputDiagnosis
        The input.

    Returns
    -------
    Output or None
        None without a cycle, or of several recordings whose knob angle nobody knows.
    """
    means = [float(np.mean(cycles.on_s)) if cycles.count else 0.0 for cycles in one.cycles]
    place = int(np.argmax(means))
    heard, cycles = one.heard[place], one.cycles[place]
    if not cycles.count or (len(means) > 1 and heard.knob_deg is None):
        return None
    family = next((each.design.timer.name for each in one.heard if each.design), None)
    where = "here" if len(means) == 1 else f"at a knob angle of {heard.knob_deg:g}°"
    duty = means[place] / float(np.mean(cycles.period_s))
    return Output(duty, _supply_v(one), family, where)
