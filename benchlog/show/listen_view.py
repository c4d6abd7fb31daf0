"""What an input hears and what it is good for, as a person reads it."""

from __future__ import annotations

import math
import shutil
import sys
import textwrap
from typing import TYPE_CHECKING

from benchlog.show.listen_news import US_PER_DEG, ClockNews, InputNews, bias_us_of, in_db
from benchlog.show.pulse_view import with_uncertainty
from benchlog.show.terminal import key_value_table, screen_width, show, warn

if TYPE_CHECKING:
    from rich.table import Table as TextTable

    from benchlog.timing.input_quality import InputQuality

__all__ = ["show_listened", "show_loopback_caution"]

_LOOPBACK = (
    "A train of pulses will be played through the output that you named: a loud, harsh buzz.",
    "Headphones off the ears, and loudspeakers unplugged or turned off: it must go into a lead.",
    "Turn the output down to a quarter first; raise it until listen no longer calls it weak.",
    "Lead from the output socket to the input socket, and nothing else joined to it: no channel, "
    "no servo, no supply.",
)

_TURN_OFF = (
    "Windows: in the sound settings open the input's properties, and turn off enhancements, noise "
    "suppression and automatic gain; close programs for calls, which turn them on.",
    "macOS: choose the standard microphone mode, and no ambient noise reduction, while recording.",
    "Linux: switch automatic gain off in the sound card's mixer, and take noise suppression and "
    "echo cancelling out of the sound server.",
    "Everywhere: a plain USB input with a line socket has none; wireless headsets always have.",
)

_NEXT = {
    "room": (
        "Try another input (benchlog inputs lists them), or the next socket: many computers keep "
        "to their own microphone until a plug with four contacts is in.",
    ),
    "hum": (
        "Check that the clip is on the output pin, that the ground lead is joined to the "
        "channel's minus, and that the plug is all the way in.",
    ),
    "nothing": (
        "Check that the channel has its supply, that clip and ground are joined, that the input is "
        "not muted and its level not at zero, and that this is the socket of that input.",
    ),
    "too much": (
        "Lower the input level in the system's sound settings; if that does not help, the divider "
        "leaves too much (benchlog wire).",
    ),
}


def show_listened(
    file: str | None,
    rate_hz: float,
    news: list[InputNews],
    clock: ClockNews | None,
    gap_count: int,
    stored: str | None,
) -> None:
    """Show all that was found out on standard output.

    Parameters
    ----------
    file, rate_hz, news, clock, gap_count
        As for `listened_to_json`.
    stored : str or None
        Where a profile was kept.
    """
    items: list[str | TextTable] = [file] if file is not None else []
    for one in news:
        items += _tell_input(one, rate_hz)
    if gap_count:
        items += _wrapped(f"  warning: samples were lost in {gap_count} place(s) meanwhile")
    if clock is not None:
        items += _wrapped(_tell_clock(clock))
    if stored is not None:
        items += _wrapped(f"Kept as {stored}")
    show(*items)


def _tell_input(one: InputNews, rate_hz: float) -> list[str | TextTable]:
    """Tell one input: the verdict, why, what it is good for, what to do."""
    kind = one.hearing.kind
    if one.same_as is not None:
        return [f"Input {one.number}: the same as input {one.same_as}."]
    items: list[str | TextTable] = []
    items += _wrapped(f"Input {one.number}: {_verdict(one)}")
    items += _wrapped(f"  {_why(one, rate_hz)}")
    for text in _NEXT.get(kind, ()):
        items += _wrapped(f"  {text}")
    if one.quality is not None:
        items.append(key_value_table(_quality_rows(one.quality)))
        for notice in one.quality.notices:
            items += _wrapped(f"  {'warning' if notice.spoils else 'note'}: {notice.text}")
        if one.quality.gain.at_work:
            items.append("  How to turn it off:")
            for text in _TURN_OFF:
                items += _wrapped(f"    - {text}")
    return items


def _verdict(one: InputNews) -> str:
    """Say in one sentence what is heard."""
    kind = one.hearing.kind
    if kind == "pulse" and one.quality is not None:
        width = one.quality.measurement.width
        period_ms = 1e3 * one.quality.measurement.period.mean_s
        pulse = with_uncertainty(width.mean_s * 1e6, width.u_s * 1e6)
        return f"this is your pulse: {pulse} µs, every {period_ms:.2f} ms."
    hum_hz = one.hearing.evidence.hum_hz or 0.0
    evidence = one.hearing.evidence
    silence = "silence." if abs(evidence.mean) < 0.05 else "a steady level, without a step in it."
    return {
        "pulse": "this is a pulse.",
        "room": "you are hearing the room, not the wire.",
        "hum": f"you are hearing hum at {hum_hz:.0f} Hz, as an open lead picks it up.",
        "nothing": silence if evidence.rms < 3.2e-5 else "nothing but the input's own faint hiss.",
        "too much": "this is too much: the signal is cut off at the end of the scale.",
    }[kind]


def _why(one: InputNews, rate_hz: float) -> str:
    """Say in numbers why."""
    evidence = one.hearing.evidence
    if evidence.rms == 0.0:
        return "Every sample is the same."
    loud = (
        f"loudness {in_db(evidence.rms):.0f} dB, peak {in_db(evidence.peak):.0f} dB of full scale"
    )
    kind = one.hearing.kind
    if kind in ("pulse", "too much") and evidence.explained > 0:
        return (
            f"{evidence.edge_count} steps of one height at {rate_hz:g} samples a second; a train "
            f"of pulses explains {100 * evidence.explained:.1f} % of what is heard."
        )
    if kind == "too much":
        return f"{100 * evidence.rail_share:.0f} % of the samples are at the end of the scale."
    if kind == "hum":
        return f"{100 * evidence.hum_share:.0f} % of what is heard is hum ({loud})."
    if kind == "nothing":
        return f"There are no steps in it ({loud})."
    return f"There is no train of equal steps in it, but other sound ({loud})."


def _quality_rows(quality: InputQuality) -> list[tuple[str, str]]:
    """Lay out what an input is good for."""
    level = quality.active_level
    turned = "" if level == "high" else ": this input turns it over"
    sure = "" if quality.polarity_sure else " (maybe)"
    scatter_us = quality.width_scatter_s * 1e6
    bias_us, u_bias_us = bias_us_of(quality)
    worst_us = max(abs(bias_us) + 2.0 * u_bias_us, 0.01)
    return [
        ("polarity", f"the pulse is the {level} part{turned}{sure}"),
        ("coupling", _tell_coupling(quality)),
        ("edges", _tell_edges(quality)),
        (
            "noise",
            f"{in_db(quality.noise):.1f} dB of full scale, "
            f"{in_db(quality.step) - in_db(quality.noise):.0f} dB below the pulse",
        ),
        ("hum", _tell_hum(quality)),
        ("level", _tell_level(quality)),
        ("gain", _tell_gain(quality)),
        (
            "scatter",
            f"the input adds {scatter_us:.2f} µs ({scatter_us / US_PER_DEG:.3f}° of arm) to a "
            "single pulse",
        ),
        (
            "bias",
            f"the mean pulse is off by no more than {worst_us:.2f} µs "
            f"({worst_us / US_PER_DEG:.3f}° of arm)",
        ),
        ("", f"(at {US_PER_DEG:.1f} µs a degree, as usual servos have it)"),
    ]


def _tell_coupling(quality: InputQuality) -> str:
    """Tell corner and order of the coupling."""
    corners = [
        f"{with_uncertainty(corner, u)} Hz"
        for corner, u in zip(quality.corners_hz, quality.u_corners_hz, strict=True)
    ]
    if not corners:
        return "none, or below what can be seen (it passes steady levels)"
    sag = 1.0 - math.exp(-2.0 * math.pi * sum(quality.corners_hz) * 1.5e-3)
    tail = f"; a level sags by {100 * sag:.0f} % in 1.5 ms, which is undone"
    if len(corners) == 1:
        return f"one stage, {corners[0]}{tail}"
    return f"two stages, {corners[0]} and {corners[1]}{tail}"


def _tell_edges(quality: InputQuality) -> str:
    """Tell bandwidth and shape."""
    if quality.rise_s is None:
        return "too few to learn their shape"
    reach = (
        "up to half the sample rate"
        if quality.bandwidth_hz is None
        else f"up to {quality.bandwidth_hz / 1e3:.1f} kHz"
    )
    shape = (
        "alike before and after (linear phase)"
        if quality.symmetric
        else "ringing after (minimum phase)"
    )
    return f"{reach}; one takes {quality.rise_s * 1e6:.1f} µs, {shape}"


def _tell_hum(quality: InputQuality) -> str:
    """Tell the hum."""
    if quality.hum_hz is None:
        return f"none above {in_db(quality.hum_floor):.0f} dB of full scale"
    below = in_db(quality.step) - in_db(quality.hum_rms)
    return (
        f"{quality.hum_hz:.2f} Hz, {in_db(quality.hum_rms):.1f} dB of full scale, "
        f"{below:.0f} dB below the pulse"
    )


def _tell_level(quality: InputQuality) -> str:
    """Tell how much of the scale is used."""
    clipping = quality.clipping
    if clipping.level is not None:
        return (
            f"cut off at {in_db(clipping.level):.1f} dB of full scale "
            f"({100 * clipping.share:.1f} % of the samples)"
        )
    room_db = abs(in_db(clipping.peak))
    return f"the largest sample is {room_db:.1f} dB below full scale: nothing cut off"


def _tell_gain(quality: InputQuality) -> str:
    """Tell whether the gain changes."""
    gain = quality.gain
    if gain.at_work is None:
        return "too short to tell: listen for ten seconds"
    if gain.at_work:
        return "changes: automatic gain or noise suppression is at work"
    return f"steady within {max(gain.change_db, 0.01):.2f} dB over {gain.watched_s:.0f} s"


def _tell_clock(clock: ClockNews) -> str:
    """Tell the clock in sentences."""
    fit = clock.fit
    if not clock.useful:
        return (
            f"Clock: its samples came too unevenly to tell (± {2.0 * clock.u_ppm:.0f} ppm after "
            f"{fit.duration_s:.0f} s): compare for longer, with little else running."
        )
    way = "fast" if fit.ppm >= 0 else "slow"
    on_pulse_us = abs(fit.ppm) * 1.5e-3
    set_by = {
        True: "network time sets this computer's clock, which counts as good to",
        False: "nothing sets this computer's clock, which counts as good to",
        None: "whether network time sets this computer's clock is not known; it counts as good to",
    }[clock.system.network_time]
    return (
        f"Clock: it runs {abs(fit.ppm):.1f} ± {2.0 * clock.u_ppm:.1f} ppm {way}, "
        f"{on_pulse_us:.2f} µs on a pulse of 1500 µs (compared for {fit.duration_s:.0f} s to "
        f"± {2.0 * fit.u_ppm:.1f} ppm; {set_by} {clock.system.half_width_ppm:g} ppm)."
    )


def _wrapped(text: str) -> list[str]:
    """Break a sentence into lines of the screen, those after the first indented."""
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    width = max(screen_width() - 1, 20)
    return textwrap.wrap(text, width, subsequent_indent=indent, break_long_words=False)


def show_loopback_caution() -> None:
    """Write what to mind before a signal is played out, to standard error."""
    width = shutil.get_terminal_size().columns if sys.stderr.isatty() else 0
    warn("Before the signal is played out:")
    for caution in _LOOPBACK:
        line = f"  - {caution}"
        lines = textwrap.wrap(line, max(width - 1, 20), subsequent_indent="    ")
        for part in lines if width else [line]:
            warn(part)
