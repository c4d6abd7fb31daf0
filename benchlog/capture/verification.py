"""Whether everything in the captures of a bench folder is whole and in its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from benchlog.capture.new_files import checksum_of
from benchlog.capture.repair import is_broken_off
from benchlog.capture.sidecar import Sidecar, read_sidecar
from benchlog.capture.store import RECORD_SUFFIXES, Bench
from benchlog.errors import RecordingError, StoreError

__all__ = ["Finding", "Verification", "verify_captures"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be, or that one should know.

    Attributes
    ----------
    path : Path
        What it is about.
    code : str
        ``unreadable-sidecar``, ``wrong-channel``, ``no-sidecar``, ``no-recording``,
        ``two-recordings``, ``unfinished``, ``changed``, ``unreadable``, ``nameless``, or, where
        nothing is wrong, ``being-recorded``, ``leftover``.
    text : str
        What was found and what to try.
    is_wrong : bool
        Whether something is wrong.
    """

    path: Path
    code: str
    text: str
    is_wrong: bool = True


@dataclass(frozen=True, slots=True)
class Verification:
    """What was checked, and what was found.

    Attributes
    ----------
    findings : tuple of Finding
        By channel and name.
    recording_count : int
        Recordings that have a sidecar.
    checked_count : int
        Those of them whose checksum was compared and is right.
    unsummed_count : int
        Those of them whose sidecar holds no checksum.
    """

    findings: tuple[Finding, ...]
    recording_count: int
    checked_count: int
    unsummed_count: int


@dataclass(slots=True)
class _Tally:
    findings: list[Finding]
    recordings: int = 0
    checked: int = 0
    unsummed: int = 0


def verify_captures(
    bench: Bench, on_progress: Callable[[float], None] | None = None
) -> Verification:
    """Check every recording and sidecar of a bench folder; nothing is changed.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    on_progress : callable, optional
        Called with the share that is done.

    Returns
    -------
    Verification
        With findings in the order of the names.

    Raises
    ------
    StoreError
        A folder cannot be read.
    """
    tally = _Tally([])
    work: list[tuple[str, list[Path], Path | None]] = []
    for folder in _listed(bench.captures):
        if folder.is_dir() and not folder.name.startswith("."):
            work += _paired(folder, tally)
    for index, (channel, found, beside) in enumerate(work):
        if on_progress:
            on_progress(index / len(work))
        _check(channel, found, beside, tally)
    findings = sorted(tally.findings, key=lambda finding: str(finding.path))
    return Verification(tuple(findings), tally.recordings, tally.checked, tally.unsummed)


def _listed(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise StoreError(
            f"{folder} cannot be read ({exc.strerror})",
            expected="a folder that you may read",
            attempt="changing its permissions, or another bench folder with --bench FOLDER",
        ) from exc


def _paired(folder: Path, tally: _Tally) -> list[tuple[str, list[Path], Path | None]]:
    """Return the files of each stem: the recordings, and the sidecar or None."""
    stems: dict[str, tuple[list[Path], list[Path]]] = {}
    for path in _listed(folder):
        if path.name.startswith("."):
            _check_hidden(path, tally)
        elif path.suffix == ".json":
            stems.setdefault(path.stem, ([], []))[1].append(path)
        elif path.suffix.lower() in RECORD_SUFFIXES:
            stems.setdefault(path.stem, ([], []))[0].append(path)
    return [
        (folder.name, found, beside[0] if beside else None)
        for _, (found, beside) in sorted(stems.items())
    ]


def _check_hidden(path: Path, tally: _Tally) -> None:
    """Tell what a crash left under a hidden name."""
    if not path.name.endswith(".part"):
        return
    kept = [one for one in _listed(path) if one.suffix != ".json"] if path.is_dir() else []
    if any(one.stat().st_size > 100 for one in kept):
        text = (
            "holds a recording that a crash kept from getting its name; move it out with a sidecar"
        )
        tally.findings.append(Finding(path, "nameless", text))
    else:
        text = "was left by a crash and holds no recording; it may be removed"
        tally.findings.append(Finding(path, "leftover", text, is_wrong=False))


def _check(channel: str, found: list[Path], beside: Path | None, tally: _Tally) -> None:
    """Check one recording with its sidecar."""
    if beside is None:
        for path in found:
            text = "has no sidecar; give it one with channel, knob_deg and recorded_utc"
            tally.findings.append(Finding(path, "no-sidecar", text))
        return
    try:
        if beside.stat().st_size == 0:
            text = "is the empty name that a crash left; it may be removed"
            tally.findings.append(Finding(beside, "leftover", text, is_wrong=bool(found)))
            return
        sidecar = read_sidecar(beside)
    except (OSError, RecordingError) as exc:
        tally.findings.append(Finding(beside, "unreadable-sidecar", str(exc)))
        return
    if sidecar.channel != channel:
        text = f"names channel '{sidecar.channel}' and lies in the folder of '{channel}'"
        tally.findings.append(Finding(beside, "wrong-channel", text))
    chosen = _choose(found, beside, sidecar, tally)
    if chosen is not None:
        tally.recordings += 1
        _check_content(chosen, sidecar, tally)


def _choose(found: list[Path], beside: Path, sidecar: Sidecar, tally: _Tally) -> Path | None:
    """Return the recording that a sidecar is about."""
    if not found:
        if sidecar.set_aside is None:
            text = "has no recording beside it; put the file back, or set the recording aside"
            tally.findings.append(Finding(beside, "no-recording", text))
        return None
    if sorted(path.suffix for path in found) == [".flac", ".wav"]:
        packed, raw = sorted(found, key=lambda path: path.suffix)
        if sidecar.unfinished:
            return raw
        text = f"is what {packed.name} was made of; once that one is right, it may be removed"
        tally.findings.append(Finding(raw, "leftover", text, is_wrong=False))
        return packed
    if len(found) > 1:
        text = "belongs to several recordings: " + ", ".join(path.name for path in found)
        tally.findings.append(Finding(beside, "two-recordings", text))
        return None
    return found[0]


def _check_content(path: Path, sidecar: Sidecar, tally: _Tally) -> None:
    if sidecar.unfinished:
        if is_broken_off(path):
            text = f"was broken off while it was recorded; benchlog measure {path} completes it"
            tally.findings.append(Finding(path, "unfinished", text))
        else:
            text = "is being recorded at this moment"
            tally.findings.append(Finding(path, "being-recorded", text, is_wrong=False))
        return
    if sidecar.sha256 is None:
        tally.unsummed += 1
        return
    try:
        actual = checksum_of(path)
    except OSError as exc:
        text = f"cannot be read ({exc.strerror or exc})"
        tally.findings.append(Finding(path, "unreadable", text))
        return
    if actual != sidecar.sha256.lower():
        text = (
            f"was changed after it was recorded (checksum {actual[:12]}..., in its sidecar "
            f"{sidecar.sha256[:12]}...); take it from a copy, or set it aside"
        )
        tally.findings.append(Finding(path, "changed", text))
        return
    tally.checked += 1
