"""What stands on timers, diodes and knobs: names of the trade, and what they are taken for."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from benchlog.channel.markings import Marking, read_resistor
from benchlog.channel.preferred import find_series
from benchlog.channel.quoting import quote
from benchlog.errors import DesignError
from benchlog.units import format_value

__all__ = ["KnobMarking", "Named", "question_knob", "read_diode", "read_knob", "read_timer"]


@dataclass(frozen=True, slots=True)
class Named:
    """A part's name, and what it is taken for.

    Attributes
    ----------
    name : str
        As a design file holds it: a timer family or a diode type.
    marking : str
        What stands on the part, without blanks and in capitals; empty where that was not told.
    note : str
        What should be known of it; may be empty.
    """

    name: str
    marking: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class KnobMarking:
    """What stands on a knob's potentiometer.

    Attributes
    ----------
    marking : Marking
        Its resistance.
    taper : {"linear", "log"} or None
        Where a word says it; a letter alone does not.
    letter : str
        The letter beside the value; empty for none.
    """

    marking: Marking
    taper: str | None
    letter: str

    @property
    def letter_note(self) -> str:
        """What the letter may mean; empty without one."""
        if not self.letter:
            return ""
        return (
            f"The letter {self.letter} does not settle the taper: most makers now write B for "
            "linear and A for log, others the reverse, and C is used for both log and reverse log. "
            "A meter tells: at the middle of the travel, wiper to the anticlockwise end, a linear "
            "one has half of its resistance, a log one a tenth to a fifth."
        )


# NE555, TLC555 and LMC555 are in the data sheets that FAMILIES names; the rest from memory of
# the makers' type lists.
_BIPOLAR = ("NE", "SE", "NA", "SA", "LM", "RC", "UA", "CA", "KA", "MC1", "NJM", "XR")
_CMOS = ("TLC", "LMC", "ICM7", "TS", "CSS", "ALD", "KS")
_TIMER = re.compile(r"([A-Z]+[17]?)?(?:555|551|556)(?![0-9])([A-Z0-9/\-]*)")
_FAMILY_WORDS = ("cmos", "bipolar", "ideal")
_UNKNOWN_TIMER = ("UNKNOWN", "?", "NONE")


def read_timer(text: str) -> Named:
    """Read what stands on a timer.

    Parameters
    ----------
    text : str
        Such as ``NE555P``, ``TLC555``, ``ICM7555``; or a family: ``cmos``, ``bipolar``,
        ``ideal``; or ``unknown``, which is taken for ideal.

    Returns
    -------
    Named
        The family.

    Raises
    ------
    DesignError
        It is no timer that is known, or its letters do not tell the family.
    """
    plain = re.sub(r"\s+", "", text).upper()
    if plain.lower() in _FAMILY_WORDS:
        return Named(plain.lower())
    if plain in _UNKNOWN_TIMER:
        note = "an unknown timer is taken for an ideal one: exactly a third and two thirds"
        return Named("ideal", note=note)
    plain = plain.removeprefix("CMOS")
    if re.fullmatch(r"7555[A-Z0-9/\-]*", plain):
        plain = "ICM" + plain
    found = _TIMER.fullmatch(plain)
    letters = found[1] or "" if found else ""
    note = "two timers in one case" if found and "556" in plain else ""
    if found and any(letters == one or letters == f"S{one}" for one in _CMOS):
        return Named("cmos", plain, note)
    if found and letters in _BIPOLAR:
        return Named("bipolar", plain, note)
    raise DesignError(
        f"{quote(text)} does not tell the timer's family",
        expected="its marking with the letters before 555, such as NE555, LM555, TLC555, ICM7555",
        attempt="bipolar (NE, LM, SE, NA), cmos (TLC, LMC, ICM7), or unknown",
    )


# Diodes that are made like one of the types with a published set (common practice).
_LIKE_DIODES = {
    "1N4448": "1N4148", "1N4150": "1N4148", "1N4151": "1N4148", "1N4154": "1N4148",
    "LL4148": "1N4148", "1N914A": "1N914", "1N914B": "1N914", "1N916": "1N914",
    "1N4001": "1N4007", "1N4002": "1N4007", "1N4003": "1N4007", "1N4004": "1N4007",
    "1N4005": "1N4007", "1N4006": "1N4007", "M7": "1N4007",
    "BAT54A": "BAT54", "BAT54C": "BAT54", "BAT54S": "BAT54",
    "1N5817": "1N5819", "1N5818": "1N5819",
}  # fmt: skip
_NO_DIODE_NOTE = (
    "without a diode the capacitor charges through r_off as well: the pulse is longer than the "
    "pause, which no servo follows"
)
_DIODES = ("1N4148", "1N914", "1N4007", "BAT54", "1N5819")


def read_diode(text: str) -> Named:
    """Read what stands on the steering diode.

    Parameters
    ----------
    text : str
        A type such as ``1N4148``; ``none`` where there is no diode.

    Returns
    -------
    Named
        The type as a design file holds it; the note says where it is only taken for one.

    Raises
    ------
    DesignError
        No figures are known for it.
    """
    plain = re.sub(r"[\s\-]+", "", text).upper()
    if plain in ("NONE", "NO"):
        return Named("none", note=_NO_DIODE_NOTE)
    plain = "1" + plain if re.fullmatch(r"N[0-9]{3,4}[A-Z]?", plain) else plain
    if plain in _DIODES:
        return Named(plain, plain)
    if plain in _LIKE_DIODES:
        like = _LIKE_DIODES[plain]
        return Named(like, plain, f"{plain} is taken for its relative {like}")
    near = difflib.get_close_matches(plain, (*_DIODES, *_LIKE_DIODES), n=1, cutoff=0.6)
    raise DesignError(
        f"no figures are known for a diode {quote(text)}",
        expected=f"one of {', '.join(_DIODES)}, none, or a relative such as 1N4001 or 1N4448",
        attempt=near[0] if near else "1N4148, if it is a small glass one",
    )


_TAPER_WORDS = {
    "LIN": "linear", "LINEAR": "linear", "LOG": "log", "LOGARITHMIC": "log", "AUDIO": "log",
}  # fmt: skip
_KNOB = re.compile(
    r"(?:([A-CW])\s*)?([0-9]+(?:[.,][0-9]+)?\s*[KMkmR]?[0-9]*\s*(?:Ω|OHM|ohm|Ohm)?)(?:\s*([A-CW]))?"
)
_KNOB_SERIES = (1.0, 2.0, 2.2, 2.5, 4.7, 5.0)


def read_knob(text: str) -> KnobMarking:
    """Read what stands on the knob's potentiometer.

    Parameters
    ----------
    text : str
        Such as ``B100K``, ``100k``, ``100K lin``, ``A104`` (10 and four zeros), ``100k 10%``.

    Returns
    -------
    KnobMarking
        Resistance, tolerance where it is given, letter, taper where a word tells it.

    Raises
    ------
    DesignError
        It is no such marking.
    """
    words = text.strip().replace("lin.", "lin").replace("log.", "log").split()
    tapers = {_TAPER_WORDS[one.upper()] for one in words if one.upper() in _TAPER_WORDS}
    rest = " ".join(one for one in words if one.upper() not in _TAPER_WORDS)
    percent = re.search(r"(?:±|\+/-|\+-)?\s*[0-9.,]+\s*%", rest)
    bare = (rest.replace(percent[0], "") if percent else rest).strip()
    bare = bare[0].upper() + bare[1:] if bare[:1] in "abcw" and bare else bare
    found = _KNOB.fullmatch(re.sub(r"(?<=[0-9KMkm])([abcw])$", lambda m: m[1].upper(), bare))
    if found is None or len(tapers) > 1:
        raise _knob_refusal(text)
    letter = found[1] or found[3] or ""
    value = _knob_value(text, found[2].strip())
    marking = read_resistor(f"{value} {percent[0] if percent else ''}".strip())
    if marking.value < 100:
        raise _knob_refusal(text)
    return KnobMarking(marking, tapers.pop() if tapers else None, letter)


def _knob_value(text: str, value: str) -> str:
    """Return a knob's value, a code of three digits written out."""
    if not re.fullmatch(r"[0-9]{3}", value):
        return re.sub(r"m(?=[0-9]*$)", "M", value)  # nobody makes a knob of milliohms
    if value[2] == "0":
        raise DesignError(
            f"{quote(text)} may be {value} Ω, or the code of {value[:2]} Ω",
            expected="a knob's resistance that can be read in one way only",
            attempt=f"{value}R or {value[:2]}R",
        )
    return f"{value[:2]}e{value[2]}"


def _knob_refusal(text: str) -> DesignError:
    return DesignError(
        f"{quote(text)} is no knob's marking",
        expected="a resistance of 100 Ω or more, with or without a letter",
        attempt="such as B100K, 100k lin, or 104",
    )


def question_knob(knob: KnobMarking) -> tuple[str, bool]:
    """Tell whether knobs of such a resistance are usual.

    Parameters
    ----------
    knob : KnobMarking
        The knob.

    Returns
    -------
    said : str
        One phrase.
    usual : bool
        Whether it begins with 1, 2, 2.2, 2.5, 4.7 or 5 (common practice).
    """
    value = knob.marking.value
    while value >= 10:
        value /= 10
    if any(abs(value - one) < 1e-6 for one in _KNOB_SERIES):
        return "a usual value for a knob", True
    made = "though an E6 value" if find_series(knob.marking.value, ("E6",)) else "an unusual one"
    shown = format_value(knob.marking.value, "ohm", 4)
    return f"{shown}: {made}; knobs are mostly 10, 25, 47, 50 or 100 kΩ", False
