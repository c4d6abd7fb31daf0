"""The stages of `diagnose --compare`: which recordings they are, what they hold, what is shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.commands.tried import LiveWords, hear_file
from benchlog.errors import MeasurementError, StoreError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.channel.design import Design
    from benchlog.diagnosis.finding import Finding
    from benchlog.diagnosis.trial.stage import Stage

__all__ = [
    "COMPARISON_KEY",
    "NO_PULSES",
    "PLANNED_KEY",
    "SERVO",
    "STAGE_KEY",
    "HeardStage",
    "find_newest",
    "hear_stage",
    "print_again",
    "show_stages",
    "sort_files",
]

COMPARISON_KEY = "comparison"
"""Sidecar key: the stamp of the comparison's start."""

STAGE_KEY = "stage"
"""Sidecar key: which stage of it."""

PLANNED_KEY = "planned_s"
"""Sidecar key: how long the stage was to be, seconds."""

NO_PULSES = "no pulses came"
"""Why a stage without pulses is set aside: nothing but a comparison can use it."""

SERVO = {"unplugged": "unplugged", "plugged": "idle", "neighbour": "moving"}
"""What the sidecar's ``servo`` says of each stage."""

_DEG = 0.05
_END_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class HeardStage:
    """A stage as it was recorded, with what is known of it.

    Attributes
    ----------
    stage : Stage
        What it holds.
    path : Path
        The recording.
    sidecar : Sidecar or None
        What lies beside it.
    design : Design or None
        What the channel should be.
    input : int
        The input, from 1.
    """

    stage: Stage
    path: Path
    sidecar: Sidecar | None = None
    design: Design | None = None
    input: int = 1


def sort_files(targets: list[str]) -> dict[str, Path]:
    """Tell which file is which stage.

    Parameters
    ----------
    targets : list of str
        ``STAGE=FILE``, or files whose sidecars say what the servo did.

    Returns
    -------
    dict
        File by stage, two or three.

    Raises
    ------
    UsageError
        Not two or three stages, each once.
    RecordingError
        A sidecar is wrong.
    """
    from benchlog.commands.recordings import read_beside
    from benchlog.diagnosis.trial.stage import STAGES

    by_servo = {servo: stage for stage, servo in SERVO.items()}
    files: dict[str, Path] = {}
    for target in targets:
        stage, equals, name = target.partition("=")
        if equals and stage in STAGES:
            path = Path(name)
        else:
            path = Path(target)
            sidecar = read_beside(path) if path.is_file() else None
            stage = by_servo.get(sidecar.servo or "", "") if sidecar is not None else ""
        if stage not in STAGES or stage in files:
            raise UsageError(
                f"--compare with '{target}'",
                expected="unplugged=FILE, plugged=FILE and neighbour=FILE, two of them or all, "
                "each once; or --input or --port to record them now",
                attempt="--compare unplugged=a.wav plugged=b.wav",
            )
        files[stage] = path
    if len(files) < 2:
        raise UsageError(
            f"--compare with {len(files)} recording",
            expected="two stages or three",
            attempt="--compare unplugged=a.wav plugged=b.wav",
        )
    return files


def find_newest(words: LiveWords, channel: str) -> dict[str, Path]:
    """Find the recordings of a channel's newest comparison.

    Parameters
    ----------
    words : LiveWords
        Where the bench folder is.
    channel : str
        The channel.

    Returns
    -------
    dict
        File by stage, two or three; of a stage that was recorded again the last.

    Raises
    ------
    StoreError, RecordingError
        There is none with two stages, or the folder cannot be read.
    """
    from benchlog.capture.store import open_bench
    from benchlog.diagnosis.trial.stage import STAGES

    bench = open_bench(Path(words.bench) if words.bench is not None else None)
    newest, files = "", dict[str, Path]()
    for record in bench.records(channel):
        began, stage = (record.sidecar.other.get(key) for key in (COMPARISON_KEY, STAGE_KEY))
        if not isinstance(began, str) or stage not in STAGES or began < newest:
            continue
        if record.sidecar.set_aside not in (None, NO_PULSES):
            continue
        if began > newest:
            newest, files = began, {}
        files[str(stage)] = record.path
    live = f"benchlog diagnose {channel} --compare --at DEG --input DEVICE"
    if not files:
        raise StoreError(
            f"--compare with '{channel}': no comparison of it was recorded",
            expected="one, or --input or --port to record it now, or STAGE=FILE for each stage",
            attempt=f"{live}; 'benchlog inputs' lists the devices",
        )
    if len(files) < 2:
        raise StoreError(
            f"the newest comparison of {channel} holds one stage, '{next(iter(files))}'",
            expected="two stages or three",
            attempt=f"{live}, or {print_again(files)}",
        )
    return files


def print_again(files: dict[str, Path], designs: tuple[str, ...] = ()) -> str:
    """Return the command that compares recordings again.

    Parameters
    ----------
    files : dict
        File by stage; what is missing for two of them stands as FILE.
    designs : tuple of str
        Design files that were named.

    Returns
    -------
    str
        Such as ``benchlog diagnose --compare unplugged=a.flac plugged=b.flac``.
    """
    from shlex import quote

    from benchlog.diagnosis.trial.stage import STAGES

    named = {name: quote(str(files[name])) for name in STAGES if name in files}
    for name in STAGES:
        if len(named) < 2:
            named.setdefault(name, "FILE")
    parts = [f"{name}={named[name]}" for name in STAGES if name in named]
    return " ".join(
        ["benchlog diagnose --compare", *(f"--design {quote(one)}" for one in designs), *parts]
    )


def hear_stage(words: LiveWords, name: str, path: Path) -> HeardStage:
    """Measure the recording of a stage.

    Parameters
    ----------
    words : LiveWords
        How it is to be taken.
    name : str
        Which stage it is.
    path : Path
        The recording.

    Returns
    -------
    HeardStage
        Without cycles where no pulses are in it.

    Raises
    ------
    RecordingError, DesignError, UsageError
        It cannot be read.
    """
    from benchlog.capture.csv_files import NoChangeError
    from benchlog.commands.recordings import read_beside
    from benchlog.diagnosis.cycles import list_cycles
    from benchlog.diagnosis.findings import find_heard_directions
    from benchlog.diagnosis.train.events import PULSE_LIMIT_S, find_events
    from benchlog.diagnosis.trial.stage import Stage

    try:
        heard, sidecar = hear_file(words, path)
    except (MeasurementError, NoChangeError) as error:
        sidecar = read_beside(path)
        silent = Stage(
            name,
            None,
            length_s=error.length_s if isinstance(error, NoChangeError) else _read_length(path),
            planned_s=_read_planned(sidecar),
            began_s=_read_began(sidecar),
        )
        return HeardStage(silent, path, sidecar)
    limit_s = heard.design.limits.jitter_s if heard.design is not None else PULSE_LIMIT_S
    events = find_events(heard.measurement, pulse_limit_s=limit_s)
    cycles = list_cycles(heard.measurement, events.spoilt)
    stage = Stage(
        name,
        cycles,
        events,
        pulse_count=heard.measurement.pulse_count,
        length_s=heard.measurement.duration_s,
        planned_s=_read_planned(sidecar),
        began_s=_read_began(sidecar),
        directions=find_heard_directions(heard, cycles) if cycles.count else (),
    )
    stage = _without_missing_end(stage)
    return HeardStage(stage, path, sidecar, heard.design, heard.measurement.input)


def _without_missing_end(stage: Stage) -> Stage:
    """Leave out the gap that stands for what was never recorded: that it was cut short is told."""
    if stage.events is None or not stage.is_cut_short:
        return stage
    end_s = stage.duration_s - _END_S
    kept = tuple(one for one in stage.events.events if one.kind != "gap" or one.time_s < end_s)
    return replace(stage, events=replace(stage.events, events=kept))


def _read_length(path: Path) -> float:
    """Return how long a recording without pulses is, seconds."""
    from benchlog.capture.formats import open_recording

    recording = open_recording(path)
    if isinstance(recording, tuple):
        return recording[0].end_s - recording[0].start_s
    return sum(len(block) for block in recording.blocks()) / recording.rate_hz


def _read_planned(sidecar: Sidecar | None) -> float | None:
    """Return how long a stage was to be, where its sidecar says so."""
    told: Any = sidecar.other.get(PLANNED_KEY) if sidecar is not None else None
    is_number = isinstance(told, int | float) and not isinstance(told, bool)
    return float(told) if is_number and told > 0 else None


def _read_began(sidecar: Sidecar | None) -> float | None:
    return sidecar.recorded_at.timestamp() if sidecar is not None else None


def show_stages(
    words: LiveWords, stages: list[HeardStage], *, json_output: bool, repeats: bool = True
) -> int:
    """Compare stages, and show what differs.

    Parameters
    ----------
    words : LiveWords
        What was typed.
    stages : list of HeardStage
        Two or three.
    json_output : bool
        Whether to write JSON.
    repeats : bool
        Whether to show the command that compares these recordings again.

    Returns
    -------
    int
        0 where the stages do not differ or it cannot be told, 1 where they do.

    Raises
    ------
    UsageError
        They are of several channels or knob positions.
    MeasurementError
        None of them holds pulses.
    """
    from benchlog.diagnosis.finding import QUIET
    from benchlog.diagnosis.trial.comparing import compare_stages
    from benchlog.diagnosis.words.comparing_texts import DEAD_BAND_S, describe_comparison
    from benchlog.show.compare_view import comparison_to_json, show_comparison
    from benchlog.show.json_output import write_json

    name = _check_together(stages)
    if not any(one.stage.pulses for one in stages):
        raise MeasurementError(
            f"no stage holds pulses: {', '.join(str(one.path) for one in stages)}",
            expected="a train of pulses in one of them at least",
            attempt="'benchlog listen --input DEVICE', to see what the input hears",
        )
    comparison = compare_stages([one.stage for one in stages])
    design = next((one.design for one in stages if one.design is not None), None)
    findings = describe_comparison(
        comparison,
        input_=next((one.input for one in stages if one.stage.pulses), 1),
        limits=design.limits if design is not None else None,
        dead_band_s=design.servo.dead_band_s if design is not None else DEAD_BAND_S,
    )
    files = {one.stage.name: one.path for one in stages}
    again = print_again(files, words.asked.designs)
    if json_output:
        write_json({**comparison_to_json(comparison, findings, files), "again": again})
    else:
        show_comparison(name, comparison, findings, again if repeats else None)
    return _status(findings, QUIET)


def _status(findings: tuple[Finding, ...], quiet: tuple[str, ...]) -> int:
    return 0 if all(one.cause in quiet for one in findings) else 1


def _check_together(stages: list[HeardStage]) -> str:
    """Refuse stages of several channels or knob positions; return the channel's name."""
    known = [one.sidecar for one in stages if one.sidecar is not None]
    channels = sorted({one.channel for one in known})
    if len(channels) > 1:
        raise UsageError(
            f"--compare with recordings of {', '.join(channels)}",
            expected="recordings of one channel",
            attempt="naming those of one channel",
        )
    angles = sorted({one.knob_deg for one in known})
    if angles and angles[-1] - angles[0] > _DEG:
        raise UsageError(
            f"--compare with recordings at {' and '.join(f'{one:g}' for one in angles)} degrees "
            "of the knob",
            expected="recordings with the knob in one place",
            attempt="naming those of one place; a wrong angle is set right with 'benchlog log'",
        )
    return channels[0] if channels else "comparison"
