"""A picture of what a channel should do: knob angle against pulse, with bands and end stops."""

from __future__ import annotations

import warnings
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlog.channel.design import Design, predict_cycle, tolerance_band, worst_band
from benchlog.errors import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_prediction"]

_ANGLES = 91
_DPI = 150
_US = 1e6


def draw_prediction(design: Design, marks_deg: Sequence[float], form: str) -> bytes:
    """Draw knob angle against pulse over the whole travel.

    Parameters
    ----------
    design : Design
        The design.
    marks_deg : sequence of float
        Knob angles that get a dot.
    form : {"png", "svg", "pdf"}
        The picture's format.

    Returns
    -------
    bytes
        The picture's file; the same every time.

    Raises
    ------
    DesignError
        The circuit cannot oscillate somewhere on the way.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    metadata: dict[str, Any] = {"png": {"Software": "benchlog"}}.get(
        form, {"Creator": "benchlog", "Date" if form == "svg" else "CreationDate": None}
    )
    fixed: Any = {"svg.hashsalt": "benchlog", "pdf.fonttype": 42, "font.size": 11.0}
    buffer = BytesIO()
    with mpl.rc_context(fixed), warnings.catch_warnings():
        # a letter of a channel's name that the font lacks is drawn as a box
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure = Figure(figsize=(8.0, 5.4), layout="constrained")
        _draw(figure, design, marks_deg)
        figure.savefig(buffer, format=form, dpi=_DPI, metadata=metadata)
    return buffer.getvalue()


def _draw(figure: Figure, design: Design, marks_deg: Sequence[float]) -> None:
    """Fill a figure."""
    knob = np.linspace(0.0, design.knob.travel_deg, _ANGLES)
    pulse = _US * predict_cycle(design, knob).on_s
    band, worst = tolerance_band(design, knob), worst_band(design, knob)
    most = _US * np.where(np.isfinite(worst.on_high_s), worst.on_high_s, band.on_high_s)
    axes = figure.add_subplot()
    servo = design.servo
    low_us, high_us = _US * servo.pulse_min_s, _US * servo.pulse_max_s
    edges = (_US * worst.on_low_s, most)
    axes.axhspan(low_us, high_us, color="0.93", zorder=0, label="the servo's range")
    axes.fill_between(
        knob, *edges, color="0.80", linewidth=0, label="worst case: every part at its limit"
    )
    for edge in edges:
        axes.plot(knob, edge, color="0.35", linewidth=0.9, linestyle=(0, (4, 3)))
    axes.fill_between(
        knob,
        _US * band.on_low_s,
        _US * band.on_high_s,
        color="#7fa8c9",
        linewidth=0,
        label="95 of 100 channels built of these parts",
    )
    axes.plot(knob, pulse, color="black", linewidth=2.0, label="the parts as marked")
    marks = np.asarray(marks_deg, dtype=np.float64)
    axes.plot(marks, np.interp(marks, knob, pulse), "o", color="black", markersize=4.5)
    room = 0.07 * (max(high_us, float(most.max())) - min(low_us, float(edges[0].min())))
    axes.set_ylim(
        max(min(low_us, float(edges[0].min())) - room, 0.0),
        max(high_us, float(most.max())) + room,
    )
    _mark_stops(axes, design)
    _label(axes, design)


def _mark_stops(axes: Axes, design: Design) -> None:
    """Draw the servo's end stops."""
    servo, travel = design.servo, design.knob.travel_deg
    rises = design.knob.longer == "clockwise"
    for pulse_s, word in ((servo.pulse_min_s, "low"), (servo.pulse_max_s, "high")):
        pulse_us, is_low = _US * pulse_s, word == "low"
        axes.axhline(pulse_us, color="black", linewidth=1.3, linestyle=(0, (8, 3, 2, 3)))
        at_right = is_low == rises  # where the pulse is far from that stop
        axes.annotate(
            f"{word} end stop, {pulse_us:g} µs",
            (0.99 * travel if at_right else 0.01 * travel, pulse_us),
            xytext=(0.0, -4.0 if is_low else 4.0),
            textcoords="offset points",
            va="top" if is_low else "bottom",
            ha="right" if at_right else "left",
            fontsize=10,
        )


def _label(axes: Axes, design: Design) -> None:
    """Write title, units, legend, and the arm angle at the right."""
    servo = design.servo
    slope, curve = servo.deg_per_s / _US, servo.curve

    def to_deg(pulse_us: Any) -> Any:
        if curve is not None:
            return curve.angle_deg(pulse_us / _US)
        return servo.angle_min_deg + (pulse_us - _US * servo.pulse_min_s) * slope

    def to_us(arm_deg: Any) -> Any:
        if curve is not None:
            return _US * curve.width_for(arm_deg)
        return _US * servo.pulse_min_s + (arm_deg - servo.angle_min_deg) / slope

    right = axes.secondary_yaxis("right", functions=(to_deg, to_us))
    right.set_ylabel("arm angle / °")
    low, high = sorted((servo.angle_min_deg, servo.angle_max_deg))
    right.set_yticks(_round_steps(low, high))
    axes.set_xlim(0.0, design.knob.travel_deg)
    axes.set_xticks(_round_steps(0.0, design.knob.travel_deg))
    axes.set_xlabel("knob angle / °")
    axes.set_ylabel("pulse / µs")
    axes.grid(color="0.7", linewidth=0.5)
    axes.set_axisbelow(True)
    name = one_line(design.channel)
    axes.set_title(
        f"{name if len(name) <= 40 else name[:39] + '…'}: pulse against knob angle, "
        f"{design.supply.value:g} V, {design.temperature_c:g} °C",
        fontsize=13,
        parse_math=False,
    )
    axes.legend(
        loc="lower right" if design.knob.longer == "clockwise" else "lower left",
        bbox_to_anchor=(0.99, 0.09) if design.knob.longer == "clockwise" else (0.01, 0.09),
        fontsize=9.5,
        framealpha=0.92,
    )


def _round_steps(low: float, high: float) -> list[float]:
    """Return round angles from low to high, both ends among them."""
    span = high - low
    step = next(
        (one for one in (1, 2, 5, 10, 15, 30, 45, 90, 180, 360, 720) if span / one <= 9), span / 6
    )
    inner = np.arange(np.ceil(low / step) * step, high + 1e-9, step).tolist()
    kept = [one for one in inner if min(one - low, high - one) >= 0.6 * step or one in (low, high)]
    return sorted({low, *kept, high})
