"""`benchlog servo`: leads through finding a servo's own range and curve, and keeps it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    ChannelInputOption,
    InputOption,
    JsonOption,
    PortOption,
    RateOption,
    read_level,
    read_number,
)
from benchlog.commands.servo_told import PULSES_US, now_utc, put_together, read_pair, read_point
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from benchlog.channel.kept_servo import KeptServo
    from benchlog.commands.live_sources import LiveSource
    from benchlog.commands.servo_loop import ServoLoop
    from benchlog.show.live_screen import PictureView
    from benchlog.show.servo_view import ServoPicture

__all__ = ["find_servo"]

_SOUND_LAG_S = 0.1


def find_servo(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the servo is kept as.")],
    sound_input: InputOption = None,
    port: PortOption = None,
    channel_input: ChannelInputOption = None,
    range_us: Annotated[
        str | None,
        typer.Option(
            "--range",
            metavar="LOW,HIGH",
            help="The shortest and the longest pulse that it follows, in place of finding them.",
            show_default=False,
        ),
    ] = None,
    margin: Annotated[
        str,
        typer.Option("--margin", metavar="US", help="What is kept from either end of --range."),
    ] = "0",
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point",
            metavar="US=DEG",
            help="An arm angle at a pulse, or FILE=DEG at a recording's pulse; again for each.",
            show_default=False,
        ),
    ] = None,
    angles: Annotated[
        str | None,
        typer.Option(
            "--angles",
            metavar="LOW,HIGH",
            help="The arm's angles at the two ends, where there are no points.",
            show_default=False,
        ),
    ] = None,
    reading: Annotated[
        str, typer.Option("--reading", metavar="DEG", help="To within what an arm angle is read.")
    ] = "1.5",
    note: Annotated[
        str | None,
        typer.Option("--note", metavar="TEXT", help="A remark to be kept.", show_default=False),
    ] = None,
    rate: RateOption = None,
    baud: BaudOption = None,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse; else the shorter part is.",
            show_default=False,
        ),
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Plain sentences in place of a screen.")
    ] = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Find a servo's own range and curve, and keep them by name for designs.

    With --input or --port it leads: arm off, the knob turned slowly, a key at the first buzz, back
    at once; both ends, twice each. Then, if wanted, arm angles as a protractor reads them. With
    --range and --point all of it is told instead. With none of these it shows what is kept.

    A design takes it with model = "NAME" below [servo]. What was measured before is kept under its
    date.

    Keys: Enter at the buzz, e where the knob ends without one, b takes back, q leaves.

    Exit status 0: kept, or shown; 1: left before both ends were sure; 2: could not be done.
    """
    from pathlib import Path

    from benchlog.capture.servo_files import servo_path
    from benchlog.capture.store import open_bench
    from benchlog.channel.kept_servo import check_servo_name

    checked = check_servo_name(name)
    level = read_level(active)
    reading_deg = read_number(reading, "--reading", "degrees", low=0.01, high=45.0)
    margin_s = read_number(margin, "--margin", "microseconds", low=0.0, high=1000.0) / 1e6
    ends_us = read_pair(range_us, "--range", "microseconds", PULSES_US, "520,2440")
    ends_deg = read_pair(angles, "--angles", "degrees", (-3600.0, 3600.0), "0,180")
    _check_flags(sound_input, port, range_us, point, angles, json_output=json_output, plain=plain)
    calibration = open_bench(Path(bench) if bench is not None else None).calibration
    path = servo_path(calibration, checked)
    if sound_input is not None or port is not None:
        from benchlog.commands.watched import make_source, read_inputs

        numbers = read_inputs([channel_input] if channel_input is not None else None, 1)
        source = make_source(sound_input, port, None, numbers, level, rate, baud, None, False)
        lag_s = _SOUND_LAG_S if port is None else 0.0
        return _lead(
            source,
            checked,
            calibration,
            reading_deg=reading_deg,
            lag_s=lag_s,
            note=note or "",
            plain=plain,
            json_output=json_output,
        )
    if ends_us is None and not point and ends_deg is None:
        return _show_kept(path, checked, json_output=json_output)
    points = [read_point(one, level) for one in point or []]
    kept = put_together(path, checked, ends_us, margin_s, points, ends_deg, reading_deg, note)
    return _keep(calibration, kept, is_sure=True, json_output=json_output)


# --- words -------------------------------------------------------------------------


def _check_flags(
    sound: str | None,
    port: str | None,
    range_us: str | None,
    point: list[str] | None,
    angles: str | None,
    *,
    json_output: bool,
    plain: bool,
) -> None:
    """Refuse flags that do not go together."""
    live = "--input" if sound is not None else "--port" if port is not None else None
    told = (("--range", range_us), ("--point", point), ("--angles", angles))
    given = [flag for flag, words in told if words]
    both = None
    if sound is not None and port is not None:
        both = "--input", "--port"
    elif live is not None and given:
        both = live, given[0]
    elif point and angles is not None:
        both = "--point", "--angles"
    elif json_output and plain:
        both = "--json", "--plain"
    if both is not None:
        raise UsageError(
            f"{both[0]} together with {both[1]}", expected="one of the two", attempt=both[0]
        )


# --- led ---------------------------------------------------------------------------


def _lead(
    source: LiveSource,
    name: str,
    calibration: Path,
    *,
    reading_deg: float,
    lag_s: float,
    note: str,
    plain: bool,
    json_output: bool,
) -> int:
    """Lead on what there is, keep what was found, and leave the terminal as it was."""
    import signal
    import sys

    from benchlog.commands.servo_loop import ServoLoop
    from benchlog.show.live_terminal import LiveTerminal, has_terminal
    from benchlog.show.servo_view import CAUTIONS, ServoScreen, ServoSentences
    from benchlog.show.terminal import warn, write_out

    on_screen = not plain and not json_output and has_terminal(sys.stdout)
    terminal = LiveTerminal(screen=on_screen)
    if not terminal.has_keys:
        raise UsageError(
            "nobody to press the key at the buzz",
            expected="a terminal, or --range LOW,HIGH with what is known",
            attempt=f"benchlog servo {name} --range 1000,2000",
        )
    _show_cautions(CAUTIONS)
    if on_screen and not _is_ready():
        return 1

    def say(line: str) -> None:
        if json_output:
            warn(line)
        else:
            write_out(line + "\n")

    loop = ServoLoop(source, name, reading_deg=reading_deg, lag_s=lag_s)
    view: PictureView[ServoPicture] = ServoScreen(terminal) if on_screen else ServoSentences(say)
    try:
        with terminal:
            loop.run(terminal, view)
    finally:
        terminal.close()
    status = _keep_found(loop, name, calibration, reading_deg, note, json_output=json_output)
    if terminal.ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    return status if terminal.ended_by is None else 128 + terminal.ended_by


def _show_cautions(cautions: tuple[str, ...]) -> None:
    """Write the cautions to standard error."""
    from benchlog.show.asking import tell

    tell("Before you plug the servo in:")
    for one in cautions:
        tell(f"- {one}", indent=2)


def _is_ready() -> bool:
    """Have the cautions read before a screen hides them."""
    from benchlog.show.asking import ask_choice, can_ask

    if not can_ask():
        return True
    return ask_choice("Is the arm off?", ("yes", "no"), flag="--plain", default="yes") == "yes"


def _keep_found(
    loop: ServoLoop,
    name: str,
    calibration: Path,
    reading_deg: float,
    note: str,
    *,
    json_output: bool,
) -> int:
    """Keep what was found: the range, and a curve where the angles make one."""
    from benchlog.calibration.finding_range import safe_range
    from benchlog.channel.kept_servo import KeptServo
    from benchlog.errors import DesignError
    from benchlog.show.servo_view import describe_end
    from benchlog.show.terminal import warn

    low, high = loop.ends
    range_s = safe_range(low, high) if low is not None and high is not None else None
    if low is None or high is None or range_s is None or range_s[0] >= range_s[1]:
        found = f"shortest {describe_end(low)}, longest {describe_end(high)}"
        warn(f"{name}: left before both ends were found ({found}); nothing is kept")
        if json_output:
            from benchlog.show.json_output import write_json

            write_json({"servo": name, "file": None})
        return 1
    low_s, high_s = (round(one * 1e6, 3) / 1e6 for one in range_s)
    points = loop.points
    kept = KeptServo(name, now_utc(), low_s, high_s, low, high, points, reading_deg, note=note)
    try:
        kept.servo()
    except DesignError as fault:
        # the readings stay in words: the range is worth keeping without them
        shown = ", ".join(f"{one.pulse_s * 1e6:.1f} = {one.arm_deg:g}" for one in points)
        warn(f"{name}: {fault.found}: kept without a curve")
        told = f"{note}; angles not used: {shown}".removeprefix("; ")
        kept = KeptServo(name, kept.found_utc, low_s, high_s, low, high, note=told)
    return _keep(calibration, kept, is_sure=loop.is_complete, json_output=json_output)


# --- shown -------------------------------------------------------------------------


def _keep(calibration: Path, kept: KeptServo, *, is_sure: bool, json_output: bool) -> int:
    """Write a servo and say what was written."""
    from benchlog.capture.servo_files import store_servo
    from benchlog.show.json_output import write_json
    from benchlog.show.servo_words import servo_sentences, servo_to_json
    from benchlog.show.terminal import show

    kept.servo()
    path, older = store_servo(calibration, kept)
    if json_output:
        files = {"file": str(path), "older_file": None if older is None else str(older)}
        write_json({**servo_to_json(kept), **files})
    else:
        show(*servo_sentences(kept), f"Written: {path}")
        if older is not None:
            show(f"The one before is kept: {older}")
        show(f'A design takes it with model = "{kept.name}" below [servo].')
        if not is_sure:
            show("Left before both ends were sure: find them once more before you rely on it.")
    return 0 if is_sure else 1


def _show_kept(path: Path, name: str, *, json_output: bool) -> int:
    """Show a servo that is kept."""
    from benchlog.capture.servo_files import KeptServos, read_servo_file
    from benchlog.errors import StoreError
    from benchlog.show.json_output import write_json
    from benchlog.show.servo_words import servo_sentences, servo_to_json
    from benchlog.show.terminal import show

    if not path.exists():
        known = ", ".join(list(KeptServos(path.parent))[:8]) or "none yet"
        raise StoreError(
            f"no servo {name} is kept in {path.parent}",
            expected=f"one that was measured ({known}), or something to listen to",
            attempt=f"benchlog servo {name} --input DEVICE, or --range LOW,HIGH",
        )
    kept = read_servo_file(path)
    if json_output:
        write_json({**servo_to_json(kept), "file": str(path), "older_file": None})
    else:
        show(*servo_sentences(kept), f"Kept in {path}")
    return 0
