"""From files to measurements: what every command that reads recordings does in the same way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.recording import EdgeList, Samples
    from benchlog.timing.pulses import Measurement

__all__ = ["measure_file", "read_beside"]


def read_beside(path: Path) -> Sidecar | None:
    """Read the sidecar that lies beside a recording.

    Parameters
    ----------
    path : Path
        The recording.

    Returns
    -------
    Sidecar or None
        None where there is none.

    Raises
    ------
    RecordingError
        There is one and it is wrong. JSON of another kind is none.
    """
    from benchlog.capture.sidecar import read_sidecar, sidecar_path

    beside = sidecar_path(path)
    if beside == path or not _is_sidecar(beside):
        return None
    return read_sidecar(beside)


def _is_sidecar(path: Path) -> bool:
    """Tell a sidecar, right or wrong, from other JSON, such as what `measure --json` wrote."""
    try:
        with path.open("rb") as file:
            head = file.read(1 << 16)
    except OSError:
        return False
    return b'"channel"' in head and (b'"knob_deg"' in head or b'"recorded_utc"' in head)


def measure_file(
    path: Path, *, level: Level | None = None, signal: str | None = None
) -> tuple[Measurement, ...]:
    """Measure a recording with what its sidecar knows of it.

    Parameters
    ----------
    path : Path
        The recording.
    level : str or None
        'high' or 'low': which part is the pulse; None leaves it to the sidecar, then to the
        recording.
    signal : str or None
        The signal of a VCD file.

    Returns
    -------
    tuple of Measurement
        One an input that has pulses.

    Raises
    ------
    RecordingError, MeasurementError
        It cannot be read, or no input has pulses.
    """
    from benchlog.capture.formats import open_recording
    from benchlog.timing.pulses import measure_recording

    recording = open_recording(path, signal=signal)
    sidecar = read_beside(path)
    if sidecar is not None:
        level = level or sidecar.active_level
        recording = _with_gaps(recording, sidecar)
    return measure_recording(recording, active_level=level)


def _with_gaps(
    recording: Samples | tuple[EdgeList, ...], sidecar: Sidecar
) -> Samples | tuple[EdgeList, ...]:
    """Add the gaps of the sidecar to those that the recording knows of."""
    if not sidecar.gaps:
        return recording
    if isinstance(recording, tuple):
        return tuple(replace(item, gaps=item.gaps + sidecar.gaps) for item in recording)
    return replace(recording, gaps=recording.gaps + sidecar.gaps)
