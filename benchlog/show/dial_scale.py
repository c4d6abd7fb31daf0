"""Which marks a dial gets: those that are wanted, in steps that suit its room."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from benchlog.calibration.dial_marks import (
    OwnMark,
    Scale,
    arm_scale,
    own_scale,
    pulse_scale,
    setting_scale,
)
from benchlog.calibration.scale_curve import ScaleCurve
from benchlog.channel.servo import Servo
from benchlog.errors import MeasurementError, UsageError
from benchlog.show.dial_face import Face, Item, Layout, least_points, usual_points
from benchlog.show.dial_layout import lay_out
from benchlog.show.dial_minors import choose_parts, keep_clear
from benchlog.show.lettering import drawable, measure_ink

__all__ = [
    "MOST_TRAVEL_DEG",
    "DialSource",
    "DialStyle",
    "MarkWish",
    "choose_scale",
    "make_face",
    "measure_label",
    "set_scale",
]

MOST_TRAVEL_DEG = 355.0
"""A knob that turns further has no scale of one turn."""

_ARM_STEPS_DEG = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0)
_PULSE_STEPS_US = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_AIRY_MM = 1.6
_LEAST_MM = 0.25
_FEW_LABELS = 4
_MOST_LABELS = 120
_US = 1e6


@dataclass(frozen=True, slots=True)
class DialStyle:
    """How large a dial is and how it lies on the paper.

    Attributes
    ----------
    diameter_mm, hole_mm : float
        Its outer diameter and that of its hole.
    start_deg : float or None
        Where knob 0 lies, degrees clockwise from the top; None lays the travel evenly about the
        top.
    paper : {"a4", "letter"}
        The paper.
    """

    diameter_mm: float = 60.0
    hole_mm: float = 7.0
    start_deg: float | None = None
    paper: str = "a4"


@dataclass(frozen=True, slots=True)
class DialSource:
    """Whose scale it is, and where it comes from.

    Attributes
    ----------
    channel : str
        The channel.
    curve : ScaleCurve
        Knob angle to pulse.
    servo : Servo
        Pulse to arm angle.
    travel_deg : float
        How far the knob turns, degrees.
    supply_v : float
        The supply for which it stands, volts.
    date : str
        When it was measured, such as 2026-09-01; empty where it was not.
    mark_count : int
        How many knob positions were measured; 0 where none was.
    u_knob_deg : float
        Standard uncertainty of setting the knob to a mark, degrees.
    """

    channel: str
    curve: ScaleCurve
    servo: Servo
    travel_deg: float
    supply_v: float
    date: str = ""
    mark_count: int = 0
    u_knob_deg: float = 1.0 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class MarkWish:
    """Which marks are wanted.

    Attributes
    ----------
    kind : {"arm", "pulse", "settings", "own"}
        Which kind.
    step : float or None
        Degrees of arm or seconds of pulse from mark to mark; None leaves it to the room.
    own : tuple of OwnMark
        A user's own marks.
    """

    kind: Literal["arm", "pulse", "settings", "own"] = "arm"
    step: float | None = None
    own: tuple[OwnMark, ...] = ()


def make_face(style: DialStyle, travel_deg: float) -> Face:
    """Return a dial's outline.

    Parameters
    ----------
    style : DialStyle
        How large it is.
    travel_deg : float
        How far the knob turns, degrees.

    Returns
    -------
    Face
        The outline.

    Raises
    ------
    MeasurementError
        The knob turns too far for a scale of one turn.
    """
    if travel_deg > MOST_TRAVEL_DEG:
        raise MeasurementError(
            f"a knob that turns {travel_deg:g} degrees",
            expected=f"at most {MOST_TRAVEL_DEG:g}, since a dial shows one turn",
            attempt="a counting dial for a knob of several turns, with the table beside it",
        )
    start = -travel_deg / 2.0 if style.start_deg is None else style.start_deg
    return Face(style.diameter_mm, style.hole_mm, travel_deg, start)


def choose_scale(source: DialSource, face: Face, wish: MarkWish) -> Scale:
    """Make the marks that are wanted, in steps that suit the room where none are named.

    Parameters
    ----------
    source : DialSource
        Whose.
    face : Face
        The room.
    wish : MarkWish
        Which.

    Returns
    -------
    Scale
        With minor ticks where there is room for them.

    Raises
    ------
    MeasurementError, UsageError
        As `make_dial`.
    """
    curve, servo = source.curve, source.servo
    if wish.kind == "settings":
        scale = _thinned_settings(setting_scale(curve, servo, u_knob_deg=source.u_knob_deg), face)
    elif wish.kind == "own":
        scale = _own(source, wish)
    else:
        scale = _stepped(source, face, wish)
    if not scale.marks:
        raise MeasurementError(
            f"{source.channel}'s knob reaches none of the marks",
            expected="marks between "
            + " and ".join(f"{one * _US:.0f} µs" for one in curve.reach_s)
            + " and within the servo's range",
            attempt="smaller steps, or other marks (--pulses shows the whole reach)",
        )
    return scale


def _thinned_settings(scale: Scale, face: Face) -> Scale:
    """Keep every second setting, every fifth... where all of them would run into each other."""
    base_mm = 0.6 * face.radius_mm
    for each in (1, *scale.thin):
        kept = tuple(one for one in scale.marks if one.count % each == 0)
        spaces = [math.radians(b.knob_deg - a.knob_deg) * base_mm for a, b in pairwise(kept)]
        if len(kept) < _FEW_LABELS:
            break
        if min(spaces) >= _LEAST_MM:
            return replace(scale, marks=kept, thin=tuple(k * each for k in (1, *scale.thin)))
    return scale


def _own(source: DialSource, wish: MarkWish) -> Scale:
    """Make a user's own marks; tell which lies out of reach."""
    try:
        return own_scale(source.curve, source.servo, wish.own)
    except ValueError as exc:
        low_us, high_us = (one * _US for one in source.curve.reach_s)
        low_deg, high_deg = sorted(
            float(one) for one in source.servo.angle_deg([low_us / _US, high_us / _US])
        )
        raise UsageError(
            f"the mark '{exc}' lies where {source.channel}'s knob does not reach",
            expected=f"a pulse from {low_us:.0f} to {high_us:.0f} µs, an arm angle from "
            f"{low_deg:.1f} to {high_deg:.1f} degrees, or a knob angle from 0 to "
            f"{source.travel_deg:g}",
            attempt="a place within, or leaving that mark out",
        ) from exc


def _stepped(source: DialSource, face: Face, wish: MarkWish) -> Scale:
    """Make marks in equal steps."""
    if wish.step is not None:
        return _with_minors(source, face, wish.kind, wish.step)
    steps = _ARM_STEPS_DEG if wish.kind == "arm" else tuple(s / _US for s in _PULSE_STEPS_US)
    usual, least = usual_points(face.diameter_mm), least_points(face.diameter_mm)
    chosen = steps[0]
    for step in steps:
        scale = _make(source, wish.kind, step, 1)
        if len(scale.marks) > _MOST_LABELS:
            continue
        if len(scale.marks) < _FEW_LABELS and chosen != steps[0]:
            break
        chosen = step
        layout = set_scale(face, scale)
        has_room = not layout.left_out and _nearest_mm(layout) >= _AIRY_MM
        # large letters matter less than a scale that can be read between its marks
        enough = 0.5 * (usual + least) if len(scale.marks) >= 2 * _FEW_LABELS else least
        if has_room and layout.size_pt >= enough:
            break
    return _with_minors(source, face, wish.kind, chosen)


def _nearest_mm(layout: Layout) -> float:
    """Return how far neighbouring marks lie apart where they are closest."""
    knobs = [tick.knob_deg for tick in layout.ticks if tick.item is not None]
    spaces = [math.radians(b - a) * layout.base_mm for a, b in pairwise(knobs)]
    return min(spaces, default=math.inf)


def _make(source: DialSource, kind: str, step: float, parts: int) -> Scale:
    """Make marks in steps of one size; refuse thousands."""
    try:
        if kind == "arm":
            return arm_scale(source.curve, source.servo, step, parts)
        return pulse_scale(source.curve, source.servo, step, parts)
    except ValueError as exc:
        unit, shown = ("degrees", step) if kind == "arm" else ("µs", step * _US)
        raise UsageError(
            f"a mark every {shown:g} {unit}",
            expected="steps that a dial has room for",
            attempt="a larger one, or leaving the number to the dial",
        ) from exc


def _with_minors(source: DialSource, face: Face, kind: str, step: float) -> Scale:
    """Add the minor ticks that there is room for."""
    plain = _make(source, kind, step, 1)
    if not plain.marks:
        return plain
    base_mm = set_scale(face, plain).base_mm
    shown = step if kind == "arm" else step * _US
    for parts in choose_parts(shown):
        scale = _make(source, kind, step, parts)
        kept = keep_clear(scale, base_mm)
        if kept is not None:
            return kept
    return plain


def set_scale(face: Face, scale: Scale) -> Layout:
    """Set a scale's ticks and labels.

    Parameters
    ----------
    face : Face
        The room.
    scale : Scale
        What is to be set.

    Returns
    -------
    Layout
        Where it came to lie.
    """
    items = [Item(mark.knob_deg, drawable(mark.text), mark.count) for mark in scale.marks]
    minors = [Item(mark.knob_deg, "", mark.count) for mark in scale.minors]
    return lay_out(face, items, minors, measure_label, thin=scale.thin)


def measure_label(text: str) -> tuple[float, float]:
    """Return width and height of a label's ink, in units of the font's size."""
    ink = measure_ink(text)
    return ink.right - ink.left, ink.top - ink.bottom
