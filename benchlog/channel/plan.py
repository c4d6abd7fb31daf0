"""What a channel should be: its parts, knob, servo and limits."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.channel.diode import Diode
from benchlog.channel.knob import Knob
from benchlog.channel.parts import Part
from benchlog.channel.servo import Servo
from benchlog.channel.servo_entries import embed_servo
from benchlog.channel.timer import TimerFamily

__all__ = ["Design", "Limits"]


@dataclass(frozen=True, slots=True)
class Limits:
    """What counts as right.

    Attributes
    ----------
    deviation_s : float
        Of a pulse from its design value, seconds.
    jitter_s : float
        Standard deviation of the width within a recording, seconds.
    period_fraction : float
        Standard deviation of the period within a recording, as a fraction of it.
    """

    deviation_s: float = 20e-6
    jitter_s: float = 4e-6
    period_fraction: float = 0.01


@dataclass(frozen=True, slots=True)
class Design:
    """What a channel should be.

    Attributes
    ----------
    channel : str
        Its name.
    supply : Part
        Supply, volts.
    timer : TimerFamily
        The timer's family.
    r_on, r_knob, r_off, c_timing : Part
        The timer's parts. Where a trimmer stands in series the value is that with the
        trimmer at its middle, and the tolerance spans its whole turn.
    diode : Diode
        The steering diode.
    diode_model : str or None
        Its type where it was named by type, ``"none"`` where there is no diode.
    diode_tolerance : float
        Rectangular half-width of the natural logarithm of its saturation current.
    knob : Knob
        The knob.
    servo : Servo
        The servo.
    limits : Limits
        What counts as right.
    temperature_c : float
        Ambient temperature, degrees Celsius.
    r_on_trimmer_ohm, r_off_trimmer_ohm : float
        Trimmers in series, ohms; 0 for none.
    text : str
        The design file's text.
    """

    channel: str
    supply: Part
    timer: TimerFamily
    r_on: Part
    r_knob: Part
    r_off: Part
    c_timing: Part
    diode: Diode
    diode_model: str | None
    diode_tolerance: float
    knob: Knob
    servo: Servo
    limits: Limits
    temperature_c: float
    r_on_trimmer_ohm: float = 0.0
    r_off_trimmer_ohm: float = 0.0
    text: str = ""

    @property
    def parts(self) -> tuple[Part, ...]:
        """The four timer parts: r_on, r_knob, r_off, c_timing."""
        return (self.r_on, self.r_knob, self.r_off, self.c_timing)

    @property
    def whole_text(self) -> str:
        """The design file's text with the figures of a servo that it only names written out.

        What is kept of a design, beside a table or a batch, is this: it means the same for ever.
        """
        return self.text if self.servo.name is None else embed_servo(self.text, self.servo)

    @property
    def warnings(self) -> tuple[tuple[str, str], ...]:
        """What is not wrong but should be known, as pairs of a code and a sentence."""
        return (
            *self.supply_warnings(self.supply.value),
            *self._trimmer_warnings(),
            *self._servo_warnings(),
        )

    def supply_warnings(self, supply_v: float) -> tuple[tuple[str, str], ...]:
        """Return the warning that a supply in volts lies outside the timer family's range."""
        low, high = self.timer.supply_min_v, self.timer.supply_max_v
        if low <= supply_v <= high:
            return ()
        text = (
            f"the supply of {supply_v:.3g} V is outside what {self.timer.name} timers are made "
            f"for ({low:g} to {high:g} V): the figures may not hold"
        )
        if supply_v > high:
            text += ", and the timer may be damaged"
        return (("supply-range", text),)

    def _trimmer_warnings(self) -> tuple[tuple[str, str], ...]:
        """Return that figures hold with trimmers at their middle."""
        both = (("r_on", self.r_on_trimmer_ohm), ("r_off", self.r_off_trimmer_ohm))
        named = " and ".join(name for name, trimmer_ohm in both if trimmer_ohm)
        if not named:
            return ()
        return (("trimmer-middle", f"the trimmer at {named} is taken to stand at its middle"),)

    def _servo_warnings(self) -> tuple[tuple[str, str], ...]:
        """Return that nobody looked up or measured the servo's range."""
        servo = self.servo
        if not servo.assumed:
            return ()
        text = (
            f"the servo's range of {servo.pulse_min_s * 1e6:g} to {servo.pulse_max_s * 1e6:g} µs "
            "is assumed: 'benchlog servo NAME' leads through finding its own"
        )
        return (("servo-assumed", text),)
