"""What the live views show at an instant, and the words and JSON for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from benchlog.calibration.live_verdict import LiveVerdict
from benchlog.calibration.verdict import COVERAGE, OFF, ON, UNDECIDED, WITHIN
from benchlog.channel.servo import Servo
from benchlog.show.json_output import in_microseconds
from benchlog.timing.jitter import Statistic
from benchlog.timing.live_reading import LiveReading, count_widths

__all__ = [
    "ASSUMED_SERVO",
    "LivePicture",
    "Panel",
    "Severity",
    "Status",
    "expanded_us",
    "panel_remarks",
    "panel_to_json",
    "picture_is_well",
    "verdict_severity",
]

ASSUMED_SERVO = Servo(500e-6, 2500e-6)
"""The servo whose arm is drawn where no design names one (common practice: 500 to 2500 µs)."""

Status = Literal["live", "held", "unplugged", "ended"]
Severity = Literal["good", "note", "bad"]

_BINS = 24
_CLIPPED = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One input as it is shown.

    Attributes
    ----------
    title : str
        The channel's name, or 'input 1'.
    reading : LiveReading
        What was measured.
    servo : Servo
        Whose arm is drawn.
    assumed : bool
        Whether that servo is `ASSUMED_SERVO` for want of a design.
    verdict : LiveVerdict or None
        The pulse beside the design, where there is one.
    age_s : float or None
        How long ago the newest pulse ended; None where there was none.
    zero_s : float or None
        The width from which change is shown.
    jitter_limit_s : float or None
        The design's limit for jitter.
    """

    title: str
    reading: LiveReading
    servo: Servo = ASSUMED_SERVO
    assumed: bool = True
    verdict: LiveVerdict | None = None
    age_s: float | None = None
    zero_s: float | None = None
    jitter_limit_s: float | None = None

    @property
    def width(self) -> Statistic | None:
        """The pulse; None where there is none."""
        return self.reading.width

    @property
    def arm_deg(self) -> float | None:
        """Arm angle in degrees; None without a pulse."""
        if self.width is None:
            return None
        return float(self.servo.angle_deg(self.width.mean_s))

    @property
    def end_stop(self) -> str | None:
        """The stop that the pulse drives the arm against."""
        return None if self.width is None else self.servo.end_stop(self.width.mean_s)

    @property
    def own_jitter_s(self) -> float | None:
        """Jitter with the input's own part taken out, seconds."""
        jitter_s, floor_s = self.reading.jitter_s, self.reading.floor_s
        if jitter_s is None or floor_s is None:
            return None
        return float(np.sqrt(max(jitter_s**2 - floor_s**2, 0.0)))


@dataclass(frozen=True, slots=True, eq=False)
class LivePicture:
    """All that a live view shows.

    Attributes
    ----------
    panels : tuple of Panel
        One an input.
    status : str
        ``live``, ``held``, ``unplugged`` or ``ended``.
    source : str
        What is watched, such as the device's name.
    message : str or None
        News for the user, such as what was just marked.
    held_s : float
        For how long the picture has been held.
    has_keys : bool
        Whether keys can be pressed.
    """

    panels: tuple[Panel, ...]
    status: Status = "live"
    source: str = ""
    message: str | None = None
    held_s: float = 0.0
    has_keys: bool = True


def panel_remarks(panel: Panel) -> list[tuple[Severity, str]]:
    """Say what is wrong or worth knowing, worst first.

    Parameters
    ----------
    panel : Panel
        One input.

    Returns
    -------
    list of tuple
        'bad' or 'note', and a few words.
    """
    reading = panel.reading
    jitter_s, limit_s = panel.own_jitter_s, panel.jitter_limit_s
    stop = panel.end_stop
    lost_ms = f" ({reading.lost_s * 1e3:.0f} ms)" if reading.lost_s else ""
    found: list[tuple[bool, Severity, str]] = [
        (
            stop is not None,
            "bad",
            f"past the {stop} end stop{' of a usual servo' if panel.assumed else ''}",
        ),
        (
            reading.clipped_share > _CLIPPED,
            "bad",
            f"clipping, {100 * reading.clipped_share:.1f} %: lower the input level",
        ),
        (reading.lost_count > 0, "bad", f"samples lost {_times(reading.lost_count)}{lost_ms}"),
        (reading.missing_count > 0, "bad", f"{_count(reading.missing_count, 'pulse')} missing"),
        (reading.extra_count > 0, "bad", f"{_count(reading.extra_count, 'extra pulse')}"),
        (
            jitter_s is not None and limit_s is not None and jitter_s > limit_s and _rests(panel),
            "bad",
            f"jitter over the limit of {(limit_s or 0.0) * 1e6:g} µs",
        ),
        (reading.weak, "bad", "weak signal: raise the input level"),
        (reading.level_unsure, "note", "which part is the pulse is a guess: --active high or low"),
        (reading.garbled_count > 0, "note", f"{_count(reading.garbled_count, 'garbled line')}"),
    ]
    return [(severity, text) for hit, severity, text in found if hit]


def _rests(panel: Panel) -> bool:
    """Tell whether the pulse has stayed where it is for as long as its jitter is taken over."""
    moved_s = panel.reading.moved_s
    return moved_s is None or panel.reading.heard_s - moved_s > 5.5


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _count(count: int, thing: str) -> str:
    return f"{count} {thing}{'s' * (count != 1)}"


def picture_is_well(picture: LivePicture) -> bool:
    """Tell whether nothing is wrong: pulses on every input, no verdict against, no bad remark."""
    if picture.status == "unplugged" or not picture.panels:
        return False
    for panel in picture.panels:
        verdict = panel.verdict.verdict if panel.verdict else None
        bad = any(severity == "bad" for severity, _ in panel_remarks(panel))
        if panel.reading.state != "pulses" or bad or verdict not in (None, ON, WITHIN):
            return False
    return True


def verdict_severity(verdict: str) -> Severity:
    """Return how a verdict is to be shown."""
    return {ON: "good", WITHIN: "good", UNDECIDED: "note", OFF: "bad"}.get(  # type: ignore[return-value]
        verdict, "note"
    )


def panel_to_json(panel: Panel, status: Status) -> dict[str, Any]:
    """Return one input as a line of JSON promises it.

    Parameters
    ----------
    panel : Panel
        One input.
    status : str
        The picture's status.

    Returns
    -------
    dict
        The same keys each time, None where nothing is known; microseconds.
    """
    reading, width, verdict = panel.reading, panel.width, panel.verdict
    period = reading.period
    histogram = count_widths(reading.recent_s, _BINS, reading.floor_s or 0.0)
    state = status if status == "unplugged" else reading.state
    return {
        "channel": None if panel.title.startswith("input ") else panel.title,
        "input": reading.input,
        "state": state,
        "heard_s": round(reading.heard_s, 6),
        "age_s": None if panel.age_s is None else round(panel.age_s, 3),
        "pulse_width_us": width
        and {
            "mean": in_microseconds(width.mean_s),
            "u": in_microseconds(width.u_s),
            "latest": _micro(reading.latest_s),
            "count": reading.width_count,
        },
        "period_us": period
        and {"mean": in_microseconds(period.mean_s), "u": in_microseconds(period.u_s)},
        "frequency_hz": period and 1.0 / period.mean_s,
        "duty_cycle": reading.duty_cycle,
        "change_us": None
        if panel.zero_s is None or width is None
        else in_microseconds(width.mean_s - panel.zero_s),
        "moved_at_s": reading.moved_s,
        "jitter_us": {"width_rms": _micro(reading.jitter_s), "floor": _micro(reading.floor_s)},
        "histogram_us": histogram
        and {
            "low": in_microseconds(histogram.low_s),
            "high": in_microseconds(histogram.high_s),
            "counts": list(histogram.counts),
        },
        "arm_deg": panel.arm_deg,
        "arm_assumed": panel.assumed,
        "end_stop": panel.end_stop,
        "knob_deg": verdict and verdict.knob_deg,
        "design_pulse_us": verdict and _micro(verdict.design_s),
        "deviation_us": verdict and _micro(verdict.deviation_s),
        "u_deviation_us": verdict and _micro(verdict.u_deviation_s),
        "verdict": verdict and verdict.verdict,
        "design_knob_deg": verdict and verdict.gives_deg,
        "active_level": reading.active_level,
        "clipped_share": reading.clipped_share,
        "lost": {"count": reading.lost_count, "seconds": round(reading.lost_s, 6)},
        "missing_count": reading.missing_count,
        "extra_count": reading.extra_count,
        "garbled_count": reading.garbled_count,
        "heard": reading.quiet and reading.quiet.heard,
        "reasons": list(reading.quiet.reasons) if reading.quiet else [],
        "remarks": [text for _, text in panel_remarks(panel)],
    }


def _micro(seconds: float | None) -> float | None:
    return None if seconds is None else in_microseconds(seconds)


def expanded_us(width: Statistic) -> float:
    """Return U (k = 2) of a width in microseconds."""
    return COVERAGE * width.u_s * 1e6
