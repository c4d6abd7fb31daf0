"""Locks that tell a recording that is still being made from one that a crash broke off.

The system lets go of a lock when the process that holds it ends, however it ends.
"""

from __future__ import annotations

import os
import sys
from io import FileIO
from pathlib import Path

__all__ = ["is_locked", "lock_file", "open_locked"]

_LOCKED_BYTE = 1 << 62


def lock_file(handle: int, *, shared: bool = False) -> bool:
    """Lock an open file until it is closed, against whoever else asks in this way.

    Parameters
    ----------
    handle : int
        Its descriptor.
    shared : bool
        Whether others may hold it in the same way; Windows knows no such locks.

    Returns
    -------
    bool
        False where another process holds it. True where the file system knows no locks.
    """
    if sys.platform == "win32":
        import msvcrt

        before = os.lseek(handle, 0, os.SEEK_CUR)
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, before, os.SEEK_SET)
        return True
    import fcntl

    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def open_locked(path: Path) -> FileIO:
    """Open a file to be written on, locked until it is closed; OSError where it cannot be."""
    file = path.open("r+b", buffering=0)
    lock_file(file.fileno())
    return file


def is_locked(path: Path) -> bool:
    """Tell whether another process, or another part of this one, holds the lock of a file."""
    try:
        handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    except OSError:
        return False
    try:
        return not lock_file(handle, shared=True)
    finally:
        os.close(handle)
