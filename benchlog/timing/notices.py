"""What a person should know of a measurement beside its figures."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Notice", "list_notices"]

_FEW_PULSES = 10
_CLIPPED = 1e-4
_SPOILED = 1e-3


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to know of a measurement.

    Attributes
    ----------
    code : str
        A short fixed word, such as ``clipping``.
    text : str
        One plain sentence: what was seen and what to try.
    spoils : bool
        Whether the figures should not be relied on because of it.
    """

    code: str
    text: str
    spoils: bool = False


def list_notices(
    *,
    unsure: bool,
    clipped_share: float,
    gap_count: int,
    cut_count: int,
    weak: bool,
    pulse_count: int,
    glitch_count: int,
    runt_count: int,
    lost_edge_count: int,
    missing_count: int,
    garbled_count: int,
) -> tuple[Notice, ...]:
    """Say what to know of a measurement.

    Parameters
    ----------
    unsure : bool
        Whether it is a guess which level is the pulse.
    clipped_share : float
        Share of the samples at the ends of the scale.
    weak : bool
        Whether the pulse hardly stands out of the noise.
    gap_count, cut_count, pulse_count, glitch_count, runt_count : int
        Counts, as in `Pulses`.
    lost_edge_count, missing_count, garbled_count : int
        The same.

    Returns
    -------
    tuple of Notice
        Empty for a clean recording.
    """
    candidates = (
        (
            unsure,
            "polarity-unsure",
            "high and low last about as long, so which of them is the pulse is a guess: "
            "say --active high or low",
            True,
        ),
        (
            clipped_share > _CLIPPED,
            "clipping",
            f"{100 * clipped_share:.1f} % of the samples are at the end of the scale: "
            "lower the input level",
            clipped_share > _SPOILED,
        ),
        (
            gap_count > 0,
            "gap",
            f"samples were lost in {gap_count} place(s); the pulses there are left out",
            False,
        ),
        (
            cut_count > 0,
            "gap",
            f"the recording itself shows {cut_count} cut(s), a period far too short or too long: "
            "samples were lost, or the channel started anew",
            False,
        ),
        (
            weak,
            "weak-signal",
            "the pulse hardly stands out of the noise: raise the input level",
            True,
        ),
        (
            pulse_count < _FEW_PULSES,
            "few-pulses",
            f"only {pulse_count} pulses: record for longer",
            False,
        ),
        (
            glitch_count > 0,
            "extra-edge",
            f"{glitch_count} extra pulse(s), far too short, were left out",
            True,
        ),
        (
            runt_count > 0,
            "runt",
            f"{runt_count} step(s) far from the usual height were left out",
            True,
        ),
        (
            lost_edge_count > 0,
            "lost-edge",
            f"{lost_edge_count} edge(s) are missing between others",
            True,
        ),
        (
            missing_count > 0,
            "missing-pulse",
            f"{missing_count} pulse(s) are missing between others",
            True,
        ),
        (
            garbled_count > 0,
            "garbled-lines",
            f"{garbled_count} line(s) from the probe could not be read",
            False,
        ),
    )
    return tuple(Notice(code, text, spoils) for hit, code, text, spoils in candidates if hit)
