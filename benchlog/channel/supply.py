"""What the circuit is fed from: cells, or volts; never mains."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchlog.channel.quoting import quote
from benchlog.errors import DesignError
from benchlog.units import parse_value

__all__ = ["MOST_V", "Supply", "read_supply"]

MOST_V = 15.0
"""The highest supply for which a divider is offered, volts."""

# Nominal volts a cell. Alkaline: published tests of AA cells; the others
# common practice.
_CELL_VOLTS = {
    "alkaline": 1.5, "zinc": 1.5, "nimh": 1.2, "nicd": 1.2, "rechargeable": 1.2,
    "lithium": 1.5, "liion": 3.7, "18650": 3.7, "lipo": 3.7,
}  # fmt: skip
_SIZES = "AAAA|AAA|AA|MIGNON|MICRO|BABY|MONO|C|D"
_CELLS = re.compile(
    rf"([0-9]{{1,2}})\s*(?:X|×|\*)?\s*(?:({_SIZES})\b)?\s*([A-Z0-9\-]*?)\s*(?:CELLS?|BATTER(?:Y|IES))?",
    re.IGNORECASE,
)
_BLOCK = re.compile(r"(?<=[0-9V])[\s\-]*(?:block|battery|dc)$", re.IGNORECASE)
# Words of what must never be connected.
_MAINS = re.compile(
    r"\bmains\b|\bwall\b|\bwall-?wart\b|\boutlet\b|\bsocket\b|\bgrid\b|\bac\b|\bvac\b|"
    r"(?<![0-9.])(?:100|110|115|117|120|127|220|230|240|380|400)(?![0-9.])",
    re.IGNORECASE,
)
CAUTION = "battery or isolated low voltage only, never mains, nor anything joined to it"


@dataclass(frozen=True, slots=True)
class Supply:
    """A supply.

    Attributes
    ----------
    volts : float
        Its voltage.
    source : str
        In words: '4 AA cells', or empty where only volts were told.
    note : str
        What should be known of it; may be empty.
    """

    volts: float
    source: str = ""
    note: str = ""


def read_supply(text: str, *, most_v: float = MOST_V) -> Supply:
    """Read what the circuit is fed from.

    Parameters
    ----------
    text : str
        Volts (``6``, ``4.8 V``) or cells (``4 AA``, ``4 AA NiMH``, ``2 LiIon cells``).
    most_v : float
        The most that is taken, volts.

    Returns
    -------
    Supply
        Volts above 0.

    Raises
    ------
    DesignError
        It says mains, is above `most_v`, or is no supply; the caution is in the message.
    """
    plain = text.strip()
    if _MAINS.search(plain):
        raise _mains_refusal(plain, f"a supply up to {most_v:g} V")
    found = _read_cells(plain)
    if found is None:
        bare = _BLOCK.sub("", re.sub(r"(?<=[0-9]),(?=[0-9])", ".", plain))
        try:
            found = Supply(parse_value(bare, "V"))
        except ValueError as fault:
            raise DesignError(
                f"{quote(plain)} is no supply",
                expected="volts such as 6 or 4.8, or cells such as '4 AA'",
                attempt="what a meter reads across the supply",
            ) from fault
    if found.volts > most_v:
        raise _mains_refusal(plain, f"a supply up to {most_v:g} V")
    if found.volts < 0.1:
        raise DesignError(
            f"{quote(plain)} is no supply for a timer",
            expected=f"a supply of some volts, up to {most_v:g} V",
            attempt="what a meter reads across the supply",
        )
    return found


def _read_cells(text: str) -> Supply | None:
    """Read a number of cells, None if it is none."""
    found = _CELLS.fullmatch(text)
    if found is None:
        return None
    count, size, kind = int(found[1]), (found[2] or "").upper(), found[3].lower().replace("-", "")
    is_told = bool(size or kind or "CELL" in text.upper())
    if not is_told or not count or (kind and kind not in _CELL_VOLTS):
        return None
    per_cell_v = _CELL_VOLTS[kind or "alkaline"]
    words = " ".join(word for word in (str(count), size, found[3]) if word)
    note = f"{per_cell_v:g} V a cell; a meter reading while the channel runs is better"
    if not kind:
        note += "; rechargeable cells (NiMH) have 1.2 V each: say '4 AA NiMH'"
    return Supply(round(count * per_cell_v, 6), f"{words} cell{'s' * (count > 1)}", note)


def _mains_refusal(text: str, expected: str) -> DesignError:
    """Return the error for what must not be connected."""
    return DesignError(
        f"supply {quote(text)} is not for this",
        expected=f"{expected}: {CAUTION}; work on mains belongs to licensed people, and local "
        "codes come first",
        attempt="cells, such as 4 AA (6 V)",
    )
