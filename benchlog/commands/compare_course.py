"""`benchlog diagnose --compare`: the servo unplugged, plugged in, and a neighbour moving."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.tried import LiveWords, hear_file, list_heard, open_live, read_live
from benchlog.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.diagnosis.separation.directions import Direction
    from benchlog.diagnosis.trial.comparing import Stage

__all__ = ["compare_on_bench"]

_SERVO = {"unplugged": "unplugged", "plugged": "idle", "neighbour": "moving"}
"""What the sidecar's ``servo`` says of each stage."""

_DO = {
    "unplugged": "Pull this channel's servo plug, and the neighbour's. Leave the knob where it is.",
    "plugged": "Plug this channel's servo in, its arm off or free to turn, fed as it always is. "
    "Unplug it at once if it buzzes or gets hot.",
    "neighbour": "Plug the neighbour in as well, and turn its knob to and fro all the time. Hands "
    "off this channel.",
}


def compare_on_bench(
    targets: list[str], words: LiveWords, seconds: float, *, json_output: bool
) -> int:
    """Compare stages: recorded now, or from files.

    Parameters
    ----------
    targets : list of str
        A channel, with a device to listen to; else ``STAGE=FILE`` for two or three stages, or
        files whose sidecars say what the servo did.
    words : LiveWords
        Where to listen.
    seconds : float
        Length of each stage, seconds.
    json_output : bool
        Whether to write JSON.

    Returns
    -------
    int
        0 where the stages do not differ or it cannot be told, 1 where they do.

    Raises
    ------
    UsageError, StoreError, DeviceError, RecordingError, MeasurementError
        It cannot be done.
    """
    if words.is_live:
        if len(targets) != 1:
            raise UsageError(
                f"--compare with {len(targets)} names",
                expected="one channel with --input or --port, or STAGE=FILE without them",
                attempt="benchlog diagnose heron --compare --port PORT --at 135",
            )
        files = _lead(targets[0], words, seconds)
    else:
        files = _sort_files(targets)
    return _present(words, files, json_output=json_output)


def _sort_files(targets: list[str]) -> dict[str, Path]:
    """Tell which file is which stage."""
    from benchlog.commands.recordings import read_beside
    from benchlog.diagnosis.trial.comparing import STAGES

    by_servo = {servo: stage for stage, servo in _SERVO.items()}
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


def _lead(channel: str, words: LiveWords, seconds: float) -> dict[str, Path]:
    """Record the stages one after the other; each is a record of its own."""
    from datetime import UTC, datetime

    from benchlog.capture.sidecar import Sidecar, stamp_of
    from benchlog.commands.takes import keep
    from benchlog.diagnosis.trial.comparing import STAGES
    from benchlog.show.asking import ask, can_ask, tell
    from benchlog.show.terminal import warn

    device, knob_deg = read_live(words, seconds, "--compare")
    bench, _ = open_live(words, channel, device)
    if not can_ask():
        raise UsageError(
            "nobody to plug the servos in and out",
            expected="a terminal, or a file for each stage",
            attempt="benchlog diagnose --compare unplugged=a.wav plugged=b.wav",
        )
    began = stamp_of(datetime.now(UTC))
    files: dict[str, Path] = {}
    for number, stage in enumerate(STAGES, start=1):
        tell(f"{number} of {len(STAGES)}: {_DO[stage]}")
        typed, _ = ask(
            "Enter records, s skips this stage, q leaves",
            _read_key,
            flag="--compare",
            default="go",
        )
        if typed.lower().startswith("q"):
            break
        if typed.lower().startswith("s"):
            continue
        sidecar = Sidecar(
            channel=channel,
            knob_deg=knob_deg,
            recorded_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            source="serial probe" if device.port is not None else "sound input",
            input=device.channel_input if device.sound is not None else None,
            active_level=words.active,
            supply_v=words.supply,
            servo=_SERVO[stage],  # type: ignore[arg-type]
            note=f"compared: {stage}",
            other={"comparison": began, "stage": stage},
        )
        kept = keep(bench, device, sidecar)
        for line in kept.notices:
            warn(line)
        if kept.cut_short is not None:
            warn(f"ended after {kept.length_s:.1f} s: {kept.cut_short}; that much is kept")
        files[stage] = kept.record.path
        if kept.stopped:
            raise KeyboardInterrupt
    if len(files) < 2:
        raise UsageError(
            f"left after {len(files)} stage{'s' if len(files) != 1 else ''}",
            expected="two stages or three; what was recorded is kept",
            attempt="the same again, or --compare unplugged=FILE plugged=FILE with what is kept",
        )
    return files


def _read_key(text: str) -> str:
    if text.lower() in ("go", "s", "q", "skip", "quit"):
        return text
    raise UsageError(f"'{text[:20]}'", expected="Enter, s or q", attempt="Enter")


def _present(words: LiveWords, files: dict[str, Path], *, json_output: bool) -> int:
    """Compare recordings, and show what differs."""
    from benchlog.diagnosis.finding import QUIET
    from benchlog.diagnosis.trial.comparing import Stage, compare_stages
    from benchlog.diagnosis.words.comparing_texts import describe_comparison
    from benchlog.show.beat_view import show_comparison, show_findings
    from benchlog.show.diagnosis_view import findings_to_json
    from benchlog.show.json_output import write_json

    stages: list[Stage] = []
    directions: tuple[Direction, ...] = ()
    limits, name, known = None, "", set()
    for stage, path in files.items():
        heard, sidecar = hear_file(words, path)
        cycles, directions = list_heard(heard)
        _check_length(cycles.count, path)
        stages.append(Stage(stage, cycles))
        known |= _channel_of(sidecar)
        limits = heard.design.limits if heard.design is not None else limits
    if len(known) > 1:
        raise UsageError(
            f"--compare with recordings of {', '.join(sorted(known))}",
            expected="recordings of one channel",
            attempt="naming those of one channel",
        )
    name = next(iter(known), "comparison")
    comparison = compare_stages(stages, directions)
    findings = describe_comparison(comparison, limits=limits)
    if json_output:
        figures = [
            {
                "stage": one.name,
                "file": str(files[one.name]),
                "pulse_us": one.pulse_s * 1e6,
                "u_pulse_us": one.u_pulse_s * 1e6,
                "pulse_sd_us": one.pulse_sd_s * 1e6,
                "period_sd_us": one.period_sd_s * 1e6,
                "creep_us_per_s": one.creep_s_per_s * 1e6,
                "u_creep_us_per_s": one.u_creep_s_per_s * 1e6,
            }
            for one in comparison.figures
        ]
        write_json({"findings": findings_to_json(findings), "stages": figures})
    else:
        show_findings(name, findings)
        show_comparison(comparison)
    return 0 if all(one.cause in QUIET for one in findings) else 1


def _check_length(count: int, path: Path) -> None:
    if count < 60:
        raise MeasurementError(
            f"{path} holds {count} whole cycles",
            expected="60 or more, some seconds of pulses",
            attempt="a longer recording",
        )


def _channel_of(sidecar: Sidecar | None) -> set[str]:
    return {sidecar.channel} if sidecar is not None else set()
