"""From files to measurements: what every command that reads recordings does in the same way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.errors import MeasurementError
    from benchlog.recording import EdgeList, Samples
    from benchlog.timing.edges import Edges
    from benchlog.timing.notices import Notice
    from benchlog.timing.pulses import Measurement

__all__ = ["measure_file", "measure_file_inputs", "read_beside"]

_LEAST_CUT_S = 0.01


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
    measured, still = measure_file_inputs(path, level=level, signal=signal)
    if measured or not still:
        return measured
    raise still[min(still)][1]


def measure_file_inputs(
    path: Path, *, level: Level | None = None, signal: str | None = None
) -> tuple[tuple[Measurement, ...], dict[int, tuple[Edges, MeasurementError]]]:
    """Measure a recording, and say of its inputs without pulses what they hold instead.

    Parameters
    ----------
    path, level, signal
        As for `measure_file`.

    Returns
    -------
    measured : tuple of Measurement
        One an input that has pulses.
    still : dict
        For each other input, by its number from 1, its edges, and what it holds instead.

    Raises
    ------
    RecordingError
        It cannot be read, or holds no samples at all.
    """
    from benchlog.capture.formats import open_recording
    from benchlog.commands.profiles import know_input, set_right
    from benchlog.timing.absence import explain_absence
    from benchlog.timing.edges import Edges
    from benchlog.timing.pulses import measure_inputs

    recording = open_recording(path, signal=signal)
    known = know_input(path, read_beside(path))
    right = set_right(recording, known.clock)
    measured, still = [], {}
    found = measure_inputs(
        right, active_level=level or known.level, clock_ppm=known.clock.half_width_ppm
    )
    for number, one in enumerate(found, start=1):
        if isinstance(one, Edges):
            if not one.end_s > one.start_s:
                raise explain_absence(right, one, number - 1)
            still[number] = (one, explain_absence(right, one, number - 1))
            continue
        measured.append(
            replace(
                one,
                sample_rate_hz=None if isinstance(recording, tuple) else recording.rate_hz,
                notices=one.notices + known.notices + _tell_cut(recording, one.edges),
            )
        )
    return tuple(measured), still


def _tell_cut(recording: Samples | tuple[EdgeList, ...], edges: Edges) -> tuple[Notice, ...]:
    """Say so where a sound file holds less than its header promises."""
    from benchlog.timing.notices import Notice

    if isinstance(recording, tuple) or recording.frame_count is None or edges.rate_hz is None:
        return ()
    # by its own rate, which a profile may have set right
    claimed_s = recording.frame_count / edges.rate_hz
    if claimed_s - edges.end_s < _LEAST_CUT_S:
        return ()
    text = (
        f"the file is cut short: its header promises {claimed_s:.1f} s, {edges.end_s:.1f} s are "
        "there; copy it again, or record again and close the recorder before the file is copied"
    )
    return (Notice("cut-short", text),)
