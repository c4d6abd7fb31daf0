"""Locks that tell a recording that is still being made from one that a crash broke off.

The system lets go of a lock when the process that holds it ends, however it ends.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["is_locked", "lock_file"]

_LOCKED_BYTE = 1 << 62


def lock_file(handle: int) -> bool:
    """Lock an open file until it is closed, against whoever else asks in this way.

    Parameters
    ----------
    handle : int
        Its descriptor.

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
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def is_locked(path: Path) -> bool:
    """Tell whether another process, or another part of this one, holds the lock of a file."""
    try:
        handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    except OSError:
        return False
    try:
        return not lock_file(handle)
    finally:
        os.close(handle)
