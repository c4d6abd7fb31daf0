"""Measured servos in a bench folder, by name.

::

    calibration/servos/<name>.toml            the newest measurement of that servo
    calibration/servos/<name>.<stamp>.toml    an older one, with its date

A servo that is measured again gets a new file; the one before is kept under its date first, also
where somebody changed it by hand meanwhile, so that a crash at any instant loses neither.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from benchlog.capture.locks import lock_file
from benchlog.capture.new_files import (
    flush_to_disk,
    give_name,
    replace_text,
    store_error,
    write_new_text,
)
from benchlog.capture.sidecar import is_stamp, stamp_of
from benchlog.capture.small_files import Fault, read_small_text
from benchlog.channel.kept_servo import KeptServo, check_servo_name, format_servo, parse_servo
from benchlog.channel.servo import Servo
from benchlog.errors import DesignError, StoreError

__all__ = [
    "SERVOS",
    "KeptServos",
    "read_servo_file",
    "servo_path",
    "servos_beside",
    "store_servo",
]

SERVOS = "servos"
"""The folder of measured servos, beside those of the channels."""

_LIMIT = 1 << 16
_FAULTS: dict[Fault, tuple[str, str]] = {
    "long": ("a measured servo of some lines", "measuring it again: benchlog servo"),
    "coding": ("TOML text in UTF-8", "saving it as UTF-8 in a text editor"),
    "unreadable": ("a measured servo", "benchlog servo NAME to measure it"),
}
_PATIENCE_S = 10.0


class KeptServos(Mapping[str, Servo]):
    """The measured servos of a folder, each read when it is asked for.

    Parameters
    ----------
    folder : Path
        The folder; it need not be there.

    Notes
    -----
    ``kept[name]`` raises `KeyError` for a name that is not there, and `DesignError` for a file
    that is wrong.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __getitem__(self, name: str) -> Servo:
        if name not in list(self):
            raise KeyError(name)
        return read_servo_file(self.folder / f"{name}.toml").servo()

    def __iter__(self) -> Iterator[str]:
        try:
            paths = sorted(self.folder.iterdir())
        except OSError:
            return
        for path in paths:
            if path.suffix == ".toml" and "." not in path.stem and path.is_file():
                yield path.stem

    def __len__(self) -> int:
        return sum(1 for _ in self)


def servos_beside(design_path: Path) -> KeptServos:
    """Return the measured servos of the bench folder that a design file lies in."""
    return KeptServos(Path(os.path.abspath(design_path)).parent.parent / SERVOS)


def servo_path(calibration: Path, name: str) -> Path:
    """Return where a measured servo lies, whether or not it is there.

    Parameters
    ----------
    calibration : Path
        A bench folder's folder of calibrations.
    name : str
        The servo's name.

    Raises
    ------
    DesignError
        The name cannot be one.
    """
    return calibration / SERVOS / f"{check_servo_name(name)}.toml"


def read_servo_file(path: Path) -> KeptServo:
    """Read a measured servo.

    Raises
    ------
    DesignError
        The file cannot be read or is wrong; key, value and line are named.
    """

    def refuse(fault: Fault, found: str) -> DesignError:
        expected, attempt = _FAULTS[fault]
        return DesignError(f"{path} {found}", expected=expected, attempt=attempt)

    text = read_small_text(path, _LIMIT, refuse)
    kept = parse_servo(text, str(path))
    if kept.name != path.stem.partition(".")[0]:
        raise DesignError(
            f"{path} names the servo '{kept.name}'",
            expected=f"'{path.stem.partition('.')[0]}', as its file does",
            attempt="one name for both",
        )
    return kept


def store_servo(calibration: Path, kept: KeptServo) -> tuple[Path, Path | None]:
    """Keep a measured servo; an older one of that name stays, under its date.

    Parameters
    ----------
    calibration : Path
        A bench folder's folder of calibrations.
    kept : KeptServo
        What was measured.

    Returns
    -------
    path : Path
        Where it lies.
    older : Path or None
        Where the one before lies now; None where there was none.

    Raises
    ------
    DesignError
        The name cannot be one, or what would be written cannot be read back.
    StoreError
        The folder cannot be written.
    """
    path = servo_path(calibration, kept.name)
    text = format_servo(kept)
    parse_servo(text, str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _alone(path.parent):
            if not os.path.lexists(path):
                return write_new_text(path, text), None
            with path.open("rb") as file:
                before = file.read()
            older = _keep_older(path, before)
            replace_text(path, text)
            return path, older
    except OSError as exc:
        raise store_error(exc, path) from exc


def _keep_older(path: Path, content: bytes) -> Path:
    """Write what a servo's file holds under its date, byte for byte."""
    wanted = f"{path.stem}.{_stamp_in(path, content)}"
    handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(path.stat().st_mode & 0o777)
        older = _give_free_name(part, path.parent, wanted)
    finally:
        part.unlink(missing_ok=True)
    flush_to_disk(path.parent)
    return older


def _give_free_name(part: Path, folder: Path, stem: str) -> Path:
    for number in range(1, 10_000):
        final = folder / f"{stem}{'' if number == 1 else f'-{number}'}.toml"
        try:
            give_name(part, final)
        except FileExistsError:
            continue
        return final
    raise StoreError(
        f"every name {stem}-2.toml, {stem}-3.toml... is taken in {folder}",
        expected="a free name for the older file",
        attempt="moving some of them elsewhere",
    )


def _stamp_in(path: Path, content: bytes) -> str:
    """Return the date of a servo's file: its own, else when it was last changed."""
    with contextlib.suppress(DesignError, UnicodeDecodeError):
        kept = parse_servo(content.decode("utf-8-sig"), path.name)
        stamp = kept.found_utc.replace("-", "").replace(":", "")
        if is_stamp(stamp):
            return stamp
    return stamp_of(datetime.fromtimestamp(path.stat().st_mtime, UTC))


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold a folder's lock, so that two measurements of one servo come one after the other."""
    path = folder / ".lock"
    until_s = time.monotonic() + _PATIENCE_S
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        # whoever held it before has taken the name away
        if lock_file(handle) and _is_still(path, handle):
            break
        os.close(handle)
        if time.monotonic() > until_s:
            raise StoreError(
                f"{folder} is being written by another process",
                expected="one that keeps a servo at a time",
                attempt="ending that one, then the same again",
            )
        time.sleep(0.02)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()  # while it is held, so that nobody loses a lock that he has
        os.close(handle)


def _is_still(path: Path, handle: int) -> bool:
    """Tell whether a name still stands for an open file."""
    try:
        return os.path.samestat(path.stat(), os.fstat(handle))
    except OSError:
        return False
