"""`benchlog diagnose`: what makes a channel jitter, creep or push its servo's stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    ChannelInputOption,
    InputOption,
    JsonOption,
    Level,
    PlainOption,
    PortOption,
    RateOption,
    read_level,
    read_number,
)
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.commands.diagnosed import Case
    from benchlog.commands.tried import LiveWords
    from benchlog.diagnosis.finding import Diagnosis

__all__ = ["diagnose_channel"]

_PICTURES = (".png", ".svg", ".pdf")


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
        str | None,
        typer.Option(
            "--design",
            metavar="DESIGN.toml",
            help="The design file, in place of the channel's.",
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
        str,
        typer.Option(
            "--try",
            metavar="neighbour|tap|warm|supply",
            help="What you do on the beat: turn another channel's knob, tap this one's, warm a "
            "part, or load the supply.",
        ),
    ] = "neighbour",
    rounds: Annotated[
        str, typer.Option("--rounds", metavar="N", help="How many times you act on the beat.")
    ] = "8",
    slot: Annotated[
        str, typer.Option("--slot", metavar="S", help="Length of each act and rest, seconds.")
    ] = "4",
    compare: Annotated[
        bool,
        typer.Option(
            "--compare",
            help="Compares three stages: servo unplugged, plugged in, a neighbour moving. With "
            "--input or --port; else unplugged=FILE plugged=FILE neighbour=FILE.",
        ),
    ] = False,
    seconds: Annotated[
        str, typer.Option("--seconds", metavar="S", help="Length of each stage of --compare.")
    ] = "20",
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
    channel_input: ChannelInputOption = None,
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
    from benchlog.commands.diagnosed import find_cases
    from benchlog.commands.tried import LiveWords

    level = read_level(active)
    supply_v = None
    if supply is not None:
        supply_v = read_number(supply, "--supply", "volts", low=0.1, high=60.0)
    words = LiveWords(
        sound_input, port, channel_input, rate, baud, at, design, bench, level, supply_v
    )
    _check_ways(words, on_the_beat, compare, plot, together)
    if on_the_beat:
        from benchlog.commands.beat_course import diagnose_on_the_beat, read_beats

        beats = read_beats(tried, rounds, slot, quiet=quiet, plain=plain)
        return diagnose_on_the_beat(target, words, beats, json_output=json_output)
    if compare:
        from benchlog.commands.compare_course import compare_on_bench

        stage_s = read_number(seconds, "--seconds", "seconds", low=2.0, high=3600.0)
        return compare_on_bench(target, words, stage_s, json_output=json_output)
    cases = find_cases(target, design=design, bench=bench, together=together)
    _check_plot(plot, len(cases))
    found: list[tuple[Case, Diagnosis]] = []
    failed = False
    for case in cases:
        diagnosis, whole = _diagnose(case, level, signal, supply_v, quiet=json_output)
        failed = failed or not whole
        if diagnosis is not None:
            found.append((case, diagnosis))
    if not found:
        return 2
    _present(found, plot, several=len(cases) > 1, json_output=json_output)
    if failed:
        return 2
    return 1 if any(diagnosis.is_wrong for _, diagnosis in found) else 0


def _check_ways(
    words: LiveWords, on_the_beat: bool, compare: bool, plot: str | None, together: bool
) -> None:
    """Refuse options that do not go together."""
    ways = [("--on-the-beat", on_the_beat), ("--compare", compare)]
    ways += [("--plot", plot is not None), ("--together", together)]
    given = [flag for flag, is_given in ways if is_given]
    if len(given) > 1 and (on_the_beat or compare):
        raise UsageError(
            f"{given[0]} together with {given[1]}", expected="one of the two", attempt=given[0]
        )
    if words.is_live and not (on_the_beat or compare):
        raise UsageError(
            "diagnose with something to listen to",
            expected="a recording; to listen it needs --on-the-beat or --compare",
            attempt="benchlog capture CHANNEL --at DEG --seconds 60, then diagnose CHANNEL",
        )


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


def _diagnose(
    case: Case, level: Level | None, signal: str | None, supply_v: float | None, *, quiet: bool
) -> tuple[Diagnosis | None, bool]:
    """Diagnose one case; whether all its recordings could be measured."""
    from benchlog.commands.diagnosed import hear_case
    from benchlog.diagnosis.findings import diagnose
    from benchlog.show.terminal import tell_if_slow, warn

    heard, failures = hear_case(case, level=level, signal=signal, supply_v=supply_v)
    for failure in failures:
        warn(str(failure))
    if not heard:
        return None, False
    with tell_if_slow("Looking for causes ...", quiet=quiet):
        return diagnose(heard), not failures


def _present(
    found: list[tuple[Case, Diagnosis]], plot: str | None, *, several: bool, json_output: bool
) -> None:
    """Show what was found one way or the other."""
    from benchlog.commands.diagnosed import find_still_inputs
    from benchlog.show.diagnosis_view import diagnoses_to_json, show_diagnosis
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import show

    if plot is not None:
        from benchlog.capture.new_files import write_new_bytes
        from benchlog.show.diagnosis_plot import draw_diagnosis

        case, diagnosis = found[0]
        form = Path(plot).suffix.lower()[1:]
        write_new_bytes(Path(plot), draw_diagnosis(case.name, diagnosis, form))
    if json_output:
        write_json(
            diagnoses_to_json([(case.name, one) for case, one in found], several=several, plot=plot)
        )
        return
    for index, (case, diagnosis) in enumerate(found):
        if index:
            show("")
        show_diagnosis(case.name, diagnosis)
        for number in find_still_inputs(case, diagnosis):
            show("", f"Input {number} holds no pulses: no channel, or its lead is off.")
    if plot is not None:
        show("", f"The picture is {plot}.")
