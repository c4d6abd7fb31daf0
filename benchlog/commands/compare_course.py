"""`benchlog diagnose --compare`: the servo unplugged, plugged in, and a neighbour moving."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.compared import (
    COMPARISON_KEY,
    NO_PULSES,
    PLANNED_KEY,
    SERVO,
    STAGE_KEY,
    HeardStage,
    find_newest,
    hear_stage,
    print_again,
    show_stages,
    sort_files,
)
from benchlog.commands.diagnosed import is_file
from benchlog.commands.tried import LiveWords, open_live, read_live
from benchlog.errors import BenchlogError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench, Record
    from benchlog.commands.takes import Device

__all__ = ["compare_on_bench"]

_DO = {
    "unplugged": "Pull this channel's servo plug, and the neighbour's. Leave the knob where it is.",
    "plugged": "Plug this channel's servo in, its arm off or free to turn, fed as it always is. "
    "Unplug it at once if it buzzes or gets hot.",
    "neighbour": "Plug the neighbour in as well, and turn its knob to and fro all the time. Hands "
    "off this channel.",
}

_TRAIN_SHARE = 0.2
"""Pulses that fill less of a stage than this are no train whose pulse is worth telling."""


def compare_on_bench(
    targets: list[str], words: LiveWords, seconds: float, *, json_output: bool
) -> int:
    """Compare stages: recorded now, recorded before, or from files.

    Parameters
    ----------
    targets : list of str
        A channel, with a device to listen to, or without one for its newest comparison; else
        ``STAGE=FILE`` for two or three stages, or files whose sidecars say what the servo did.
    words : LiveWords
        Where to listen.
    seconds : float
        Length of each stage, seconds.
    json_output : bool
        Whether to write JSON.

    Returns
    -------
    int
        0 where the stages do not differ or it cannot be told, 1 where they do or a device failed.

    Raises
    ------
    KeyboardInterrupt
        It was left by Ctrl-C; what can be compared was.
    UsageError, StoreError, DeviceError, RecordingError, MeasurementError
        It cannot be done.
    """
    if not words.is_live:
        stages = _hear_files(targets, words)
        many = len(targets) > 1
        return show_stages(words, stages, json_output=json_output, repeats=not many)
    if len(targets) != 1:
        raise UsageError(
            f"--compare with {len(targets)} names",
            expected="one channel with --input or --port, or STAGE=FILE without them",
            attempt=f"benchlog diagnose {targets[0]} --compare {words.device} --at DEG",
        )
    course = _Course(targets[0], words, seconds)
    course.lead()
    status = course.present(json_output=json_output)
    if course.is_stopped:
        raise KeyboardInterrupt
    return status


def _hear_files(targets: list[str], words: LiveWords) -> list[HeardStage]:
    """Measure the recordings that are named."""
    if len(targets) == 1 and "=" not in targets[0] and not is_file(targets[0]):
        files = find_newest(words, targets[0])
    else:
        files = sort_files(targets)
    return [hear_stage(words, name, path) for name, path in files.items()]


class _Course:
    """Leads through the stages; each is a record of its own.

    Parameters
    ----------
    channel : str
        The channel.
    words : LiveWords
        Where to listen.
    seconds : float
        Length of each stage, seconds.
    """

    def __init__(self, channel: str, words: LiveWords, seconds: float) -> None:
        from datetime import UTC, datetime

        from benchlog.capture.sidecar import stamp_of
        from benchlog.show.asking import can_ask

        self._channel = channel
        self._words = words
        self._device: Device
        self._device, self._knob_deg = read_live(words, seconds, "--compare")
        self._bench: Bench
        self._bench, _ = open_live(words, channel, self._device)
        if not can_ask():
            raise UsageError(
                "nobody to plug the servos in and out",
                expected="a terminal, or a file for each stage",
                attempt="benchlog diagnose --compare unplugged=a.wav plugged=b.wav",
            )
        self._began = stamp_of(datetime.now(UTC))
        self._heard: dict[str, HeardStage] = {}
        self._records: dict[str, Record] = {}
        self._fault: BenchlogError | None = None
        self._is_cut = False
        self.is_stopped = False

    def lead(self) -> None:
        """Record the stages, until the user leaves or the device fails."""
        try:
            self._lead()
        except KeyboardInterrupt:
            self.is_stopped = True
        except BenchlogError as fault:
            self._fault = fault

    def _lead(self) -> None:
        from benchlog.diagnosis.trial.stage import STAGES
        from benchlog.show.asking import ask_key, tell

        place = 0
        last: int | None = None
        while place < len(STAGES):
            stage = STAGES[place]
            tell(f"{place + 1} of {len(STAGES)}: {_DO[stage]}")
            again = "" if last is None else "r records the one before again, "
            keys = ("s", "q") if last is None else ("s", "r", "q")
            key = ask_key(
                f"Enter records, s skips this stage, {again}q leaves", keys, flag="--compare"
            )
            if key == "r" and last is not None:
                place = last
                continue
            if key == "q":
                return
            if key == "s":
                place += 1
                continue
            self._record(stage)
            last, place = place, place + 1
            if place == len(STAGES) and self._is_cut:
                question = "Enter compares, r records that stage again"
                place = last if ask_key(question, ("r",), flag="--compare") else place

    def _record(self, stage: str) -> None:
        """Record a stage, and say what came."""
        from benchlog.capture.recorder import NoEdgesError
        from benchlog.commands.takes import keep
        from benchlog.show.asking import tell
        from benchlog.show.terminal import warn

        self._is_cut = False
        try:
            kept = keep(self._bench, self._device, self._know(stage))
        except NoEdgesError:
            record = self._keep_silence(stage)
        else:
            record = kept.record
            self._tell_end(kept)
        self._replace(stage, record)
        try:
            heard = hear_stage(self._words, stage, record.path)
        except BenchlogError as fault:
            warn(str(fault))
            return
        self._heard[stage] = heard
        tell(f"Kept: {_tell_heard(heard)}.")
        self._set_aside_silent(heard, record)
        if self.is_stopped:
            raise KeyboardInterrupt

    def _know(self, stage: str) -> Sidecar:
        from datetime import UTC, datetime

        from benchlog.capture.sidecar import Sidecar

        return Sidecar(
            channel=self._channel,
            knob_deg=self._knob_deg,
            recorded_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            source="serial probe" if self._device.port is not None else "sound input",
            input=self._device.channel_input if self._device.sound is not None else None,
            active_level=self._words.asked.level,
            supply_v=self._words.asked.supply_v,
            servo=SERVO[stage],  # type: ignore[arg-type]
            note=f"compared: {stage}",
            other={
                COMPARISON_KEY: self._began,
                STAGE_KEY: stage,
                PLANNED_KEY: self._device.seconds,
            },
        )

    def _tell_end(self, kept: Kept) -> None:
        """Say why a recording ended before its time."""
        from benchlog.show.terminal import warn

        for line in kept.notices:
            warn(line)
        if kept.cut_short is not None:
            warn(f"ended after {kept.length_s:.1f} s: {kept.cut_short}; that much is kept")
            self._is_cut = True
        self.is_stopped = self.is_stopped or kept.stopped

    def _keep_silence(self, stage: str) -> Record:
        """Keep that a probe reported nothing: a table whose level does not change."""
        from benchlog.capture.csv_writer import CSV_HEAD
        from benchlog.capture.store import store_record

        seconds = self._device.seconds

        def write(path: Path) -> None:
            path.write_bytes(CSV_HEAD + f"0.0,0\r\n{seconds!r},0\r\n".encode("ascii"))

        return store_record(self._bench, self._know(stage), write, ".csv")

    def _set_aside_silent(self, heard: HeardStage, record: Record) -> None:
        """Keep a recording without pulses from everything but a comparison."""
        from benchlog.capture.corrections import set_aside

        if not heard.stage.pulses:
            set_aside(record, NO_PULSES)

    def _replace(self, stage: str, record: Record) -> None:
        """Take a recording for a stage; the one before it is set aside."""
        from benchlog.capture.corrections import set_aside

        before = self._records.get(stage)
        if before is not None:
            set_aside(before, "recorded again")
            self._heard.pop(stage, None)
        self._records[stage] = record

    def present(self, *, json_output: bool) -> int:
        """Compare what is there.

        Returns
        -------
        int
            The exit status.

        Raises
        ------
        BenchlogError
            Fewer than two stages are there.
        """
        from benchlog.show.terminal import warn

        stages = list(self._heard.values())
        if len(stages) >= 2:
            if self._fault is not None:
                warn(str(self._fault))
            status = show_stages(self._words, stages, json_output=json_output)
            return status if self._fault is None else 1
        files = {name: record.path for name, record in self._records.items()}
        if files:
            warn(f"kept: {', '.join(str(path) for path in files.values())}")
        if self.is_stopped:
            return 2
        if self._fault is not None:
            raise self._fault
        many = f"{len(stages)} stage{'s' if len(stages) != 1 else ''}"
        designs = self._words.asked.designs
        again = f", or {print_again(files, designs)}" if files else ""
        raise UsageError(
            f"left after {many}",
            expected="two stages or three; what was recorded is kept",
            attempt=f"the same again{again}",
        )


def _tell_heard(heard: HeardStage) -> str:
    """Say what a stage holds."""
    from benchlog.diagnosis.words.amounts import tell_times

    stage = heard.stage
    length = f"{stage.duration_s:.1f} s"
    if stage.cycles is None or not stage.count:
        return f"{length}, no pulses"
    if stage.pulses * float(stage.cycles.period_s.mean()) < _TRAIN_SHARE * stage.duration_s:
        return f"{length}, {stage.pulses} pulses in all"
    pulse = f"{length}, pulse {stage.cycles.on_s.mean() * 1e6:.1f} µs"
    many = len(stage.events.events) if stage.events is not None else 0
    return f"{pulse}, {tell_times(many)} a pulse was missing or odd" if many else pulse
