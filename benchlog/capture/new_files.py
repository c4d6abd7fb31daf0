"""New files that are there whole or not at all, and never take a name that is taken.

A file is written elsewhere in the same folder, flushed to the disk and then linked to
its name, which fails where the name is taken. `store_error` tells in one plain line why
a file cannot be written.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchlog.errors import StoreError

__all__ = [
    "channel_fault",
    "checksum_of",
    "claim_name",
    "flush_to_disk",
    "give_name",
    "release_name",
    "replace_text",
    "store_error",
    "write_flushed",
    "write_new_bytes",
    "write_new_text",
]

_MOST_NAMES = 10_000

_FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
_RESERVED = {
    "CON",
    "PRN",
    "AUX",
    "NUL",
    *(f"{port}{i}" for port in ("COM", "LPT") for i in range(10)),
}
_KEPT_FREE = {
    "inputs": "is the folder of the inputs' profiles",
    "servos": "is the folder of the measured servos",
}
_CLOSED = (errno.EACCES, errno.EPERM, errno.EROFS)


def store_error(exc: OSError, path: Path) -> StoreError:
    """Return the `StoreError` for an `OSError` that was met while writing `path`.

    Parameters
    ----------
    exc : OSError
        What was met.
    path : Path
        The file or folder that was to be written.

    Returns
    -------
    StoreError
        To be raised ``from exc``.
    """
    folder = path.parent
    if folder.name.startswith(".") and folder.suffix == ".part":  # a claim's own folder
        folder = folder.parent
    if exc.errno == errno.EEXIST:
        return StoreError(
            f"{path} is there already",
            expected="a new name, since nothing recorded is overwritten",
            attempt="another name, or moving the old file elsewhere",
        )
    if exc.errno in _FULL:
        return StoreError(
            f"the disk of {folder} is full ({exc.strerror})",
            expected="room for the file",
            attempt="freeing some space, or a folder on another disk with --bench FOLDER",
        )
    if exc.errno in _CLOSED:
        return StoreError(
            f"{path} cannot be written ({exc.strerror})",
            expected="a folder that you may write to",
            attempt="changing the folder's permissions, or another one with --bench FOLDER",
        )
    if exc.errno in (errno.ENOENT, errno.ENOTDIR) and not folder.is_dir():
        return StoreError(
            f"the folder {folder} is not there ({exc.strerror})",
            expected="a folder",
            attempt="making it, or another one with --bench FOLDER",
        )
    return StoreError(
        f"{path} cannot be written ({exc.strerror or exc})",
        expected="a folder on a working disk",
        attempt="another folder with --bench FOLDER",
    )


def channel_fault(name: str) -> str | None:
    """Tell what is wrong with a channel's name as the name of a folder.

    Parameters
    ----------
    name : str
        The name.

    Returns
    -------
    str or None
        Such as 'begins with a dot'; None where nothing is wrong.
    """
    if not name:
        return "is empty"
    if len(name.encode("utf-8", "replace")) > 100:
        return "is too long"
    if name[0] in ".-" or name[0].isspace():
        return "begins with a dot, a dash or a blank"
    if name[-1] == "." or name[-1].isspace():
        return "ends in a dot or a blank"
    for character in name:
        if not (character.isalnum() or character in "-_. "):
            return f"has {character!r} in it"
    if name.split(".")[0].upper() in _RESERVED:
        return "is reserved on some systems"
    if name.casefold() in _KEPT_FREE:
        return _KEPT_FREE[name.casefold()]
    return None


def write_new_text(path: Path, text: str, *, next_free: bool = False) -> Path:
    """Write a new text file in UTF-8, line breaks as they are, as `write_new_bytes` does."""
    return write_new_bytes(path, text.encode("utf-8"), next_free=next_free)


def write_new_bytes(path: Path, content: bytes, *, next_free: bool = False) -> Path:
    """Write a new file, whole or not at all; the folders above it are made.

    Parameters
    ----------
    path : Path
        A name that is not taken.
    content : bytes
        What it holds.
    next_free : bool
        Take ``<stem>-2``, ``<stem>-3``... where the name is taken.

    Returns
    -------
    Path
        The name that was given.

    Raises
    ------
    StoreError
        The name is taken, or the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
        part = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            part.chmod(0o666 & ~_umask())
            final = _first_free(part, path, next_free)
        finally:
            part.unlink(missing_ok=True)
        flush_to_disk(path.parent)
    except OSError as exc:
        raise store_error(exc, path) from exc
    return final


def replace_text(path: Path, text: str) -> None:
    """Replace a text file by another one; whoever reads it sees the old one or the new one.

    Parameters
    ----------
    path : Path
        A file that is there.
    text : str
        Written in UTF-8, line breaks as they are.

    Raises
    ------
    OSError
        The file is not there, or the folder cannot be written; the old file is as it was.
    """
    mode = path.stat().st_mode & 0o777
    handle, name = tempfile.mkstemp(prefix=f".{path.stem}.", suffix=".part", dir=path.parent)
    os.close(handle)
    part = Path(name)
    try:
        part.chmod(mode)
        write_flushed(part, text)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    flush_to_disk(path.parent)


def _umask() -> int:
    """Return the process's mask of permissions, which can be read only by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _numbered(stem: str) -> Iterator[str]:
    yield stem
    for count in range(2, _MOST_NAMES):
        yield f"{stem}-{count}"


def _first_free(part: Path, path: Path, next_free: bool) -> Path:
    for stem in _numbered(path.stem):
        final = path.with_name(stem + path.suffix)
        try:
            give_name(part, final)
        except FileExistsError:
            if not next_free:
                raise
        else:
            return final
    raise FileExistsError(errno.EEXIST, "every numbered name is taken")


def claim_name(folder: Path, wanted: str, suffixes: Sequence[str]) -> tuple[str, Path]:
    """Claim a stem in a folder that no file has and nobody else claims.

    Parameters
    ----------
    folder : Path
        A folder that is there.
    wanted : str
        The stem; numbered where it is taken.
    suffixes : sequence of str
        Suffixes with which a file would take the stem.

    Returns
    -------
    stem : str
        The stem that was got.
    part : Path
        A hidden folder of its own to write into. Making one is what two processes
        cannot both do. To be given back with `release_name`.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    for stem in _numbered(wanted):
        part = folder / f".{stem}.part"
        try:
            part.mkdir()
        except FileExistsError:
            continue
        if not any((folder / f"{stem}{suffix}").exists() for suffix in (*suffixes, ".json")):
            return stem, part
        part.rmdir()
    raise FileExistsError(errno.EEXIST, "every numbered name is taken")


def release_name(part: Path, *, keep: bool) -> None:
    """Remove a claim; with `keep`, leave it where a recording lies in it that has no name yet."""
    with contextlib.suppress(OSError):
        for path in part.iterdir():
            if not keep or path.suffix == ".json" or path.stat().st_size == 0:
                path.unlink()
        part.rmdir()


def give_name(part: Path, final: Path) -> None:
    """Give a finished file its name, unless that is taken.

    Where the file system has no links (some memory cards), the name is taken by an
    empty file first, which a crash in that instant would leave behind.
    """
    try:
        os.link(part, final)
    except FileExistsError:
        raise
    except OSError:
        os.close(os.open(final, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        try:
            part.replace(final)
        except OSError:
            final.unlink()
            raise


def write_flushed(path: Path, text: str) -> None:
    """Write a text file and have the system put it on the disk; OSError if it cannot."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def flush_to_disk(path: Path) -> None:
    """Have the system write a file, or the names in a folder, to the disk."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def checksum_of(path: Path) -> str:
    """Return the SHA-256 of a file as 64 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
