"""The name of a picture or sheet that is to be written: refused before anything is drawn."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from benchlog.errors import StoreError, UsageError

__all__ = ["check_new_picture"]


def check_new_picture(path: Path, option: str, suffixes: Sequence[str], example: str) -> str:
    """Return the format that the name of a new picture asks for.

    Parameters
    ----------
    path : Path
        The file that is to be written.
    option : str
        The option that names it, for the messages.
    suffixes : sequence of str
        The endings that are allowed, with their dots, in the order in which they are told.
    example : str
        A right name.

    Returns
    -------
    str
        The ending without its dot, in small letters.

    Raises
    ------
    UsageError
        Another ending.
    StoreError
        The file is there already, or its folder is not.
    """
    suffix = path.suffix.lower()
    if suffix not in suffixes:
        raise UsageError(
            f"{option} '{path}'",
            expected=f"a name that ends in {', '.join(suffixes[:-1])} or {suffixes[-1]}",
            attempt=f"{option} {example}",
        )
    if os.path.lexists(path):
        raise StoreError(
            f"{path} is there already",
            expected="a new name, since nothing is overwritten",
            attempt=f"{option} with another name, or moving the old file elsewhere",
        )
    if not os.path.isdir(path.parent):
        raise StoreError(
            f"the folder {path.parent} is not there",
            expected="a folder that is there",
            attempt="making it, or another one",
        )
    return suffix[1:]
