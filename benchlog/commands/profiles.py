"""What a kept profile of an input says for a recording that names it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level
from benchlog.errors import StoreError

if TYPE_CHECKING:
    from benchlog.capture.profile import Profile
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.recording import EdgeList, Samples
    from benchlog.timing.notices import Notice

__all__ = ["Clock", "InputKnowledge", "bench_of", "clock_of", "know_input", "set_right"]


@dataclass(frozen=True, slots=True)
class Clock:
    """What is known of the clock of a recording.

    Attributes
    ----------
    ppm : float
        By how much it runs fast; times are divided by 1 + ppm / 1e6.
    half_width_ppm : float
        Half-width of what it may still be off (rectangular).
    """

    ppm: float
    half_width_ppm: float


@dataclass(frozen=True, slots=True)
class InputKnowledge:
    """What is known of the input of a recording beyond the recording itself.

    Attributes
    ----------
    level : str or None
        'high' or 'low': which part is the pulse.
    clock : Clock
        The recorder's clock.
    notices : tuple of Notice
        What could not be used, and why.
    """

    level: Level | None
    clock: Clock
    notices: tuple[Notice, ...]


def bench_of(record: Path) -> Bench | None:
    """Return the bench folder that a recording lies in, None where it lies in none."""
    from benchlog.capture.store import Bench

    captures = record.absolute().parent.parent
    return Bench(captures.parent) if captures.name == "captures" else None


def clock_of(sidecar: Sidecar | None, bench: Bench | None) -> Clock:
    """Return what is known of the clock that a recording was made with.

    Parameters
    ----------
    sidecar : Sidecar or None
        What is known of the recording.
    bench : Bench or None
        Where its profile is kept.

    Returns
    -------
    Clock
        That of the profile which the sidecar names, where it was measured at the record's rate;
        else one that may be off by the usual.
    """
    return _know(sidecar, bench).clock


def know_input(path: Path, sidecar: Sidecar | None) -> InputKnowledge:
    """Return what sidecar and profile say of a recording's input.

    Parameters
    ----------
    path : Path
        The recording.
    sidecar : Sidecar or None
        What is known of it.

    Returns
    -------
    InputKnowledge
        The sidecar's word goes before the profile's.
    """
    return _know(sidecar, bench_of(path))


def set_right(
    recording: Samples | tuple[EdgeList, ...], clock: Clock
) -> Samples | tuple[EdgeList, ...]:
    """Take a known error of the recorder's clock out of a recording's times."""
    if isinstance(recording, tuple) or clock.ppm == 0.0:
        return recording
    # a clock that runs fast takes more samples in a second than it says
    return replace(recording, rate_hz=recording.rate_hz * (1.0 + clock.ppm * 1e-6))


def _know(sidecar: Sidecar | None, bench: Bench | None) -> InputKnowledge:
    """Read the profile that a sidecar names, and say what it gives."""
    from benchlog.timing.notices import Notice
    from benchlog.timing.pulses import CLOCK_PPM

    usual = Clock(0.0, CLOCK_PPM)
    level = sidecar.active_level if sidecar is not None else None
    if sidecar is None or sidecar.profile is None:
        return InputKnowledge(level, usual, ())
    profile: Profile | None = None
    reason = f"the input's profile {sidecar.profile} is not in this bench folder"
    if bench is not None:
        from benchlog.capture.profile import read_profile

        try:
            profile = read_profile(bench, sidecar.profile)
        except StoreError as error:
            reason = error.found
    if profile is None:
        text = f"{reason}, so the clock counts as unknown"
        return InputKnowledge(level, usual, (Notice("no-profile", text),))
    level = level or profile.active_level
    half_width = math.sqrt(3.0) * (profile.u_clock_ppm or 0.0)
    if profile.clock_ppm is None or profile.u_clock_ppm is None or half_width > CLOCK_PPM:
        return InputKnowledge(level, usual, ())
    if sidecar.rate_hz is None or abs(sidecar.rate_hz / profile.rate_hz - 1.0) > 1e-6:
        told = "no rate" if sidecar.rate_hz is None else f"{sidecar.rate_hz:g} Hz"
        text = (
            f"the profile {profile.name} knows the clock at {profile.rate_hz:g} Hz, the record has "
            f"{told}, so the clock counts as unknown"
        )
        return InputKnowledge(level, usual, (Notice("other-rate", text),))
    return InputKnowledge(level, Clock(profile.clock_ppm, half_width), ())
