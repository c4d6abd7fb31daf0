"""The front door for files: what kind a recording is, by its content, and who reads it.

A reader is loaded when a file of its kind comes.
"""

from __future__ import annotations

import dataclasses
import os
import re
import stat
from pathlib import Path

from benchlog.capture.sidecar import read_sidecar, sidecar_path
from benchlog.errors import RecordingError
from benchlog.recording import EdgeList, Gap, Samples

__all__ = ["open_recording", "read_gaps"]

_HEAD_BYTES = 4096
_SOUND = (b"RIFF", b"RIFX", b"RF64", b"BW64", b"fLaC", b"ID3")
_OTHER_SOUND = {
    b"OggS": "Ogg sound or video, which loses detail",
    b"FORM": "AIFF sound",
    b".snd": "AU sound",
    b"caff": "CAF sound",
    b"riff": "Wave64 sound",
    b"\x1aE\xdf\xa3": "Matroska or WebM sound or video",
    b"PK\x03\x04": "a zip archive",
    b"\x1f\x8b": "a gzip archive",
}
_KINDS = "WAV, RF64 or FLAC sound, a VCD file, or a CSV file with the header time_s,level"


def open_recording(path: Path, *, signal: str | None = None) -> Samples | tuple[EdgeList, ...]:
    """Open a recording of any kind that is known; the kind is told by content.

    Parameters
    ----------
    path : Path
        WAV (PCM of every width, float, extensible, RF64), FLAC, VCD, CSV with the header
        ``time_s,level``, or the saved lines of a serial probe.
    signal : str, optional
        Which signal of a VCD file.

    Returns
    -------
    Samples or tuple of EdgeList
        Sound is not read yet but for its header. Where a sidecar stands beside the
        file, the gaps that it tells are among the recording's; a sidecar that cannot
        be read is left out of account (`read_sidecar` tells what is wrong with it). A
        recording that was broken off is completed first (see `repair`).

    Raises
    ------
    RecordingError
        The path is no such file, or the file is damaged; or a signal is named and it is no
        VCD file.
    """
    head = _read_head(path)
    path = _complete(path)
    gaps, unfinished = _read_beside(path)
    kind = _recognise(head, path)
    if signal is not None and kind != "vcd":
        raise RecordingError(
            f"--signal {signal} with {path}, which holds no signals by name",
            expected="a VCD file",
            attempt="the same without --signal",
        )
    if kind == "sound":
        from benchlog.capture.audio_files import read_audio

        samples = read_audio(path)
        return dataclasses.replace(samples, gaps=samples.gaps + gaps) if gaps else samples
    edges = _read_edges(path, kind, signal, unfinished)
    return (dataclasses.replace(edges, gaps=edges.gaps + gaps) if gaps else edges,)


def _read_edges(path: Path, kind: str, signal: str | None, unfinished: bool) -> EdgeList:
    """Read a file of edge times of one kind or another."""
    if kind == "vcd":
        from benchlog.capture.vcd_files import read_vcd

        return read_vcd(path, signal=signal)
    if kind == "probe":
        from benchlog.capture.probe_lines import read_probe_log

        return read_probe_log(path)
    from benchlog.capture.csv_files import read_csv

    return read_csv(path, unfinished=unfinished)


def _complete(path: Path) -> Path:
    """Complete a recording that was broken off, and return where it lies then."""
    if not os.path.lexists(sidecar_path(path)):  # nothing says that it was not finished
        return path
    from benchlog.capture.repair import repair_record

    completed = repair_record(path)
    return path if completed is None else completed.path


def read_gaps(path: Path) -> tuple[Gap, ...]:
    """Return the gaps that the sidecar of the recording `path` tells; none without a sidecar."""
    return _read_beside(path)[0]


def _read_beside(path: Path) -> tuple[tuple[Gap, ...], bool]:
    """Return the gaps that the sidecar tells, and whether the recording is unfinished."""
    beside = sidecar_path(path)
    if beside == path:
        return (), False
    try:
        sidecar = read_sidecar(beside)
    except RecordingError:
        return (), False
    return sidecar.gaps, sidecar.unfinished


def _read_head(path: Path) -> bytes:
    """Return the first bytes of a plain file."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise RecordingError(
                f"{path} is a folder",
                expected="a recording",
                attempt="naming a file within it",
            )
        if not stat.S_ISREG(mode):
            raise RecordingError(
                f"{path} is no plain file", expected="a recording", attempt="saving it as a file"
            )
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except FileNotFoundError as exc:
        raise RecordingError(
            f"{path} is not there", expected="a recording", attempt="checking the name"
        ) from exc
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or exc
        raise RecordingError(
            f"{path} cannot be read ({reason})",
            expected="a recording that you may read",
            attempt="checking the name and the file's permissions",
        ) from exc
    if not head:
        raise RecordingError(
            f"{path} is empty", expected=_KINDS, attempt="recording it again, or another copy"
        )
    return head


def _recognise(head: bytes, path: Path) -> str:
    """Return 'sound', 'vcd', 'csv' or 'probe'."""
    if head.startswith(_SOUND):
        return "sound"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if re.search(rb"^# benchlog-probe\b", text, re.MULTILINE):
        return "probe"
    if re.match(rb"\$[a-z]+\s", text) or path.suffix.lower() == ".vcd":
        return "vcd"
    first_line = text.splitlines()[0] if text else b""
    if (b"time_s" in first_line and b"level" in first_line) or path.suffix.lower() == ".csv":
        return "csv"
    raise RecordingError(
        f"{path} is {_describe(head)}",
        expected=_KINDS,
        attempt="exporting or recording it as one of these",
    )


def _describe(head: bytes) -> str:
    for magic, what in _OTHER_SOUND.items():
        if head.startswith(magic):
            return what
    if head[4:8] == b"ftyp":
        return "MP4 sound or video, which loses detail"
    if len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0:
        return "MP3 sound, which loses detail"
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError:
        return "no kind of recording that is known"
    return "plain text" if text.isprintable() or "\n" in text else "no kind of recording known"
