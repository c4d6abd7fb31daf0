"""From files to measurements: what every command that reads recordings does in the same way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
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
    """Measure a recording with what its sidecar and its input's profile know of it.

    Parameters
    ----------
    path : Path
        The recording.
    level : str or None
        'high' or 'low': which part is the pulse; None leaves it to the sidecar, then to the
        profile of the input that the sidecar names, then to the recording.
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
    from benchlog.commands.profiles import know_input, set_right
    from benchlog.timing.pulses import measure_recording

    recording = open_recording(path, signal=signal)
    known = know_input(path, read_beside(path))
    measured = measure_recording(
        set_right(recording, known.clock),
        active_level=level or known.level,
        clock_ppm=known.clock.half_width_ppm,
    )
    return tuple(
        replace(
            one,
            sample_rate_hz=None if isinstance(recording, tuple) else recording.rate_hz,
            notices=one.notices + known.notices,
        )
        for one in measured
    )
