"""The divider between a timer's output and a sound input, and what to expect of it.

::

    output --[ series ]--+---------+------- plug, signal
                         |         |
                     [ lower ]  [ clamp ]   [ input, with its bias resistor ]
                         |         |
    ground --------------+---------+------- plug, ground

The clamp is two strings of silicon diodes, one each way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.channel.diode import MODELS, VOLTS_PER_KELVIN
from benchlog.channel.input_kinds import INPUTS, OUTPUTS, InputKind, TimerOutput
from benchlog.channel.preferred import values_between
from benchlog.channel.supply import CAUTION, MOST_V
from benchlog.errors import DesignError

__all__ = ["ACCIDENT_V", "CABLE_F", "Divider", "Span", "choose_divider", "meter_readings"]

LEAST_V = 3.0
ACCIDENT_V = 12.0
"""The voltage that a lead is supposed to touch by mistake."""

ACCIDENT_A = 0.3e-3
"""The most that may then flow into a shorted input, amperes: far less than a socket minds."""

CABLE_F = 100e-12
"""A metre of screened cable, farads (common practice)."""

PART_TOLERANCE = 0.05
MOST_SHARE = 0.5
"""The most of full scale that the pulse may reach: 6 dB are left for what differs."""

_MOST_SOURCE = 0.5  # of the input's resistance, where the lower resistor is free
_LOWER_OHM = (10.0, 10e3)
_LOOSE_OHM = 10e6  # a meter alone
_SERIES_SPAN = 12.0  # how far above the least series resistor is looked
_CLAMP = MODELS["1N4148"]
_CLAMP_LEAK = 0.01  # the most of the level that a clamp may take
_MOST_DIODES = 2
_WARM_K = 300.15
_SERVO_PULSE_S = (0.5e-3, 2.5e-3)
_SERVO_PERIOD_S = (14e-3, 25e-3)


@dataclass(frozen=True, slots=True)
class Span:
    """A figure and between which values it lies when parts and inputs differ."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Divider:
    """A divider and what it does.

    Attributes
    ----------
    supply_v : float
        The circuit's supply, volts.
    family : str
        The timer's family.
    kind : InputKind
        The input.
    series_ohm, lower_ohm : float
        Its two resistors, E12 values.
    clamp_diodes : int
        1N4148s in each of the clamp's two strings; 0 for no clamp.
    output_v : float
        The timer's high level, loaded by the divider.
    level_v : Span
        Height of the pulse at the input, with the input connected, volts peak. The span covers
        resistors of 5 %, the timer's output, and inputs from the least to the greatest resistance.
    open_v : float
        The same with nothing connected to the plug.
    level_db : float
        The level against full scale, decibels (below 0).
    source_ohm : float
        Resistance that the input looks into.
    loading : float
        The share of the open level that the input takes away.
    bandwidth_hz : float
        Where source, input and a metre of cable have lost 3 dB.
    delay_s : float
        By how much they delay either edge, to the first order.
    accident_a : float
        Current into a shorted input when the lead touches `ACCIDENT_V`.
    accident_v : float
        Voltage at the plug then, nothing connected.
    loose_v : float
        Voltage at the plug, nothing connected, if the lower resistor comes loose.
    bias_plug_v : float
        Steady voltage at the plug once it is plugged in, from the input's bias.
    bias_a : float
        Steady current out of the input then.
    """

    supply_v: float
    family: str
    kind: InputKind
    series_ohm: float
    lower_ohm: float
    clamp_diodes: int
    output_v: float
    level_v: Span
    open_v: float
    level_db: float
    source_ohm: float
    loading: float
    bandwidth_hz: float
    delay_s: float
    accident_a: float
    accident_v: float
    loose_v: float
    bias_plug_v: float
    bias_a: float


def choose_divider(supply_v: float, family: str, kind: str) -> Divider:
    """Choose a divider of two E12 resistors.

    Parameters
    ----------
    supply_v : float
        The circuit's supply, 3 to 15 V.
    family : str
        ``ideal``, ``bipolar`` or ``cmos``.
    kind : str
        ``line``, ``microphone`` or ``headset``.

    Returns
    -------
    Divider
        The least series resistor that keeps 12 V by mistake below 0.3 mA, then the greatest lower
        one for which the pulse stays 6 dB below full scale and the source below half of the
        input's resistance. Where the input looks for a microphone, the lower one is chosen to
        be taken for it instead, and the series resistor grows as the level wants.

    Raises
    ------
    DesignError
        The supply is out of range.
    ValueError
        An unknown family or kind.
    """
    if family not in OUTPUTS:
        raise ValueError(f"family must be one of {', '.join(OUTPUTS)}, got {family!r}")
    if kind not in INPUTS:
        raise ValueError(f"kind must be one of {', '.join(INPUTS)}, got {kind!r}")
    if not LEAST_V <= supply_v <= MOST_V:
        raise DesignError(
            f"a supply of {supply_v:g} V",
            expected=f"{LEAST_V:g} to {MOST_V:g} V: {CAUTION}",
            attempt="cells, such as 4 AA (6 V)",
        )
    chosen, output = INPUTS[kind], OUTPUTS[family]
    series_ohm, lower_ohm = _choose_resistors(supply_v, output, chosen)
    return _describe(supply_v, family, chosen, series_ohm, lower_ohm)


def _choose_resistors(supply_v: float, output: TimerOutput, kind: InputKind) -> tuple[float, float]:
    """Return series and lower resistor."""
    least_ohm = ACCIDENT_V / ACCIDENT_A
    low_ohm, high_ohm = kind.lower_ohm or _LOWER_OHM
    limit_v = MOST_SHARE * kind.full_scale_v
    for series_ohm in values_between(least_ohm, _SERIES_SPAN * least_ohm, "E12"):
        for lower_ohm in reversed(values_between(low_ohm, high_ohm, "E12")):
            source_ohm = _parallel(series_ohm, lower_ohm)
            if kind.lower_ohm is None and source_ohm > _MOST_SOURCE * kind.load_ohm:
                continue
            loaded_ohm = _parallel(lower_ohm, kind.load_ohm)
            if _high_v(supply_v, output, series_ohm, loaded_ohm) <= limit_v:
                return series_ohm, lower_ohm
    raise AssertionError("every supply in range has a divider")  # the tests walk through them


def _high_v(
    supply_v: float, output: TimerOutput, series_ohm: float, lower_ohm: float, diodes: int = 0
) -> float:
    """Return the voltage at the plug while the output is high."""
    source_v = max(supply_v - output.drop_v, 0.0)
    return _node_v(source_v, series_ohm + output.source_ohm, lower_ohm, diodes)


def _node_v(source_v: float, series_ohm: float, lower_ohm: float, diodes: int) -> float:
    """Return the voltage over the lower resistor and the clamp, by halving the interval."""
    open_v = source_v * lower_ohm / (series_ohm + lower_ohm)
    if not diodes or not open_v:
        return open_v
    low, high = 0.0, open_v
    for _ in range(60):
        middle = (low + high) / 2
        drawn = middle / lower_ohm + _clamp_current(middle, diodes)
        if drawn < (source_v - middle) / series_ohm:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _clamp_current(volts: float, diodes: int) -> float:
    """Return the current through the clamp: the string that conducts, and the other's leak."""
    slope_v = float(_CLAMP.emission) * VOLTS_PER_KELVIN * _WARM_K
    share = volts / (diodes * slope_v)
    return 2.0 * float(_CLAMP.saturation_current_a) * math.sinh(min(share, 300.0))


def _choose_clamp(
    supply_v: float, output: TimerOutput, kind: InputKind, series_ohm: float, loaded_ohm: float
) -> int:
    """Return how many diodes in each string do no harm, 0 where a clamp would not help.

    On an input with a bias voltage the clamp would conduct all the time.
    """
    if kind.bias_v:
        return 0
    plain_v = _high_v(supply_v, output, series_ohm, loaded_ohm)
    for diodes in range(1, _MOST_DIODES + 1):
        held_v = _high_v(supply_v, output, series_ohm, loaded_ohm, diodes)
        if held_v >= (1 - _CLAMP_LEAK) * plain_v:
            return diodes
    return 0


def _describe(
    supply_v: float, family: str, kind: InputKind, series_ohm: float, lower_ohm: float
) -> Divider:
    """Work out what a divider does."""
    output = OUTPUTS[family]
    loaded_ohm = _parallel(lower_ohm, kind.load_ohm)
    diodes = _choose_clamp(supply_v, output, kind, series_ohm, loaded_ohm)
    open_v = _high_v(supply_v, output, series_ohm, lower_ohm, diodes)
    level_v = _high_v(supply_v, output, series_ohm, loaded_ohm, diodes)
    source_ohm = _parallel(series_ohm + output.source_ohm, lower_ohm)
    time_s = _parallel(source_ohm, kind.load_ohm) * CABLE_F
    drawn_a = level_v / loaded_ohm
    bias_ohm = kind.bias_ohm + lower_ohm
    return Divider(
        supply_v=supply_v,
        family=family,
        kind=kind,
        series_ohm=series_ohm,
        lower_ohm=lower_ohm,
        clamp_diodes=diodes,
        output_v=max(supply_v - output.drop_v, 0.0) - output.source_ohm * drawn_a,
        level_v=Span(level_v, *_level_range(supply_v, output, kind, series_ohm, lower_ohm, diodes)),
        open_v=open_v,
        level_db=20 * math.log10(level_v / kind.full_scale_v),
        source_ohm=source_ohm,
        loading=1 - level_v / open_v,
        bandwidth_hz=1 / (2 * math.pi * time_s),
        delay_s=time_s,
        accident_a=ACCIDENT_V / series_ohm,
        accident_v=_node_v(ACCIDENT_V, series_ohm, lower_ohm, diodes),
        loose_v=_node_v(supply_v, series_ohm, _LOOSE_OHM, diodes),
        bias_plug_v=kind.bias_v * lower_ohm / bias_ohm,
        bias_a=kind.bias_v / bias_ohm,
    )


def _level_range(
    supply_v: float,
    output: TimerOutput,
    kind: InputKind,
    series_ohm: float,
    lower_ohm: float,
    diodes: int,
) -> tuple[float, float]:
    """Return the least and the greatest level when parts, timer and input differ."""
    ends = []
    for sign, load_ohm, drop_v in zip(
        (-1, 1), kind.load_range_ohm, (output.drop_high_v, output.drop_low_v), strict=True
    ):
        lower = _parallel(lower_ohm * (1 + sign * PART_TOLERANCE), load_ohm)
        series = series_ohm * (1 - sign * PART_TOLERANCE) + output.source_ohm
        ends.append(_node_v(max(supply_v - drop_v, 0.0), series, lower, diodes))
    return ends[0], ends[1]


def _parallel(one_ohm: float, other_ohm: float) -> float:
    """Return two resistances in parallel."""
    return one_ohm * other_ohm / (one_ohm + other_ohm)


def meter_readings(
    divider: Divider, duty: tuple[float, float] | None = None
) -> tuple[Span, Span, float]:
    """Return what a meter on direct volts should read at the plug, nothing else connected.

    Parameters
    ----------
    divider : Divider
        The divider.
    duty : tuple of float, optional
        The least and the greatest share of the period that the pulse takes; any servo pulse
        (0.5 to 2.5 ms every 14 to 25 ms) if None.

    Returns
    -------
    steady : Span
        With the clip on the supply's plus in place of the output: the whole supply, divided.
    running : Span
        With the clip on the output and the timer running: the pulse's average.
    stop_v : float
        What a running timer should never reach; something is wrong then.
    """
    tolerance = PART_TOLERANCE
    series, lower = divider.series_ohm, divider.lower_ohm
    steady = Span(
        *(
            _node_v(
                divider.supply_v, series * (1 - s * tolerance), lower * (1 + s * tolerance),
                divider.clamp_diodes,
            )
            for s in (0, -1, 1)
        )
    )  # fmt: skip
    low, high = duty or (
        _SERVO_PULSE_S[0] / _SERVO_PERIOD_S[1],
        _SERVO_PULSE_S[1] / _SERVO_PERIOD_S[0],
    )
    ratio_low, ratio_high = steady.low / steady.value, steady.high / steady.value
    running = Span(
        divider.open_v * (low + high) / 2,
        divider.open_v * low * ratio_low,
        divider.open_v * high * ratio_high,
    )
    return steady, running, 2 * running.high
