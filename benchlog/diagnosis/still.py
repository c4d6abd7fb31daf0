"""Inputs on which no pulses were found: what a diagnosis says of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchlog.diagnosis.finding import CANNOT_TELL, Diagnosis, Finding, make_finding
from benchlog.diagnosis.words.printed_commands import Bench
from benchlog.diagnosis.words.verdict_texts import describe_still
from benchlog.errors import MeasurementError

__all__ = ["Still", "tell_still"]

_STEP_PER_NOISE = 6.0
"""Step to noise with which a search finds each edge; see `weighing._LEAST_DB`."""


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """One input of one recording on which there are not two pulses in a row.

    Attributes
    ----------
    input : int
        Number of the input, from 1.
    absence : MeasurementError
        What it holds instead, and what to try.
    edge_count : int
        Edges that were found all the same.
    duration_s : float
        Length of the stretch that was watched, seconds.
    is_sound : bool
        Whether it was sampled, so that noise may hide pulses.
    bench : Bench
        What is known of where it was recorded.
    """

    input: int
    absence: MeasurementError
    edge_count: int
    duration_s: float
    is_sound: bool
    bench: Bench


def tell_still(diagnosis: Diagnosis | None, still: Sequence[Still]) -> Diagnosis:
    """Add what cannot be told of inputs without pulses.

    Parameters
    ----------
    diagnosis : Diagnosis or None
        Of the inputs with pulses, None where there is none.
    still : sequence of Still
        The others; at least one where there is no diagnosis.

    Returns
    -------
    Diagnosis
        Its findings first.

    Raises
    ------
    ValueError
        There is neither.
    """
    if diagnosis is None and not still:
        raise ValueError("there is nothing to diagnose")
    told = diagnosis or Diagnosis(findings=(), inputs=())
    return replace(told, findings=(*told.findings, *(_find_still(one) for one in still)))


def _find_still(one: Still) -> Finding:
    """Return the finding for one input."""
    words = describe_still(
        one.input,
        one.absence,
        one.edge_count,
        _STEP_PER_NOISE if one.is_sound else None,
        one.bench,
    )
    figures: dict[str, float | str] = {
        "edge_count": one.edge_count,
        "duration_s": round(one.duration_s, 3),
        "holds": one.absence.found,
    }
    if one.is_sound:
        figures["needed_step_per_noise"] = _STEP_PER_NOISE
    return make_finding(one.input, CANNOT_TELL, words, "", figures)
