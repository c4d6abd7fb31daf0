"""What a cause of jitter or creep is called, what shows it, and what to try: for a beginner."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.measured_ratio import MeasuredRatio
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.words.amounts import digits, us
from benchlog.diagnosis.words.printed_commands import print_beat
from benchlog.diagnosis.words.sizes import (
    Setting,
    add_up,
    is_slow,
    lead_in,
    tell_change,
    tell_outcome,
    tell_size,
)
from benchlog.diagnosis.words.supply_texts import (
    describe_diode,
    describe_supply,
    describe_supply_within,
    is_pulled,
)

__all__ = ["CAUSE_NAMES", "describe_cause"]

_HARDLY = 0.1
"""A pace that moves less than this much of what the other does is not worth a word."""
_STEEP = 1.45
"""Of a direction, radians: nearer to a right angle a ratio may be anything."""
_ALL = 0.95
"""Of a cause that makes this share of the movement the scatter is not told a second time."""

CAUSE_NAMES = {
    "wiper": "the knob's wiper",
    "supply": "the supply",
    "diode": "the diode's temperature",
    "capacitor": "the timing capacitor",
    "off-path": "the off side (r_off, or leakage there)",
    "threshold": "the voltages at which the timer switches",
    "mains": "hum from the mains",
}
"""Each cause of movement as a sentence names it."""


@dataclass(frozen=True, slots=True)
class _Case:
    """A cause with what its sentences need."""

    one: Contribution
    setting: Setting
    kinds: Sequence[Contribution]
    direction: Direction | None
    ratio: MeasuredRatio | None
    share: float

    def lead(self, before: str, after: str = "") -> str:
        """Return words around the size, nothing where it is not known."""
        return lead_in(self.one, self.setting, before, after)

    def outcome(self, what: str = "pulse") -> str:
        """Say what is seen once the cause is taken away."""
        return tell_outcome(self.kinds, self.setting, self.share, what)

    @property
    def expected(self) -> str:
        """How far the rest moves for a movement of the pulse by the model; empty if unknown.

        Where the length of pulse and rest is known it is the 95 % range: what is uncertain of a
        direction is an angle, with pulse and rest in shares of their means.
        """
        way = self.direction
        if way is None or way.on_s + way.next_on_s == 0:
            return ""
        ratio = (way.off_s + way.next_off_s) / (way.on_s + way.next_on_s)
        lengths = self.setting.rest_per_pulse
        if lengths:
            angle = math.atan(ratio / lengths)
            ends = [angle + side * 2.0 * way.u_relative for side in (-1.0, 1.0)]
            if all(0.0 < abs(end) < _STEEP and end * angle > 0.0 for end in ends):
                low, high = sorted(abs(lengths * math.tan(end)) for end in ends)
                if digits(low) != digits(high):
                    return f"{digits(low)} to {digits(high)}"
        return f"some {digits(abs(ratio), 3 if self.setting.is_designed else 2)}"

    @property
    def whose(self) -> str:
        """Whose model it is."""
        return "here" if self.setting.is_designed else "in a usual channel"


def _wiper(case: _Case) -> Words:
    why = "What the pulse gains the rest of the cycle loses, as a moving wiper makes it"
    expected = case.expected
    if expected and case.ratio is not None:
        why += (
            f": {_ratio(case.ratio)} µs for each µs in this recording, where a moving wiper should "
            f"make {expected} {case.whose}"
        )
    elif expected:
        why += f", by the model {expected} µs for each µs {case.whose}"
    hold = "Hold the knob still with a strip of tape and record again: if"
    if is_slow(case.kinds):
        return Words(
            "The knob does not stay where it is: its wiper moves slowly on the track"
            f"{case.lead(', by some ')}.",
            f"{why}.",
            f"{hold} {case.outcome()}, the knob was turned or slips; if not, the track is worn: "
            "fit another knob.",
        )
    return Words(
        f"The knob's wiper trembles on its track{case.lead(', by some ')}.",
        f"{why}.",
        f"{hold} {case.outcome()}, the knob shook; if not, turn it to and fro over its whole "
        "travel twenty times to clean the track, and fit another knob if that does not help.",
    )


def _ratio(ratio: MeasuredRatio) -> str:
    """Write a ratio and its '±' (k = 2), without its sign, to the last digit that counts."""
    half = max(2.0 * ratio.u, 1e-3)
    places = max(0, -math.floor(math.log10(half) + 1e-12))
    half = math.ceil(half * 10**places - 1e-6) / 10**places
    return f"{abs(ratio.value):.{places}f} ± {half:.{places}f}"


def _contact(case: _Case) -> Words:
    why = "The rest of the cycle moves "
    expected = case.expected
    resistance = "a resistance in the wiper's lead makes"
    if expected and case.ratio is not None:
        why += (
            f"{_ratio(case.ratio)} times as far as the pulse, the same way: a resistance in the "
            f"wiper's lead should make that {expected} times {case.whose}"
        )
    elif expected:
        why += (
            f"far more than the pulse, the same way: {resistance} that, by the model {expected} "
            f"times {case.whose}"
        )
    else:
        why += f"far more than the pulse, the same way, as {resistance} it"
    return Words(
        "The contact between the knob's wiper and its track is bad: its resistance keeps "
        f"changing{case.lead(', by some ')}.",
        f"{why}.",
        "Unplug the servo and tap the knob lightly while you record: if the pulse jumps with the "
        f"taps, it is the contact. {print_beat(case.setting.bench, 'tap')} listens for it. Turning "
        "the knob to and fro over its whole travel twenty times often cleans it; else fit another "
        "knob.",
    )


def _capacitor(case: _Case) -> Words:
    figure = ""
    if case.ratio is not None and case.setting.rest_per_pulse is not None:
        figure = (
            f": the rest moves {_ratio(case.ratio)} times as far as the pulse, and is "
            f"{digits(case.setting.rest_per_pulse, 3)} times as long"
        )
    size = tell_size(case.one, case.setting)
    return Words(
        f"The timing capacitor changes{case.lead(', by some ')}: it warms, or it is of a kind that "
        "does not hold its value.",
        "Pulse and rest of the cycle move the same way and in the same proportion, as the "
        f"capacitor moves them{figure}.{tell_change(case.one, case.setting, 'it')}",
        "Hold a warm fingertip to the capacitor's body, not to its leads, with "
        f"{print_beat(case.setting.bench, 'warm')}: if pulse and rest move again"
        f"{f' by {size} or more' if size else ' as far'} within a minute, fit a film capacitor, "
        "away from warm parts; if they move far less, warm the timer next.",
    )


def _leak(case: _Case) -> Words:
    return Words(
        f"Current leaks past the timing capacitor{case.lead(', as through some ')}.",
        "The pulse grows a little while the rest of the cycle shrinks a lot, as leakage across "
        "the capacitor makes it.",
        "Power off, clean the board around the capacitor with alcohol, let it dry and record "
        f"again: if {case.outcome('cycle')}, it was dirt or damp; if not, fit another capacitor.",
    )


def _off_path(case: _Case) -> Words:
    change = tell_change(case.one, case.setting, "r_off, or what acts like it,")
    return Words(
        f"The off side of the circuit changes{case.lead(', by some ')} of r_off: "
        "r_off itself, its joints, or leakage past it.",
        f"The rest of the cycle moves and the pulse stays.{change}",
        "Power off, clean the board around r_off with alcohol, let it dry, solder r_off's joints "
        f"again and record once more: if {case.outcome('cycle')}, it was that; if not, fit another "
        "r_off.",
    )


def _threshold(case: _Case) -> Words:
    return Words(
        "The two voltages at which the timer ends the pulse and the rest tremble"
        f"{case.lead(', by some ')}: noise in the timer or at its pins, or a supply "
        "that is restless from cycle to cycle, which looks alike.",
        "A pulse that ends late is followed by a rest that is longer too, or a rest that ends "
        "late by a longer pulse, as such noise makes them.",
        "Power off, put 10 nF from the timer's control pin (pin 5) to ground and 100 nF across "
        f"its supply pins, close to it, and record again: if {case.outcome()}, it was noise there; "
        "else feed the timer from fresh cells or an isolated bench supply, and then try another "
        "timer.",
    )


def _supply_within(case: _Case) -> Words:
    return describe_supply_within(case.one, case.setting, case.outcome())


def _diode(case: _Case) -> Words:
    return describe_diode(case.one, case.setting, case.outcome())


_DESCRIBERS: dict[str, Callable[[_Case], Words]] = {
    "wiper": _wiper,
    "contact": _contact,
    "supply-on-end": _supply_within,
    "supply-off-end": _supply_within,
    "diode": _diode,
    "capacitor": _capacitor,
    "leak": _leak,
    "off-path": _off_path,
    "upper-level": _threshold,
    "lower-level": _threshold,
}


def describe_cause(
    one: Contribution,
    setting: Setting,
    direction: Direction | None = None,
    *,
    told: bool = False,
    kinds: Sequence[Contribution] = (),
    share: float = 0.0,
    ratio: MeasuredRatio | None = None,
    jumps: bool = False,
) -> Words:
    """Describe a cause of movement.

    Parameters
    ----------
    one : Contribution
        The cause, by its kind; not ``mains``, which needs the line that was found.
    setting : Setting
        The channel.
    direction : Direction or None
        How the cause moves pulse and rest by the model, for a figure in the sentence.
    told : bool
        Whether readings beside the recordings tell supply from diode.
    kinds : sequence of Contribution
        All kinds of movement of the same cause, whose scatter is told together; `one` alone if
        empty.
    share : float
        The part of the movement that the cause makes, 0 to 1: of one that makes nearly all the
        scatter is not told again.
    ratio : MeasuredRatio or None
        How far the rest moves for each movement of the pulse, as measured; None where other
        causes are in it too.
    jumps : bool
        Whether the pulse is seen to jump and come back, as with a pulled supply.

    Returns
    -------
    Words
        The sentences.
    """
    kinds = kinds or (one,)
    if one.kind == "supply":
        pulled = is_pulled(kinds, jumps=jumps)
        words = describe_supply(one, setting, kinds, share, told=told, pulled=pulled)
    else:
        words = _DESCRIBERS[one.kind](_Case(one, setting, kinds, direction, ratio, share))
    alone = "" if share >= _ALL else f" {_tell_alone(kinds, setting)}"
    return replace(words, why=f"{words.why}{alone}")


def _tell_alone(kinds: Sequence[Contribution], setting: Setting) -> str:
    """Say how much of a cause creeps and how much jitters, all its kinds together."""
    slow, fast = add_up(kinds, "slow_pulse_rms_s"), add_up(kinds, "fast_pulse_rms_s")
    slow_period = add_up(kinds, "slow_period_rms_s")
    fast_period = add_up(kinds, "fast_period_rms_s")
    name, portion = "pulse", ""
    if slow_period + fast_period > 20 * (slow + fast):
        slow, fast, name = slow_period, fast_period, "period"
        portion = _tell_portion(kinds, setting)
    text = f"This cause alone would make the {name} scatter by "
    if fast < _HARDLY * slow:
        return f"{text}{us(slow)}{portion}, nearly all of it slowly, over seconds."
    if slow < _HARDLY * fast:
        return f"{text}{us(fast)}{portion}, nearly all of it quickly, within a second or two."
    return (
        f"{text}{us(slow)} slowly, over seconds, and by {us(fast)} quickly, within a second or two"
        f"{portion}."
    )


def _tell_portion(kinds: Sequence[Contribution], setting: Setting) -> str:
    """Say how much of the period's movement a cause makes that hardly moves the pulse."""
    if not setting.period_s:
        return ""
    portion = min(1.0, (add_up(kinds, "period_rms_s") / setting.period_s) ** 2)
    return f" ({100 * portion:.0f} % of the period's movement)"
