"""Names of channels, which are also names of folders on every system."""

from __future__ import annotations

import unicodedata

from benchlog.errors import DesignError

__all__ = ["check_channel_name"]

_LONGEST = 64  # characters
_LONGEST_BYTES = 200  # file systems take 255 bytes a name
# folders beside the channels' own
_KEPT_FREE = {
    "inputs": "is the folder of the inputs' profiles",
    "servos": "is the folder of the measured servos",
}
_FORBIDDEN = '<>:"/\\|?*'
# device names that Windows keeps for itself, with any suffix (from memory of its documentation)
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{number}" for port in ("com", "lpt") for number in "0123456789"]
)


def check_channel_name(name: str) -> str:
    """Return `name` if it can be a folder's name on Linux, macOS and Windows.

    Parameters
    ----------
    name : str
        The name of a channel.

    Returns
    -------
    str
        The name, in Unicode's composed form (NFC), so that one name is one folder.

    Raises
    ------
    DesignError
        It is empty, longer than 64 characters, holds a separator or a control character,
        begins with a dash or dot, ends with a dot or space, or is reserved.
    """
    reason = _find_fault(name)
    if reason:
        shown = repr(name)
        shown = shown if len(shown) <= 80 else shown[:80] + "..."
        raise DesignError(
            f"channel name {shown} {reason}",
            expected="a name that can be a folder's on every system, at most 64 characters",
            attempt="letters, digits, dashes and underscores, such as 'heron' or 'stage-left_2'",
        )
    return unicodedata.normalize("NFC", name)


def _find_fault(name: object) -> str | None:
    """Return what is wrong with a name, None if nothing is."""
    if not isinstance(name, str):
        return "is not text"
    if not name:
        return "is empty"
    if len(name) > _LONGEST or len(name.encode("utf-8", "replace")) > _LONGEST_BYTES:
        return f"is too long ({len(name)} characters)"
    bad = next((c for c in name if c in _FORBIDDEN or not c.isprintable()), None)
    if bad is not None:
        return f"holds {bad!r}"
    if name[0] in "-. " or name[-1] in ". ":
        return "begins with a dash, dot or space, or ends with a dot or space"
    if unicodedata.normalize("NFKC", name).partition(".")[0].rstrip().lower() in _RESERVED:
        return "is reserved by Windows"
    return _KEPT_FREE.get(unicodedata.normalize("NFKC", name).casefold())
