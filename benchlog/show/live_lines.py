"""The lines of the live picture that are text and small charts, each in the wording that fits."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from benchlog.show.live_picture import LivePicture, Panel, panel_remarks, verdict_severity
from benchlog.show.live_shapes import Glyphs, Line, bar_rows
from benchlog.timing.live_reading import SLOT_S, Quiet, count_widths

__all__ = [
    "absence",
    "jitter_lines",
    "line_width",
    "longest",
    "period_line",
    "quiet_lines",
    "remark_lines",
    "remark_spans",
    "sized",
    "strip_lines",
    "verdict_line",
]

_LABEL = 26
_LEAST_RANGE_S = 2e-6


def line_width(line: Line) -> int:
    """Return how many columns a line takes."""
    return sum(cell_len(text) for text, _ in line)


def verdict_line(panel: Panel, glyphs: Glyphs, width: int) -> Line:
    """Say how the pulse stands to the design."""
    verdict = panel.verdict
    if verdict is None:
        text = "no design named"
        if panel.assumed and width >= 60:
            text += "; the arm is that of a servo for 500 to 2500 " + glyphs.micro
        return [(text, "faint")]
    if verdict.verdict is None or verdict.deviation_s is None:
        if verdict.gives_deg is None:
            return [(f"{glyphs.bad} the design never gives this pulse", "bad")]
        where = f"{verdict.gives_deg:.1f}{glyphs.degree}"
        texts = (
            f"by the design the knob is at {where} (say --at for a verdict)",
            f"by the design the knob is at {where}",
            f"design: knob at {where}",
        )
        return [(longest(texts, width), "")]
    severity = verdict_severity(verdict.verdict)
    mark = {"good": glyphs.good, "note": glyphs.note, "bad": glyphs.bad}[severity]
    off = f"{verdict.deviation_s * 1e6:+.1f} {glyphs.plus_minus} "
    off += f"{2e6 * (verdict.u_deviation_s or 0.0):.1f} {glyphs.micro}"
    head = f"{mark} {verdict.verdict}"
    texts = (
        f"{head}: {off} from {(verdict.design_s or 0.0) * 1e6:.1f} {glyphs.micro} "
        f"at {verdict.knob_deg:g}{glyphs.degree}",
        f"{head}: {off}",
        head,
    )
    return [(longest(texts, width), severity)]


def remark_spans(panel: Panel, glyphs: Glyphs, width: int) -> Line:
    """Return the remarks one after the other, each with its mark; what to do where it fits."""
    spans: Line = []
    for severity, text in panel_remarks(panel):
        mark = glyphs.bad if severity == "bad" else glyphs.note
        if spans:
            spans.append(("  ", ""))
        whole = f"{mark} {_translate(text, glyphs)}"
        spans.append((longest((whole, whole.split(":")[0], whole.split(",")[0]), width), severity))
    return spans


def remark_lines(panel: Panel, glyphs: Glyphs, width: int, most: int) -> list[Line]:
    """Lay out the remarks on a few lines; none that was begun is left without its words."""
    lines: list[Line] = [[]]
    for span in remark_spans(panel, glyphs, width):
        if span[0] == "  ":
            continue
        line = lines[-1]
        if line and line_width(line) + 2 + cell_len(span[0]) > width:
            if len(lines) == most:
                break
            lines.append([span])
        else:
            lines[-1] = [*line, *([("  ", "")] if line else []), span]
    if lines == [[]]:
        return [[(f"{glyphs.good} nothing else to note", "faint")]]
    return lines


def period_line(panel: Panel, width: int) -> Line:
    """Tell the period."""
    period = panel.reading.period
    assert period is not None
    duty = f"{100.0 * (panel.reading.duty_cycle or 0.0):.1f} %"
    text = f"period {period.mean_s * 1e3:.3f} ms"
    rate = f"{text}  {1.0 / period.mean_s:.1f} a second"
    return [(longest((f"{rate}  pulse {duty} of it", f"{rate}  {duty}", rate, text), width), "")]


def jitter_lines(panel: Panel, width: int, rows: int, glyphs: Glyphs) -> list[Line]:
    """Tell the jitter, with a small histogram."""
    reading = panel.reading
    if reading.jitter_s is None:
        return [[("jitter: too few pulses", "faint")]]
    jitter = f"jitter {reading.jitter_s * 1e6:.2f} {glyphs.micro} "
    own = f"the input's own {(reading.floor_s or 0.0) * 1e6:.2f}"
    label = max(_LABEL, cell_len(jitter)) if rows > 1 else cell_len(jitter)
    bins = min(48, width - label - 1)
    histogram = count_widths(reading.recent_s, bins, reading.floor_s or 0.0) if bins > 0 else None
    if histogram is None:
        return [[(jitter, "")]]
    most = max(histogram.counts)
    bars = bar_rows([count / most for count in histogram.counts], rows, glyphs)
    half_us = 0.5e6 * (histogram.high_s - histogram.low_s)
    reach = f"shown: {glyphs.plus_minus} {half_us:.{1 if half_us < 100 else 0}f} {glyphs.micro}"
    return _charted([jitter, own, reach], bars, label)


def strip_lines(panel: Panel, width: int, rows: int, glyphs: Glyphs) -> list[Line]:
    """Show the last seconds."""
    strip = panel.reading.strip_s
    label = _LABEL if rows > 1 else 9
    room = max(4, width - label - 1)
    shown = strip[-room:]
    known = [one for one in shown if one is not None]
    if not known:
        return [[("last seconds: too early", "faint")]]
    low_s, high_s = min(known), max(known)
    spare_s = max(0.0, _LEAST_RANGE_S - (high_s - low_s)) / 2.0
    low_s, range_s = low_s - spare_s, high_s - low_s + 2.0 * spare_s
    # the lowest value keeps a little height, so that it differs from nothing
    heights = [None if one is None else 0.1 + 0.9 * (one - low_s) / range_s for one in shown]
    bars = bar_rows(heights, rows, glyphs)
    seconds = f"last {len(shown) * SLOT_S:.0f} s"
    span = f"{min(known) * 1e6:.1f} to {max(known) * 1e6:.1f} {glyphs.micro}"
    return _charted([seconds, span, ""], bars, label)


def _charted(labels: Sequence[str], bars: Sequence[str], width: int) -> list[Line]:
    """Put labels to the left of bars."""
    lines: list[Line] = []
    for index, row in enumerate(bars):
        label = labels[index] if index < len(labels) else ""
        lines.append([(sized(label, width), "" if index == 0 else "faint"), (row, "chart")])
    return lines


def absence(panel: Panel, picture: LivePicture) -> str:
    """Say in few words why there is no number."""
    if picture.status == "unplugged":
        return "unplugged"
    return "listening" if panel.reading.state == "listening" else "no pulses"


def quiet_lines(
    panel: Panel, picture: LivePicture, width: int, height: int, glyphs: Glyphs
) -> list[Line]:
    """Say why there is no number, and what to look at, in order."""
    what = absence(panel, picture)
    lines: list[Line] = [[(what.upper(), "bad-block" if what != "listening" else "strong")]]
    quiet = panel.reading.quiet
    if what == "unplugged":
        return [*lines, *_wrapped("Plug it in again; it is tried every second.", width, "")]
    if quiet is None:
        return [*lines, *_wrapped("The first pulses are being looked for.", width, "")]
    lines += _wrapped(f"Heard: {_translate(quiet.sentence, glyphs)}.", width, "strong")
    return [*lines, *_reason_lines(quiet, width, height - len(lines))]


def _reason_lines(quiet: Quiet, width: int, height: int) -> list[Line]:
    """List the reasons by number; where room is short, by their first words."""
    whole: list[Line] = [[("Likely reasons, in order:", "")]]
    brief: list[Line] = []
    for number, reason in enumerate(quiet.reasons, 1):
        whole += _wrapped(f"{number} {reason}", width, "", hang="  ")
        brief.append([(f"{number} {reason.split(':')[0]}", "")])
    return whole if len(whole) <= height else brief[: max(height, 0)]


def _wrapped(text: str, width: int, style: str, hang: str = "") -> list[Line]:
    rows = textwrap.wrap(text, max(width, 8), subsequent_indent=hang)
    return [[(row, style)] for row in rows]


def _translate(text: str, glyphs: Glyphs) -> str:
    """Turn units into what the terminal can show."""
    if glyphs.fine:
        return text
    return text.replace("µs", glyphs.micro).replace("±", glyphs.plus_minus)


def longest(texts: Sequence[str], width: int) -> str:
    """Return the first wording that fits, longest first; the last where none does."""
    return next((one for one in texts if cell_len(one) <= width), texts[-1])


def sized(text: str, width: int) -> str:
    """Cut or pad text to a number of columns."""
    return set_cell_size(text, width) if width > 0 else ""
