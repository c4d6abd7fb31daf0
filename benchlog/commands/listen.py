"""`benchlog listen`: what an input hears, and what it is good for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.options import (
    BenchOption,
    InputOption,
    JsonOption,
    Level,
    read_channel_input,
    read_level,
    read_number,
)
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.capture.profile import Profile
    from benchlog.capture.store import Bench
    from benchlog.commands.listened import Listened, Source
    from benchlog.show.listen_news import ClockNews, InputNews

__all__ = ["listen_to_input"]

LONGEST_CLOCK_MIN = 24 * 60.0


def listen_to_input(
    file: Annotated[
        str | None,
        typer.Argument(
            metavar="FILE", help="A recording, in place of an input.", show_default=False
        ),
    ] = None,
    sound_input: InputOption = None,
    channel_input: Annotated[
        str | None,
        typer.Option(
            "--channel-input",
            metavar="N",
            help="Which input of the sound device, from 1 (left) on; else the first two.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[
        str, typer.Option("--seconds", metavar="S", help="How long to listen.")
    ] = "10",
    rate: Annotated[
        str | None,
        typer.Option(
            "--rate",
            metavar="HZ",
            help="Samples per second; else the device's own.",
            show_default=False,
        ),
    ] = None,
    clock: Annotated[
        str | None,
        typer.Option(
            "--clock",
            metavar="MINUTES",
            help="Also set the sample clock against this computer's for so long.",
            show_default=False,
        ),
    ] = None,
    loopback: Annotated[
        str | None,
        typer.Option(
            "--loopback",
            metavar="OUTPUT",
            help="Play a train of pulses through this sound output meanwhile, joined to the "
            "input by a lead: its number or part of its name.",
            show_default=False,
        ),
    ] = None,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse at this input; else the shorter part is.",
            show_default=False,
        ),
    ] = None,
    keep: Annotated[
        str | None,
        typer.Option(
            "--keep",
            metavar="NAME",
            help="Keep what was found as a profile of this name in the bench folder, for "
            "'capture --profile NAME'.",
            show_default=False,
        ),
    ] = None,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Say what an input hears (your pulse, the room, hum, nothing), and what it is good for.

    Polarity, coupling, bandwidth, noise, hum, clipping, automatic gain, and with --clock the
    sample clock. No sound is kept. Exit status 0: it hears a pulse, and well; 1: it hears
    something else, or it spoils the figures; 2: it could not be done.
    """
    from benchlog.show.listen_news import listened_to_json
    from benchlog.show.listen_view import show_listened
    from benchlog.show.terminal import warn

    level = read_level(active)
    source = _read_source(file, sound_input, channel_input, seconds, rate, clock, loopback)
    place = _prepare_keeping(keep, bench)
    heard = _listen(file, source, _read_input(channel_input))
    news = _judge(heard, level)
    clock_news = _judge_clock(heard, source)
    main = _choose(news)
    stored = None
    if place is not None and keep is not None:
        stored = _keep(place, _profile(keep, heard, main, clock_news))
    if heard.cut_short is not None:
        warn(f"listening was cut short: {heard.cut_short}")
    if json_output:
        from benchlog.show.json_output import write_json

        write_json(
            listened_to_json(
                file, heard.rate_hz, news, clock_news, heard.gap_count, keep if stored else None
            )
        )
    else:
        show_listened(file, heard.rate_hz, news, clock_news, heard.gap_count, stored)
    good = main.hearing.kind == "pulse" and main.quality is not None and not main.quality.spoils
    return 0 if good and not (keep is not None and stored is None) else 1


def _read_source(
    file: str | None,
    sound_input: str | None,
    channel_input: str | None,
    seconds: str,
    rate: str | None,
    clock: str | None,
    loopback: str | None,
) -> Source | None:
    """Read what to listen to; None for a file."""
    from benchlog.commands.listened import LONGEST_S, Source

    if (file is None) == (sound_input is None):
        both = file is not None
        raise UsageError(
            "both a file and --input" if both else "listen without an input",
            expected="either --input DEVICE or a recording",
            attempt="benchlog inputs, to see what there is",
        )
    if file is not None:
        for option, text in (("--clock", clock), ("--loopback", loopback), ("--rate", rate)):
            if text is not None:
                raise UsageError(
                    f"{option} together with a file",
                    expected=f"{option} beside --input",
                    attempt="leaving one of the two out",
                )
        return None
    number = _read_input(channel_input)
    minutes = 0.0
    if clock is not None:
        minutes = read_number(clock, "--clock", "minutes", low=0.1, high=LONGEST_CLOCK_MIN)
    return Source(
        device=sound_input or "",
        rate_hz=None
        if rate is None
        else read_number(rate, "--rate", "samples per second", low=1000.0, high=768000.0),
        inputs=number,
        seconds=read_number(seconds, "--seconds", "seconds", low=1.0, high=LONGEST_S),
        clock_s=60.0 * minutes,
        loopback=loopback,
    )


def _read_input(text: str | None) -> tuple[int, ...] | None:
    """Read which input is meant, None for those that there are."""
    number = read_channel_input(text)
    return None if number is None else (number,)


def _prepare_keeping(keep: str | None, bench: str | None) -> Bench | None:
    """Refuse a profile that could not be kept, before listening."""
    if keep is None:
        return None
    from benchlog.capture.profile import check_free
    from benchlog.capture.store import open_bench

    opened = open_bench(Path(bench) if bench is not None else None)
    check_free(opened, keep)
    return opened


def _listen(file: str | None, source: Source | None, inputs: tuple[int, ...] | None) -> Listened:
    """Get the samples, with a bar when it takes long."""
    from benchlog.commands.listened import hear_file, hear_input
    from benchlog.show.terminal import show_progress

    if source is None:
        return hear_file(Path(file or ""), inputs)
    if source.loopback is not None:
        from benchlog.capture.sound_inputs import find_input
        from benchlog.capture.sound_outputs import find_output
        from benchlog.show.listen_view import show_loopback_caution

        find_input(source.device)
        find_output(source.loopback)
        show_loopback_caution()
    with show_progress(f"listening {max(source.seconds, source.clock_s):g} s") as advance:
        return hear_input(source, advance)


def _judge(heard: Listened, level: Level | None) -> list[InputNews]:
    """Say of each input what it hears and what it is good for."""
    import numpy as np

    from benchlog.show.listen_news import InputNews
    from benchlog.show.terminal import show_progress
    from benchlog.timing.hearing import hear_values
    from benchlog.timing.input_quality import judge_input

    news: list[InputNews] = []
    with show_progress("judging") as advance:
        for column, number in enumerate(heard.inputs):
            advance(column / len(heard.inputs))
            values = np.ascontiguousarray(heard.values[:, column])
            same = [one for one in range(column) if np.array_equal(values, heard.values[:, one])]
            if same:
                twin = news[same[0]]
                news.append(InputNews(number, twin.hearing, twin.quality, twin.number))
                continue
            hearing = hear_values(values, heard.rate_hz)
            quality = judge_input(
                values,
                heard.rate_hz,
                hearing,
                active_level=level,
                quantum=heard.quantum,
                input_=number,
            )
            news.append(InputNews(number, hearing, quality))
    return news


def _judge_clock(heard: Listened, source: Source | None) -> ClockNews | None:
    """Set the sample clock against the system's, where that was asked for."""
    if source is None or not source.clock_s:
        return None
    from benchlog.capture.system_clock import judge_system_clock
    from benchlog.show.listen_news import ClockNews
    from benchlog.timing.clock import fit_clock

    fit = fit_clock(heard.frame_count, heard.arrival_s, heard.rate_hz)
    return None if fit is None else ClockNews(fit, judge_system_clock())


def _choose(news: list[InputNews]) -> InputNews:
    """Return the input that hears the pulse best."""

    def rank(one: InputNews) -> tuple[bool, bool, float]:
        quality = one.quality
        ratio = quality.step / max(quality.noise, 1e-9) if quality is not None else 0.0
        sound = quality is not None and not quality.spoils
        return one.hearing.kind == "pulse", sound, ratio

    return max(news, key=rank)


def _profile(
    name: str, heard: Listened, main: InputNews, clock: ClockNews | None
) -> Profile | None:
    """Make a profile of what was found; None where nothing was."""
    from datetime import UTC, datetime

    from benchlog.capture.profile import Profile

    quality = main.quality if main.hearing.kind == "pulse" else None
    useful = clock is not None and clock.useful
    if quality is None and not useful:
        return None
    known: dict[str, Any] = {}
    if quality is not None:
        known = {
            "active_level": quality.active_level if quality.polarity_sure else None,
            "corners_hz": quality.corners_hz,
            "order": len(quality.corners_hz),
            "bandwidth_hz": quality.bandwidth_hz,
            "noise": quality.noise,
            "hum": quality.hum_rms,
            "clip_level": quality.clipping.level,
            "gain_control": quality.gain.at_work,
        }
    if clock is not None and useful:
        known |= {"clock_ppm": clock.fit.ppm, "u_clock_ppm": clock.u_ppm}
    return Profile(
        name=name,
        recorded_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        rate_hz=heard.rate_hz,
        **known,
    )


def _keep(bench: Bench, profile: Profile | None) -> str | None:
    """Keep a profile, if there is one; return where."""
    from benchlog.capture.profile import write_profile
    from benchlog.show.terminal import warn

    if profile is None:
        warn("no profile is kept, since neither a pulse was heard nor the clock measured")
        return None
    return str(write_profile(bench, profile))
