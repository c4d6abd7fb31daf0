"""Keeping the last minute of a watch as a record."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.commands.live_sources import Minute
    from benchlog.commands.watched import Watched

__all__ = ["keep_minute"]


def keep_minute(bench: Bench, one: Watched, minute: Minute, known: dict[str, Any]) -> Path:
    """Write the last minute of an input as a record.

    Parameters
    ----------
    bench : Bench
        Where to.
    one : Watched
        The input; its channel and knob angle are known.
    minute : Minute
        What to write.
    known : dict
        What else is known for the sidecar.

    Returns
    -------
    Path
        The recording.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    from benchlog.capture.audio_files import write_audio
    from benchlog.capture.csv_files import write_csv
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import store_record

    assert one.channel is not None
    assert one.knob_deg is not None
    began = datetime.now(UTC) - timedelta(seconds=minute.duration_s)
    sound, edges = minute.sound, minute.edges
    held = sound or edges
    sidecar = Sidecar(
        channel=one.channel,
        knob_deg=one.knob_deg,
        recorded_utc=began.strftime("%Y-%m-%dT%H:%M:%SZ"),
        source="sound input" if sound is not None else "serial probe",
        rate_hz=sound.rate_hz if sound is not None else None,
        input=one.input if sound is not None else None,
        gaps=held.gaps if held is not None else (),
        note="kept from the last minute of a watch",
        **known,
    )

    def write(path: Path) -> None:
        if sound is not None:
            subtype = "PCM_16" if sound.step >= 2.0**-15 else "PCM_24"
            write_audio(path, sound, sound.rate_hz, subtype)
        elif edges is not None:
            write_csv(path, edges)

    suffix = ".flac" if sound is not None else ".csv"
    return store_record(bench, sidecar, write, suffix).path
