"""Timers, diodes, knobs and supplies by what stands on them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.channel.part_names import question_knob, read_diode, read_knob, read_timer
from benchlog.channel.supply import read_supply
from benchlog.errors import DesignError


@pytest.mark.parametrize(
    ("marking", "family"),
    [
        # NE555, TLC555 and LMC555: data sheets of TI (SLFS022, SLFS043, SNAS558); the others
        # from memory of the makers' type lists.
        ("NE555", "bipolar"),
        ("NE555P", "bipolar"),
        ("lm555cn", "bipolar"),
        ("NA555D", "bipolar"),
        ("SE555", "bipolar"),
        ("SA 555", "bipolar"),
        ("NE556N", "bipolar"),
        ("TLC555CP", "cmos"),
        ("TLC551", "cmos"),
        ("LMC555", "cmos"),
        ("ICM7555IPAZ", "cmos"),
        ("7555", "cmos"),
        ("TS555CN", "cmos"),
        ("CMOS", "cmos"),
        ("bipolar", "bipolar"),
        ("unknown", "ideal"),
    ],
)
def test_read_timer(marking: str, family: str) -> None:
    assert read_timer(marking).name == family


@pytest.mark.parametrize("marking", ["555", "", "NE5555", "XYZ555", "TLC", "[red]", "4017"])
def test_what_tells_no_family(marking: str) -> None:
    with pytest.raises(DesignError, match="does not tell the timer's family"):
        read_timer(marking)


@pytest.mark.parametrize(
    ("marking", "name"),
    [
        ("1N4148", "1N4148"),
        ("1n 4148", "1N4148"),
        ("N914", "1N914"),
        ("1N4007", "1N4007"),
        ("1N4001", "1N4007"),
        ("bat54", "BAT54"),
        ("1N5818", "1N5819"),
        ("none", "none"),
    ],
)
def test_read_diode(marking: str, name: str) -> None:
    named = read_diode(marking)
    assert named.name == name
    same = marking.replace(" ", "").upper() in (name, name.upper(), name[1:])
    assert bool(named.note) is (not same or name == "none")


def test_an_unknown_diode_names_the_nearest() -> None:
    with pytest.raises(DesignError, match=r"no figures are known for a diode '1N4149'.*1N4148"):
        read_diode("1N4149")


@pytest.mark.parametrize(
    ("marking", "ohm", "letter", "taper", "tolerance"),
    [
        ("B100K", 100e3, "B", None, None),
        ("a50k", 50e3, "A", None, None),
        ("100kB", 100e3, "B", None, None),
        ("C 1M", 1e6, "C", None, None),
        ("100k", 100e3, "", None, None),
        ("104", 100e3, "", None, None),
        ("A473", 47e3, "A", None, None),
        ("100k lin", 100e3, "", "linear", None),
        ("log 10k", 10e3, "", "log", None),
        ("B100K 20%", 100e3, "B", None, 0.20),
        ("500R", 500.0, "", None, None),
    ],
)
def test_read_knob(
    marking: str, ohm: float, letter: str, taper: str | None, tolerance: float | None
) -> None:
    knob = read_knob(marking)
    assert (knob.marking.value, knob.letter, knob.taper) == (ohm, letter, taper)
    assert knob.marking.tolerance == tolerance
    assert bool(knob.letter_note) is bool(letter)


def test_the_letter_alone_does_not_settle_the_taper() -> None:
    # Makers differ: B is linear with most today and was log with others (common practice).
    note = read_knob("B100K").letter_note
    assert "others the reverse" in note
    assert "meter" in note


@pytest.mark.parametrize("marking", ["", "50", "hello", "B", "lin log 10k", "10k lin log", "[b]"])
def test_what_is_no_knob(marking: str) -> None:
    with pytest.raises(DesignError, match=r"is no knob|is no resistor"):
        read_knob(marking)


def test_a_knob_that_can_be_read_twice_is_asked_about() -> None:
    with pytest.raises(DesignError, match="may be 500 Ω, or the code of 50 Ω"):
        read_knob("B500")


@pytest.mark.parametrize(("marking", "usual"), [("B100K", True), ("47k", True), ("68k", False)])
def test_question_knob(marking: str, usual: bool) -> None:
    assert question_knob(read_knob(marking))[1] is usual


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("6", 6.0),
        ("4.8 V", 4.8),
        ("4,5", 4.5),
        # 1.5 V nominal of an alkaline AA cell; 1.2 V of NiMH (common practice)
        ("4 AA", 6.0),
        ("4xAA", 6.0),
        ("3 cells", 4.5),
        ("4 AA NiMH", 4.8),
        ("2 Li-Ion cells", 7.4),
        ("9V block", 9.0),
    ],
)
def test_read_supply(text: str, volts: float) -> None:
    assert read_supply(text).volts == pytest.approx(volts, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    ["mains", "Mains 12 V", "230", "230V", "120 V", "110", "wall wart", "12 V wall", "outlet",
     "12 VAC", "16", "15.1", "1000", "24 V", "11 AA"],
)  # fmt: skip
def test_mains_and_more_than_15_volts_are_refused_with_the_caution(text: str) -> None:
    with pytest.raises(DesignError, match=r"never mains.*licensed people.*local codes"):
        read_supply(text)


@pytest.mark.parametrize("text", ["", "AA", "six", "0", "-6", "nan", "inf", "4 AA Foo", "6 A"])
def test_what_is_no_supply(text: str) -> None:
    with pytest.raises(DesignError, match="is no supply"):
        read_supply(text)


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    for read in (read_timer, read_diode, read_knob, read_supply):
        try:
            read(text)
        except DesignError as error:
            refusal = str(error)
        else:
            refusal = "read"
        assert refusal.isprintable()
