"""New design files: read back before they are put in place, and never over another."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from pathlib import Path

from benchlog.capture.new_files import flush_to_disk, give_name, store_error, write_flushed
from benchlog.capture.servo_files import servos_beside
from benchlog.capture.store import Bench, read_design
from benchlog.channel.plan import Design
from benchlog.errors import DesignError

__all__ = ["store_design"]


def store_design(bench: Bench, channel: str, text: str) -> tuple[Path, Design]:
    """Put a design file into a bench folder.

    Parameters
    ----------
    bench : Bench
        Where to; its folders are made where they are not there.
    channel : str
        The channel.
    text : str
        The design file's text.

    Returns
    -------
    path : Path
        Where it lies.
    design : Design
        As it was read back.

    Raises
    ------
    DesignError
        What was read back is no design, or another channel's; nothing is put in place.
    StoreError
        The channel has a design already, or the folder cannot be written.
    """
    path = bench.design_path(channel)
    made: list[Path] = []
    try:
        _make_folders(path.parent, made)
        part = Path(tempfile.mkdtemp(prefix=".", suffix=".part", dir=path.parent))
        try:
            written = part / path.name
            write_flushed(written, text)
            design = read_design(written, servos_beside(path))
            if design.channel != channel:
                raise DesignError(
                    f"the design names channel '{design.channel}'",
                    expected=f"'{channel}', as its folder does",
                    attempt="one name for both",
                )
            give_name(written, path)
        finally:
            shutil.rmtree(part, ignore_errors=True)
        flush_to_disk(path.parent)
    except BaseException as exc:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()  # only where it is empty
        if isinstance(exc, OSError):
            raise store_error(exc, path) from exc
        raise
    return path, design


def _make_folders(folder: Path, made: list[Path]) -> None:
    """Make a folder and those above it; note each that was made, the topmost first."""
    if folder.is_dir():
        return
    _make_folders(folder.parent, made)
    try:
        folder.mkdir()
    except FileExistsError:
        if not folder.is_dir():
            raise
    else:
        made.append(folder)
