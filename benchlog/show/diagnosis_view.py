"""What is wrong with a channel, as a person reads it, and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchlog.diagnosis.finding import CANNOT_TELL, STEADY, Diagnosis, Finding, InputDiagnosis
from benchlog.show.terminal import key_value_table, plain, show

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["diagnoses_to_json", "findings_to_json", "show_diagnosis"]

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
    several = len(diagnosis.inputs) > 1
    show(plain(f"{name}: {_verdict(diagnosis)}"))
    steps: dict[str, int] = {}
    for finding in diagnosis.findings:
        # two channels with the same fault need not tell the same step twice
        first = steps.setdefault(finding.next_step, finding.input)
        again = "" if first == finding.input else f"As for input {first}."
        show("", *_block(finding, again or finding.next_step, several=several))
    for one in diagnosis.inputs:
        rows = _figures(one)
        if rows:
            title = f"Figures of input {one.input}" if several else "Figures"
            show("", plain(title), key_value_table(rows))


def _verdict(diagnosis: Diagnosis) -> str:
    """Say in a few words what is wrong."""
    words = [_VERDICTS.get(one.cause, one.cause) for one in diagnosis.findings]
    return "; ".join(dict.fromkeys(words))


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
    return [key_value_table([(name, text) for name, text in rows if text])]


def _figures(one: InputDiagnosis) -> list[tuple[str, str]]:
    """Lay out how far pulse and rest scatter."""
    unrest = one.unrest
    if unrest is None:
        return []
    parts = unrest.contributions
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
        rows.append((name, f"{_us(rms_s)} scatter, limit {_us(limit_s)}{_over(rms_s, limit_s)}"))
        if rms_s > limit_s:
            rows.append(
                (
                    "",
                    f"slowly {_us(math.hypot(*slow))}, quickly {_us(math.hypot(*fast))}",
                )
            )
    length_s = sum(cycles.duration_s for cycles in one.cycles)
    count = sum(cycles.count for cycles in one.cycles)
    many = f" in {len(one.heard)} recordings" if len(one.heard) > 1 else ""
    rows.append(("from", f"{count} cycle{'s' * (count != 1)}, {length_s:.1f} s{many}"))
    if any(events.clipping for events in one.events):
        rows.append(("but", "the signal is clipped: these figures cannot be relied on"))
    return rows


def _over(value_s: float, limit_s: float) -> str:
    return ": too much" if value_s > limit_s else ""


def _us(seconds: float) -> str:
    value = seconds * 1e6
    return f"{value:.0f} µs" if value >= 99.5 else f"{value:.1f} µs"
