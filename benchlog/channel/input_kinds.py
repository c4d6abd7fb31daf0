"""Sound inputs by kind, and what a timer's output gives: assumed figures and where they are from.

Inputs differ by a factor of two and more from model to model; these are figures to begin with,
and what is heard says more. No figure of a particular model stands here.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["INPUTS", "OUTPUTS", "SHARED_FACTS", "Fact", "InputKind", "TimerOutput"]


@dataclass(frozen=True, slots=True)
class Fact:
    """A figure, and how it is known.

    Attributes
    ----------
    what : str
        The figure in words.
    source : str
        A publication, or 'common practice'.
    status : str
        ``stored copy`` (the publication was read), ``computed``, or ``from memory``.
    """

    what: str
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class InputKind:
    """A kind of sound input.

    Attributes
    ----------
    name : str
        ``line``, ``microphone`` or ``headset``.
    full_scale_v : float
        Assumed peak voltage at which it reads full scale.
    input_ohm : float
        Assumed resistance of the input itself to signals, ohms.
    input_low_ohm, input_high_ohm : float
        Between which that lies from model to model.
    bias_v, bias_ohm : float
        Voltage that it puts out to feed a microphone, and through what; 0 and 0 for none.
    bias_high_v : float
        The most that is met.
    lower_ohm : tuple of float or None
        Between which resistances from the signal contact to ground it takes what is plugged in
        for a microphone; None where it does not look.
    contacts : tuple of str
        The plug's contacts from the tip on, and what each is for.
    facts : tuple of Fact
        Where the figures are from.
    """

    name: str
    full_scale_v: float
    input_ohm: float
    input_low_ohm: float
    input_high_ohm: float
    bias_v: float
    bias_ohm: float
    bias_high_v: float
    lower_ohm: tuple[float, float] | None
    contacts: tuple[tuple[str, str], ...]
    facts: tuple[Fact, ...]

    @property
    def load_ohm(self) -> float:
        """The input's resistance to signals, the bias resistor beside it."""
        return _beside(self.input_ohm, self.bias_ohm)

    @property
    def load_range_ohm(self) -> tuple[float, float]:
        """The least and the greatest resistance to signals from model to model."""
        return (
            _beside(self.input_low_ohm, self.bias_ohm),
            _beside(self.input_high_ohm, self.bias_ohm),
        )


def _beside(input_ohm: float, bias_ohm: float) -> float:
    """Return an input's resistance with the bias resistor, if there is one, in parallel."""
    return 1 / (1 / input_ohm + 1 / bias_ohm) if bias_ohm else input_ohm


_BIAS_FACT = Fact(
    "2 to 5 V behind 2.2 kΩ feed an electret microphone; 2.5 V taken",
    "common practice",
    "from memory",
)
_MICROPHONE_FACT = Fact(
    "full scale at 0.1 V peak with the gain low and no boost (10 to 300 mV are met)",
    "common practice",
    "from memory",
)
_MICROPHONE_INPUT_FACT = Fact(
    "10 kΩ beside the bias resistor (2 to 50 kΩ are met)", "common practice", "from memory"
)

INPUTS: dict[str, InputKind] = {
    "line": InputKind(
        name="line",
        full_scale_v=1.0,
        input_ohm=10e3,
        input_low_ohm=7e3,
        input_high_ohm=50e3,
        bias_v=0.0,
        bias_ohm=0.0,
        bias_high_v=0.0,
        lower_ohm=None,
        contacts=(
            ("tip", "left input: the signal"),
            ("ring", "right input: leave it open, or a second channel's divider"),
            ("sleeve", "ground"),
        ),
        facts=(
            Fact(
                "consumer line level is -10 dBV: 0.316 V rms, 0.447 V peak",
                "published level standards; computed",
                "stored copy",
            ),
            Fact("full scale 7 dB above that: 1 V peak", "common practice", "from memory"),
            Fact("10 kΩ input resistance (7 to 50 kΩ are met)", "common practice", "from memory"),
        ),
    ),
    "microphone": InputKind(
        name="microphone",
        full_scale_v=0.1,
        input_ohm=10e3,
        input_low_ohm=2e3,
        input_high_ohm=50e3,
        bias_v=2.5,
        bias_ohm=2200.0,
        bias_high_v=5.0,
        lower_ohm=None,
        contacts=(
            ("tip", "the signal, with the bias on it"),
            ("ring", "bias, or a second input: leave it open"),
            ("sleeve", "ground"),
        ),
        facts=(_MICROPHONE_FACT, _MICROPHONE_INPUT_FACT, _BIAS_FACT),
    ),
    "headset": InputKind(
        name="headset",
        full_scale_v=0.1,
        input_ohm=10e3,
        input_low_ohm=2e3,
        input_high_ohm=50e3,
        bias_v=2.5,
        bias_ohm=2200.0,
        bias_high_v=3.0,
        lower_ohm=(1500.0, 2200.0),
        contacts=(
            ("tip", "left headphone, an output: leave it open"),
            ("first ring", "right headphone, an output: leave it open"),
            ("second ring", "ground (the newer order), or microphone (the older)"),
            ("sleeve", "microphone (the newer order), or ground (the older)"),
        ),
        facts=(
            _MICROPHONE_FACT,
            _MICROPHONE_INPUT_FACT,
            _BIAS_FACT,
            Fact(
                "some kΩ from microphone to ground are taken for a microphone, some hundred ohms "
                "for a button pressed, an open contact for no microphone",
                "common practice",
                "from memory",
            ),
            Fact(
                "two orders of contacts are in use: tip, ring, ground, microphone (the one that "
                "the trade calls CTIA), and tip, ring, microphone, ground (OMTP)",
                "common practice",
                "from memory",
            ),
        ),
    ),
}
"""The kinds that `choose_divider` knows, by name."""


@dataclass(frozen=True, slots=True)
class TimerOutput:
    """What a timer family's output gives into some kilohms.

    Attributes
    ----------
    drop_v : float
        How far its high level stays below the supply at next to no current.
    drop_low_v, drop_high_v : float
        Between which that lies.
    source_ohm : float
        Further drop for each ampere, ohms.
    facts : tuple of Fact
        Where the figures are from.
    """

    drop_v: float
    drop_low_v: float
    drop_high_v: float
    source_ohm: float
    facts: tuple[Fact, ...]


OUTPUTS: dict[str, TimerOutput] = {
    "ideal": TimerOutput(0.0, 0.0, 0.0, 0.0, (Fact("an ideal output", "definition", "computed"),)),
    "cmos": TimerOutput(
        0.0,
        0.0,
        0.05,
        200.0,
        (
            Fact(
                "TLC555 at 5 V: high 4.8 V at 1 mA, so 200 Ω; low 0.21 V at 8 mA",
                "TI SLFS043C p. 9",
                "stored copy",
            ),
            Fact(
                "LMC555 at 5 V: high 4.7 V at 2 mA; low 0.3 V at 8 mA",
                "TI SNAS558J p. 4",
                "stored copy",
            ),
        ),
    ),
    "bipolar": TimerOutput(
        1.5,
        1.1,
        1.8,
        2.0,
        (
            Fact(
                "NE555 at 5 V: high 3.3 V at 100 mA (2.75 V at least); low 0.1 V at 5 mA",
                "TI SLFS022A p. 4",
                "stored copy",
            ),
            Fact(
                "at next to no current it stays some 1.5 V below its supply",
                "common practice",
                "from memory",
            ),
        ),
    ),
}
"""What each timer family's output gives, by name."""

SHARED_FACTS = (
    Fact("a metre of screened cable has 100 pF", "common practice", "from memory"),
    Fact(
        "the resistors' values are the E12 series; their tolerance is taken as 5 %",
        "IEC 60063; common practice",
        "from memory",
    ),
    Fact(
        "1N4148: saturation current 2.52 nA, emission 1.752",
        "common public SPICE library line",
        "stored copy",
    ),
)
"""What every divider assumes."""
