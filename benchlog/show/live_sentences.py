"""The live reading in plain sentences, for a screen reader or a pipe: no signs, only words."""

from __future__ import annotations

from benchlog.calibration.verdict import OFF, ON, UNDECIDED, WITHIN
from benchlog.errors import one_line
from benchlog.show.live_picture import (
    LivePicture,
    Panel,
    expanded_us,
    panel_remarks,
)

__all__ = ["Speaker", "describe_panel"]

EVERY_S = 10.0
"""While nothing changes, it is said again this often."""

SOONEST_S = 1.0
"""One input is not spoken of more often than this unless its state changes."""

_CHANGE_S = 2e-6
_VERDICTS = {
    ON: "That is on design",
    WITHIN: "That is within what its parts may be off",
    OFF: "That is off the design",
    UNDECIDED: "Whether that is off the design cannot be told yet",
}


def describe_panel(panel: Panel, status: str) -> str:
    """Describe one input.

    Parameters
    ----------
    panel : Panel
        The input.
    status : str
        The picture's status.

    Returns
    -------
    str
        One or more sentences on one line.
    """
    name = _name(panel)
    if status == "unplugged":
        return f"{name}: unplugged, waiting for it to come back."
    if panel.width is None:
        return _describe_quiet(name, panel)
    width_us = panel.width.mean_s * 1e6
    parts = [
        f"{name}: pulse {width_us:.1f} microseconds, plus or minus {expanded_us(panel.width):.1f}"
    ]
    if panel.zero_s is not None:
        parts[0] += f", changed by {width_us - panel.zero_s * 1e6:+.1f} since zero"
    usual = " of a usual servo" if panel.assumed else ""
    parts.append(f"Arm{usual} at {panel.arm_deg:.1f} degrees")
    parts += _verdict_sentences(panel)
    period = panel.reading.period
    if period is not None:
        parts.append(f"Period {period.mean_s * 1e3:.3f} milliseconds")
    if panel.reading.jitter_s is not None:
        parts.append(f"Jitter {panel.reading.jitter_s * 1e6:.2f} microseconds")
    remarks = [text.replace("µs", "microseconds") for _, text in panel_remarks(panel)]
    parts += [text[0].upper() + text[1:] for text in remarks]
    return ". ".join(parts) + "."


def _name(panel: Panel) -> str:
    number = panel.reading.input
    name = one_line(panel.title)
    return f"Input {number}" if name == f"input {number}" else f"{name}, input {number}"


def _describe_quiet(name: str, panel: Panel) -> str:
    quiet = panel.reading.quiet
    if quiet is None:
        return f"{name}: listening for the first pulses."
    reasons = "; ".join(f"{number}, {text}" for number, text in enumerate(quiet.reasons, 1))
    heard = quiet.sentence
    return f"{name}: no pulses. Heard: {heard}. Likely reasons in order: {reasons}."


def _verdict_sentences(panel: Panel) -> list[str]:
    verdict = panel.verdict
    if verdict is None:
        return []
    if verdict.verdict is None or verdict.deviation_s is None:
        if verdict.gives_deg is None:
            return ["The design never gives this pulse"]
        return [f"By the design the knob is at {verdict.gives_deg:.1f} degrees"]
    unsure_us = 2e6 * (verdict.u_deviation_s or 0.0)
    off_us = verdict.deviation_s * 1e6
    side = "longer" if off_us >= 0 else "shorter"
    said = _VERDICTS.get(verdict.verdict, verdict.verdict)
    return [
        f"{said}: {abs(off_us):.1f} microseconds {side} than at {verdict.knob_deg:g} degrees of "
        f"knob, plus or minus {unsure_us:.1f}"
    ]


class Speaker:
    """Chooses what of a running picture is worth a line."""

    def __init__(self) -> None:
        self._said: dict[int, tuple[float, str, float | None]] = {}
        self._message: str | None = None

    def speak(self, picture: LivePicture, now_s: float) -> list[str]:
        """Return the lines that are due.

        Parameters
        ----------
        picture : LivePicture
            What is to be told.
        now_s : float
            The instant, seconds on any steady scale.

        Returns
        -------
        list of str
            One an input of which there is something to say, and the picture's message.
        """
        lines = []
        if picture.message and picture.message != self._message:
            lines.append(one_line(picture.message))
        self._message = picture.message
        for panel in picture.panels:
            key = panel.reading.input
            kind = self._kind(panel, picture)
            width_s = panel.width.mean_s if panel.width is not None else None
            if self._is_due(key, kind, width_s, now_s):
                self._said[key] = now_s, kind, width_s
                lines.append(describe_panel(panel, picture.status))
        return lines

    @staticmethod
    def _kind(panel: Panel, picture: LivePicture) -> str:
        """Name the state whose change is news, without its figures."""
        quiet = panel.reading.quiet
        verdict = panel.verdict.verdict if panel.verdict else None
        remarks = [text.split(",")[0].split("(")[0] for _, text in panel_remarks(panel)]
        named = [one for one in remarks if not any(c.isdigit() for c in one)]
        status = "live" if picture.status == "ended" else picture.status
        words = (status, panel.reading.state, quiet.heard if quiet else "", verdict or "")
        return "|".join((*words, *named))

    def _is_due(self, key: int, kind: str, width_s: float | None, now_s: float) -> bool:
        if key not in self._said:
            return True
        when_s, what, before_s = self._said[key]
        since_s = now_s - when_s
        if since_s >= EVERY_S:
            return True
        moved = width_s is not None and before_s is not None and abs(width_s - before_s) > _CHANGE_S
        return since_s >= SOONEST_S and (moved or kind != what)
