"""Setting a recording aside, taking it back, correcting its knob angle: the sidecar keeps both."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

from benchlog.capture.claims import update_sidecar
from benchlog.capture.repair import is_broken_off
from benchlog.capture.sidecar import Change, Sidecar
from benchlog.capture.store import Record
from benchlog.errors import StoreError

__all__ = ["correct_knob", "set_aside", "take_back"]


def set_aside(record: Record, why: str) -> Record:
    """Set a recording aside, so that no calibration uses it; the file stays.

    Parameters
    ----------
    record : Record
        The recording.
    why : str
        The reason, not empty.

    Returns
    -------
    Record
        With its new sidecar.

    Raises
    ------
    ValueError
        `why` is empty.
    StoreError
        The sidecar cannot be written.
    """
    if not why.strip():
        raise ValueError("a reason is needed to set a recording aside")
    old = record.sidecar.set_aside
    known = dataclasses.replace(record.sidecar, set_aside=why)
    return _store(record, known, Change(_now(), "set_aside", old, why))


def take_back(record: Record) -> Record:
    """Let a recording that was set aside be used again.

    Raises
    ------
    StoreError
        It is not set aside, or the sidecar cannot be written.
    """
    old = record.sidecar.set_aside
    if old is None:
        raise StoreError(
            f"{record.path} is not set aside",
            expected="a recording that is",
            attempt="benchlog log --aside, to see which ones are",
        )
    known = dataclasses.replace(record.sidecar, set_aside=None)
    return _store(record, known, Change(_now(), "set_aside", old, None))


def correct_knob(record: Record, knob_deg: float, why: str | None = None) -> Record:
    """Correct the knob angle of a recording; its file keeps its name.

    Parameters
    ----------
    record : Record
        The recording.
    knob_deg : float
        The right angle in degrees.
    why : str, optional
        A reason to keep with it.

    Returns
    -------
    Record
        With its new sidecar, which keeps the old angle and says when.

    Raises
    ------
    StoreError
        The sidecar cannot be written.
    """
    known = dataclasses.replace(record.sidecar, knob_deg=knob_deg)
    return _store(record, known, Change(_now(), "knob_deg", record.sidecar.knob_deg, knob_deg, why))


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _store(record: Record, known: Sidecar, change: Change) -> Record:
    if known.unfinished and not is_broken_off(record.path):
        raise StoreError(
            f"{record.path} is being recorded at this moment",
            expected="a recording that is finished",
            attempt="again when it is",
        )
    return update_sidecar(record, dataclasses.replace(known, history=(*known.history, change)))
