"""`benchlog diagnose`: what makes a channel jitter, creep or push its servo's stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    InputOption,
    JsonOption,
    PlainOption,
    PortOption,
    RateOption,
    read_channel_input,
    read_level,
    read_number,
)
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.commands.diagnosed import Asked, Case
    from benchlog.diagnosis.finding import Diagnosis, Heard
    from benchlog.timing.notices import Notice

__all__ = ["diagnose_channel"]

_PICTURES = (".png", ".svg", ".pdf")
_OF_INPUT = ("polarity-unsure", "garbled-lines")
"""Warnings that are of one input; the others are of the whole recording."""


def diagnose_channel(
    target: Annotated[
        list[str],
        typer.Argument(
            metavar="CHANNEL|FILE",
            help="A channel of the bench folder, of which the newest recording or sweep is taken; "
            "or recordings.",
            show_default=False,
        ),
    ],
    design: Annotated[
        list[str] | None,
        typer.Option(
            "--design",
            metavar="DESIGN.toml",
            help="The design file, in place of the channel's; once for each input of a recording, "
            "in their order, where they hold several channels.",
            show_default=False,
        ),
    ] = None,
    together: Annotated[
        bool,
        typer.Option(
            "--together",
            help="The files are recordings of one channel, and are judged together.",
        ),
    ] = False,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse; else the sidecar says, else the design decides, else "
            "the shorter part is.",
            show_default=False,
        ),
    ] = None,
    signal: Annotated[
        str | None,
        typer.Option(
            "--signal",
            metavar="NAME",
            help="The signal to take from a VCD file that holds several.",
            show_default=False,
        ),
    ] = None,
    supply: Annotated[
        str | None,
        typer.Option(
            "--supply",
            metavar="V",
            help="The supply as the meter read it; else the sidecar says, else the design.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        str | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw what was found into a new .png, .svg or .pdf file.",
            show_default=False,
        ),
    ] = None,
    on_the_beat: Annotated[
        bool,
        typer.Option(
            "--on-the-beat",
            help="It beeps, you act on the beeps (see --try), and it says whether the pulse "
            "follows. With --input or --port; else the file is a recording of that.",
        ),
    ] = False,
    tried: Annotated[
        str | None,
        typer.Option(
            "--try",
            metavar="neighbour|tap|warm|supply",
            help="What you do on the beat: turn another channel's knob (the default), tap this "
            "one's, warm a part, or load the supply.",
            show_default=False,
        ),
    ] = None,
    rounds: Annotated[
        str | None,
        typer.Option(
            "--rounds",
            metavar="N",
            help="How many times you act on the beat; else 8.",
            show_default=False,
        ),
    ] = None,
    slot: Annotated[
        str | None,
        typer.Option(
            "--slot",
            metavar="S",
            help="Length of each act and rest on the beat, seconds; else 4.",
            show_default=False,
        ),
    ] = None,
    compare: Annotated[
        bool,
        typer.Option(
            "--compare",
            help="Compares three stages: servo unplugged, plugged in, a neighbour moving. With "
            "--input or --port; else a channel's newest comparison, or unplugged=FILE "
            "plugged=FILE neighbour=FILE.",
        ),
    ] = False,
    seconds: Annotated[
        str | None,
        typer.Option(
            "--seconds",
            metavar="S",
            help="Length of each stage of --compare, seconds; else 20.",
            show_default=False,
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            "--knob",
            metavar="DEG",
            help="Where the knob stands, for what --on-the-beat and --compare record.",
            show_default=False,
        ),
    ] = None,
    sound_input: InputOption = None,
    port: PortOption = None,
    channel_input: Annotated[
        str | None,
        typer.Option(
            "--channel-input",
            metavar="N",
            help="Which input of the sound device or of the recording, from 1 (left) on.",
            show_default=False,
        ),
    ] = None,
    rate: RateOption = None,
    baud: BaudOption = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No beep: the screen alone tells the beat.")
    ] = False,
    plain: PlainOption = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Say why a channel jitters, creeps or hits its stop, how sure that is, and what to try next.

    Half a minute of recording or more tells most; the knob is left alone meanwhile. Several
    recordings of one channel tell more, two channels on the two inputs of one recording too.
    Exit status 1 says that something is wrong, 0 that nothing is or that it cannot be told.
    """
    from benchlog.commands.diagnose_options import Way, check_options
    from benchlog.commands.diagnosed import Asked, find_cases, is_file
    from benchlog.commands.diagnosed_inputs import list_warnings
    from benchlog.commands.tried import LiveWords
    from benchlog.show.terminal import warn

    level = read_level(active)
    supply_v = None
    if supply is not None:
        supply_v = read_number(supply, "--supply", "volts", low=0.1, high=60.0)
    given = {
        "--on-the-beat": on_the_beat,
        "--compare": compare,
        "--plot": plot is not None,
        "--together": together,
        "--try": tried is not None,
        "--rounds": rounds is not None,
        "--slot": slot is not None,
        "--quiet": quiet,
        "--seconds": seconds is not None,
        "--at": at is not None,
        "--channel-input": channel_input is not None,
        "--rate": rate is not None,
        "--baud": baud is not None,
        "--signal": signal is not None,
    }
    way = Way(
        target=target[0],
        on_the_beat=on_the_beat,
        compare=compare,
        sound=sound_input,
        port=port,
        recorded=all(is_file(one.partition("=")[2] or one if compare else one) for one in target),
    )
    check_options(way, given)
    asked = Asked(level, signal, supply_v, read_channel_input(channel_input), tuple(design or ()))
    words = LiveWords(sound_input, port, channel_input, rate, baud, at, bench, asked)
    if on_the_beat:
        from benchlog.commands.beat_course import diagnose_on_the_beat, read_beats

        beats = read_beats(tried, rounds, slot, quiet=quiet, plain=plain)
        return diagnose_on_the_beat(target, words, beats, json_output=json_output)
    if compare:
        from benchlog.commands.compare_course import compare_on_bench

        stage_s = read_number(seconds or "20", "--seconds", "seconds", low=2.0, high=3600.0)
        return compare_on_bench(target, words, stage_s, json_output=json_output)
    cases = find_cases(target, asked, bench=bench, together=together)
    _check_plot(plot, len(cases))
    found: list[tuple[Case, Diagnosis]] = []
    failed = False
    for case in cases:
        diagnosis, whole = _diagnose(case, asked, quiet=json_output)
        failed = failed or not whole
        if diagnosis is not None:
            found.append((case, diagnosis))
    if not found:
        return 2
    if plot is not None and not found[0][1].inputs:
        warn(f"{plot} is not drawn: there are no pulses to draw")
        plot = None
    _present(found, plot, several=len(cases) > 1, json_output=json_output)
    if failed:
        return 2
    is_spoilt = any(one.spoils for _, diagnosis in found for _, one in list_warnings(diagnosis))
    return 1 if is_spoilt or any(diagnosis.is_wrong for _, diagnosis in found) else 0


def _check_plot(plot: str | None, count: int) -> None:
    """Refuse a picture that cannot be drawn, before any work is done."""
    from benchlog.show.new_pictures import check_new_picture

    if plot is None:
        return
    check_new_picture(Path(plot), "--plot", _PICTURES, "diagnosis.png")
    if count > 1:
        raise UsageError(
            f"--plot with {count} diagnoses",
            expected="one channel or file, or files with --together",
            attempt="naming one",
        )


def _diagnose(case: Case, asked: Asked, *, quiet: bool) -> tuple[Diagnosis | None, bool]:
    """Diagnose one case; whether all its recordings could be measured."""
    from benchlog.commands.diagnosed_inputs import hear_case
    from benchlog.diagnosis.findings import diagnose
    from benchlog.diagnosis.still import tell_still
    from benchlog.show.terminal import tell_if_slow, warn

    heard, still, failures = hear_case(case, asked)
    for failure in failures:
        warn(str(failure))
    if not heard:
        return (tell_still(None, still) if still else None), not failures
    with tell_if_slow("Looking for causes ...", quiet=quiet):
        return tell_still(diagnose(heard), still), not failures


def _present(
    found: list[tuple[Case, Diagnosis]],
    plot: str | None,
    *,
    several: bool,
    json_output: bool,
) -> None:
    """Show what was found one way or the other."""
    from benchlog.commands.diagnosed_inputs import list_warnings
    from benchlog.show.diagnosis_view import diagnoses_to_json, show_diagnosis
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import plain, show

    if plot is not None:
        from benchlog.capture.new_files import write_new_bytes
        from benchlog.show.diagnosis_plot import draw_diagnosis

        case, diagnosis = found[0]
        form = Path(plot).suffix.lower()[1:]
        write_new_bytes(Path(plot), draw_diagnosis(case.name, diagnosis, form))
    if json_output:
        named = [(case.name, one) for case, one in found]
        warnings = [
            {"file": heard.file, "input": heard.measurement.input, **_notice_to_json(notice)}
            for _, one in found
            for heard, notice in list_warnings(one)
        ]
        content = diagnoses_to_json(named, several=several, plot=plot)
        write_json({**content, "warnings": warnings})
        return
    for index, (case, diagnosis) in enumerate(found):
        if index:
            show("")
        show_diagnosis(case.name, diagnosis)
        for heard, notice in list_warnings(diagnosis):
            show("", plain(f"{_name_warning(case, heard, notice)}: {notice.text}"))
    if plot is not None:
        show("", f"The picture is {plot}.")


def _notice_to_json(notice: Notice) -> dict[str, str]:
    return {"code": notice.code, "text": notice.text}


def _name_warning(case: Case, heard: Heard, notice: Notice) -> str:
    """Say which recording and input a warning is of, where there are several."""
    name = Path(heard.file).name if len(case.recordings) > 1 else "warning"
    return f"{name}, input {heard.measurement.input}" if notice.code in _OF_INPUT else name
