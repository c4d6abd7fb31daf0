"""What is wrong with a channel, as a person reads it, and as JSON."""

from __future__ import annotations

import math
import re
import sys
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchlog.diagnosis.finding import CANNOT_TELL, STEADY, Diagnosis, Finding, InputDiagnosis
from benchlog.diagnosis.words.amounts import digits, us
from benchlog.errors import one_line
from benchlog.show.terminal import plain, screen_width, show, spell_out

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["diagnoses_to_json", "findings_to_json", "show_diagnosis"]

_INDENT, _NAMES, _GAP = 2, 8, 4
"""Columns in front of the names, of the names, and behind them."""
_NARROWEST = 20
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:[µmk]?[sVΩ]|MΩ|%|°C|Hz|[nµ]F)(?!\w))|(?<=±) | (?=±)")
"""Blanks that stay within a line: those between a number and its unit, and around '±'."""
_SIZES = ("size_v", "size_ohm", "size_k", "size_s_conductance", "size_percent_of_track", "supply_v")
"""Figures that rest on the channel's model."""
_COUNTS, _LEFT, _ADDS_UP = 0.05, 0.3, 1.1
"""Parts of a scatter: less is not told, more is told as being without a cause, and more than the
whole is no part."""

_VERDICTS = {
    "wiper": "the knob's wiper or its track",
    "supply": "the supply",
    "diode": "the diode's temperature",
    "capacitor": "the timing capacitor",
    "off-path": "the off side of the circuit",
    "threshold": "noise where the timer switches",
    "mains": "hum from the mains",
    "missing-pulse": "missing pulses",
    "extra-edge": "extra pulses",
    "end-stop-low": "the servo is driven into its low stop",
    "end-stop-high": "the servo is driven into its high stop",
    "neighbour": "another channel on the same supply",
    "clipping": "the signal is too strong for the input",
    "gap": "the recording lost samples",
    "weak-signal": "the signal is too weak, or comes and goes",
    CANNOT_TELL: "not enough to tell",
    STEADY: "steady",
}
"""What each cause is called in the first line."""


def findings_to_json(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Return findings as the JSON that `diagnose` promises.

    Parameters
    ----------
    findings : sequence of Finding
        Weightiest first.

    Returns
    -------
    list of dict
        One for each.
    """
    return [
        {
            "input": one.input,
            "cause": one.cause,
            "share": one.share,
            "text": one.text,
            "evidence": dict(one.evidence),
            "next_step": one.next_step,
        }
        for one in findings
    ]


def diagnoses_to_json(
    found: Sequence[tuple[str, Diagnosis]], *, several: bool, plot: str | None = None
) -> dict[str, Any]:
    """Return diagnoses as one JSON object.

    Parameters
    ----------
    found : sequence of tuple
        What each is called, a file or a channel, and the diagnosis.
    several : bool
        Whether more than one was asked for, so that each finding has to say whose it is.
    plot : str or None
        The picture that was drawn.

    Returns
    -------
    dict
        The JSON object.
    """
    findings: list[dict[str, Any]] = []
    for name, diagnosis in found:
        own = {"file": name} if several else {}
        findings += [{**own, **one} for one in findings_to_json(diagnosis.findings)]
    return {"findings": findings, "plot": plot}


def show_diagnosis(name: str, diagnosis: Diagnosis) -> None:
    """Show a diagnosis: the verdict in a line, then each finding, then the figures.

    Parameters
    ----------
    name : str
        What was diagnosed.
    diagnosis : Diagnosis
        What was found.
    """
    several = len({one.input for one in diagnosis.findings}) > 1
    show(plain(f"{name}: {_verdict(diagnosis)}"))
    steps: dict[str, int] = {}
    for finding in diagnosis.findings:
        # two channels with the same fault need not tell the same step twice
        first = steps.setdefault(finding.next_step, finding.input)
        again = "" if first == finding.input else f"As for input {first}."
        show("", *_block(finding, again or finding.next_step, several=several))
    for one in diagnosis.inputs:
        rows = _figures(one, diagnosis.findings)
        if rows:
            title = f"Figures of input {one.input}" if several else "Figures"
            show("", plain(title), *_lay_out(rows))


def _verdict(diagnosis: Diagnosis) -> str:
    """Say in a few words what is wrong, input by input where there are several."""
    by_input: dict[int, list[str]] = {}
    for one in sorted(diagnosis.findings, key=lambda finding: finding.input):
        by_input.setdefault(one.input, []).append(_name(one))
    told = {number: ", ".join(dict.fromkeys(words)) for number, words in by_input.items()}
    if len(told) < 2:
        return "; ".join(dict.fromkeys(word for words in by_input.values() for word in words))
    return "; ".join(f"input {number}: {words}" for number, words in told.items())


def _name(finding: Finding) -> str:
    """Return what a finding is called in the first line."""
    name = _VERDICTS.get(finding.cause, finding.cause)
    alike = finding.evidence.get("or_like")
    if finding.cause == "supply" and isinstance(alike, list) and "diode" in alike:
        return f"{name} or {_VERDICTS['diode']}"
    return name


def _block(finding: Finding, next_step: str, *, several: bool) -> list[RenderableType]:
    """Lay out one finding: what, why, how sure, what next."""
    rows = [
        ("What", finding.what),
        ("Why", finding.why),
        ("How sure", finding.sure),
        ("Next", next_step),
    ]
    if several:
        rows.insert(0, ("Input", str(finding.input)))
    return _lay_out([(name, text) for name, text in rows if text])


def _lay_out(rows: Sequence[tuple[str, str]]) -> list[RenderableType]:
    """Lay rows out in two columns, no number parted from its unit at the end of a line."""
    room = max(_NARROWEST, screen_width() - _INDENT - _NAMES - _GAP)
    lines: list[RenderableType] = []
    for name, text in rows:
        shown = spell_out(one_line(text), getattr(sys.stdout, "encoding", None))
        held = _BEFORE_UNIT.sub("\u00a0", shown)
        parts = textwrap.wrap(held, room, break_on_hyphens=False, break_long_words=False) or [""]
        for place, part in enumerate(parts):
            label = name if place == 0 else ""
            line = part.replace("\u00a0", " ")
            lines.append(plain(f"{'':{_INDENT}}{label:{_NAMES}}{'':{_GAP}}{line}"))
    return lines


def _figures(one: InputDiagnosis, findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """Lay out how far pulse and rest scatter."""
    unrest = one.unrest
    if unrest is None:
        return []
    parts = unrest.contributions
    mine = [each for each in findings if each.input == one.input]
    turned = any("travel_us" in each.evidence for each in mine)
    weak = any(events.weak for events in one.events)
    # a neighbour's pull, and noise, are shared out among causes that they are not
    parted = not turned and not weak and not any(each.cause == "neighbour" for each in mine)
    rows = []
    for name, rms_s, limit_s, slow, fast in (
        (
            "pulse",
            unrest.pulse_rms_s,
            unrest.pulse_limit_s,
            [part.slow_pulse_rms_s for part in parts],
            [part.fast_pulse_rms_s for part in parts],
        ),
        (
            "period",
            unrest.period_rms_s,
            unrest.period_limit_s,
            [part.slow_period_rms_s for part in parts],
            [part.fast_period_rms_s for part in parts],
        ),
    ):
        percent = ""
        if name == "period" and (mean_s := _mean_period_s(one)):
            percent = f" ({digits(100.0 * rms_s / mean_s)} %)"
        limit = f"{1e6 * limit_s:.3g} µs" if name == "pulse" else us(limit_s)
        over = rms_s > limit_s
        remark = "" if not over else ", with the knob turned" if turned else ": too much"
        rows.append((name, f"{us(rms_s)} scatter{percent}, limit {limit}{remark}"))
        if over and parted:
            told = _paces(rms_s, math.hypot(*slow), math.hypot(*fast))
            rows += [("", told)] if told else []
    length_s = sum(cycles.duration_s for cycles in one.cycles)
    count = sum(cycles.count for cycles in one.cycles)
    many = f" in {len(one.heard)} recordings" if len(one.heard) > 1 else ""
    rows.append(("from", f"{count} cycle{'s' * (count != 1)}, {length_s:.1f} s{many}"))
    if any(events.clipping for events in one.events):
        rows.append(("but", "the signal is clipped: these figures cannot be relied on"))
    elif weak:
        rows.append(("but", "the signal is weak: noise moves edges, and may make these figures"))
    is_sized = any(name in each.evidence for each in mine for name in _SIZES)
    if is_sized and all(heard.design is None for heard in one.heard):
        rows.append(
            (
                "design",
                "none: a usual channel is assumed, so that sizes (V, Ω, °C, turn of the knob) may "
                "be off by half or double; --design FILE makes them right",
            )
        )
    return rows


def _mean_period_s(one: InputDiagnosis) -> float:
    count = sum(cycles.count for cycles in one.cycles)
    total_s = sum(float(cycles.period_s.sum()) for cycles in one.cycles)
    return total_s / count if count else 0.0


def _paces(rms_s: float, slow_s: float, fast_s: float) -> str:
    """Say what goes slowly, what quickly, and what no cause makes; their squares add up."""
    found_s = math.hypot(slow_s, fast_s)
    if found_s > _ADDS_UP * rms_s or found_s == 0.0:
        return ""
    parts = []
    if slow_s > _COUNTS * rms_s:
        parts.append(f"slowly {us(slow_s)}")
    if fast_s > _COUNTS * rms_s:
        parts.append(f"quickly {us(fast_s)}")
    left_s = math.sqrt(max(0.0, rms_s**2 - found_s**2))
    if left_s > _LEFT * rms_s:
        parts.append(f"without a cause that is known here {us(left_s)}")
    return ", ".join(parts)
