"""The shadow-puppet stage: four simulated channels, recorded. All figures are invented.

A stage run from four AA cells (6 V) moves four puppets, each by a channel of its own with a
CMOS timer and a 100 kohm knob. `heron` is sound. The timing capacitor of `moon` is 9 % high.
The knob of `boat` is worn, so that its wiper's contact is noisy. `curtain` has a servo of
shorter range, which it drives past its end stop near the top of the knob.

``python -m benchlog.capture.stage FOLDER`` writes the same bench folder each time.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchlog.capture.audio_files import write_audio
from benchlog.capture.sidecar import Sidecar, stamp_of
from benchlog.capture.simulated import (
    Fluctuation,
    SoundInputModel,
    TrueEdges,
    Wander,
    render_blocks,
    simulate_edges,
)
from benchlog.capture.store import Bench, Record, make_bench, store_record, write_new_text
from benchlog.channel.design import parse_design
from benchlog.errors import BenchlogError, StoreError

if TYPE_CHECKING:
    from benchlog.channel.plan import Design

__all__ = ["STAGE", "STAGE_START", "StageChannel", "StageRecord", "make_stage"]

STAGE_START = datetime(2026, 9, 1, 10, 0, 0, tzinfo=UTC)
"""When the shipped records were made, in the story."""

KNOB_DEG = tuple(float(angle) for angle in range(0, 271, 30))
"""The marks of the sweep, degrees."""

SECONDS_PER_RECORD = 2.0
_BETWEEN_RECORDS = timedelta(seconds=20)
_BETWEEN_CHANNELS = timedelta(minutes=4)

_NOTE = "invented: simulated stage"
_TEMPERATURE_C = 22.0
_FRESH_V = 6.06
_SAG_V_PER_RECORD = 0.002
_METER_STEP_V = 0.01
_HAND_DEG = 0.4
"""How far a hand may miss a mark, either way."""

_INPUT = SoundInputModel(
    rate_hz=48000.0,
    corners_hz=(20.0,),
    amplitude=0.12,
    snr_db=60.0,
    hum_fs=6e-5,
    hum_harmonics=(0.3, 0.2),
    clock_ppm=12.0,
)

_SOUND = Fluctuation(
    supply_v=Wander(walk=2e-5),
    upper_level_v=Wander(white=1e-4),
    lower_level_v=Wander(white=1e-4),
)
"""What moves in any channel that is well: a tenth of a millivolt at the levels."""

_DESIGN = """\
# The channel '{channel}' of the shadow-puppet stage. An invented example.
# {remark}

channel = "{channel}"

[supply]
volts = 6.0                     # four AA cells

[timer]
family = "cmos"
r_on = "33k"                    # sets the shortest pulse
r_on_tolerance = "1%"           # metal film
r_knob = "100k"                 # sets how far the knob reaches
r_knob_tolerance = "3%"         # picked with a meter
r_off = "820k"                  # sets the pause between pulses
r_off_tolerance = "1%"
c_timing = "22n"
c_timing_tolerance = "2.5%"     # film

[diode]                         # a 1N4148
saturation_current = "2.52n"
emission = 1.752
series = "0.568"

[knob]                          # 0 degrees is the anticlockwise stop
travel_deg = 270
longer = "clockwise"            # turned clockwise the pulse grows longer
taper = "linear"

[servo]
pulse_min_us = {pulse_min_us}
pulse_max_us = {pulse_max_us}             # beyond it the servo pushes against its stop
angle_min_deg = 0
angle_max_deg = {angle_max_deg}
dead_band_us = 5

[ambient]
temperature_c = 22
"""


@dataclass(frozen=True, slots=True, eq=False)
class StageChannel:
    """One channel of the stage: what it should be and what it truly is.

    Attributes
    ----------
    name : str
        Its name.
    design_text : str
        Its design file.
    parts : mapping of str to float
        True values of its parts, SI units.
    fluctuation : Fluctuation
        What moves in it.
    """

    name: str
    design_text: str
    parts: Mapping[str, float]
    fluctuation: Fluctuation = field(default=_SOUND)

    @property
    def design(self) -> Design:
        """The channel as it should be."""
        return parse_design(self.design_text, f"{self.name}/design.toml")


def _design_text(
    channel: str, remark: str, *, pulse_max_us: int = 2500, angle_max_deg: float = 180
) -> str:
    return _DESIGN.format(
        channel=channel,
        remark=remark,
        pulse_min_us=500,
        pulse_max_us=pulse_max_us,
        angle_max_deg=angle_max_deg,
    )


STAGE: tuple[StageChannel, ...] = (
    StageChannel(
        "heron",
        _design_text("heron", "The heron stalks along the pond and lifts its neck."),
        {"r_on": 33.09e3, "r_knob": 99.8e3, "r_off": 821.5e3, "c_timing": 22.02e-9},
    ),
    StageChannel(
        "moon",
        _design_text(
            "moon",
            "The moon rises behind the hill, drawn by a servo of longer range.",
            pulse_max_us=2650,
            angle_max_deg=193.5,
        ),
        {"r_on": 32.95e3, "r_knob": 100.3e3, "r_off": 818.9e3, "c_timing": 1.09 * 22e-9},
    ),
    StageChannel(
        "boat",
        _design_text("boat", "The boat rocks on the waves; its knob has been turned a lot."),
        {"r_on": 33.04e3, "r_knob": 100.1e3, "r_off": 819.2e3, "c_timing": 21.97e-9},
        Fluctuation(
            contact_ohm=Wander(white=600.0),
            supply_v=_SOUND.supply_v,
            upper_level_v=_SOUND.upper_level_v,
            lower_level_v=_SOUND.lower_level_v,
        ),
    ),
    StageChannel(
        "curtain",
        _design_text(
            "curtain",
            "The curtain is drawn by a servo of shorter range.",
            pulse_max_us=2100,
            angle_max_deg=144,
        ),
        {"r_on": 32.98e3, "r_knob": 99.9e3, "r_off": 820.8e3, "c_timing": 22.01e-9},
    ),
)
"""The four channels. Invented figures."""


@dataclass(frozen=True, slots=True, eq=False)
class StageRecord:
    """A record of the stage and the truth about it.

    Attributes
    ----------
    record : Record
        As it lies in the bench folder.
    edges : TrueEdges
        What the channel put out.
    knob_deg : float
        Where its knob truly stood; the sidecar has the mark.
    """

    record: Record
    edges: TrueEdges
    knob_deg: float


def make_stage(
    bench: Bench,
    *,
    on_progress: Callable[[int, int, str], None] | None = None,
    seconds_per_record: float = SECONDS_PER_RECORD,
    knob_deg: Sequence[float] = KNOB_DEG,
    started: datetime | None = None,
) -> tuple[StageRecord, ...]:
    """Write the stage's designs and a knob sweep of each channel into a bench folder.

    Parameters
    ----------
    bench : Bench
        Where to; what is there stays.
    on_progress : callable, optional
        Called before each record with how many are done, how many there will be, and
        what is made now, such as 'heron at 30 degrees'; and once at the end.
    seconds_per_record : float
        Length of each record, above 0.
    knob_deg : sequence of float
        The marks, degrees, ascending.
    started : datetime, optional
        When the first record was made, with a time zone; so that the last one ends
        now if None.

    Returns
    -------
    tuple of StageRecord
        The records with the truth, in the order in which they were made.

    Raises
    ------
    StoreError
        The folder cannot be written, has a design of that name that says something else, or
        has this very sweep already.
    """
    first = started if started is not None else datetime.now(UTC) - _whole_length(len(knob_deg))
    total = len(STAGE) * len(knob_deg)
    made: list[StageRecord] = []
    for channel in STAGE:
        _check_new(bench, channel, stamp_of(_sweep_start(channel, len(knob_deg), first)))
    for channel in STAGE:
        _write_design(bench, channel)
        for mark_deg, moment, sweep in _plan(channel, knob_deg, first):
            if on_progress is not None:
                on_progress(len(made), total, f"{channel.name} at {mark_deg:g} degrees")
            made.append(
                _record(bench, channel, mark_deg, moment, sweep, len(made), seconds_per_record)
            )
    if on_progress is not None:
        on_progress(total, total, "the stage")
    return tuple(made)


def _whole_length(marks: int) -> timedelta:
    return len(STAGE) * _sweep_length(marks)


def _sweep_length(marks: int) -> timedelta:
    return marks * _BETWEEN_RECORDS + _BETWEEN_CHANNELS


def _sweep_start(channel: StageChannel, marks: int, first: datetime) -> datetime:
    return first + STAGE.index(channel) * _sweep_length(marks)


def _plan(
    channel: StageChannel, knob_deg: Sequence[float], first: datetime
) -> Iterator[tuple[float, datetime, str]]:
    """Say which mark is recorded when, and in which sweep."""
    start = _sweep_start(channel, len(knob_deg), first)
    for k, mark_deg in enumerate(knob_deg):
        yield float(mark_deg), start + k * _BETWEEN_RECORDS, stamp_of(start)


def _check_new(bench: Bench, channel: StageChannel, sweep: str) -> None:
    """Refuse to record a sweep again that is there: two would count as one."""
    if any(record.sidecar.sweep == sweep for record in bench.records(channel.name)):
        raise StoreError(
            f"{bench.folder} has the sweep {sweep} of {channel.name} already",
            expected="a folder without it",
            attempt="a new folder",
        )


def _write_design(bench: Bench, channel: StageChannel) -> None:
    path = bench.design_path(channel.name)
    if path.is_file() and path.read_bytes() == channel.design_text.encode():
        return
    write_new_text(path, channel.design_text)


def _record(
    bench: Bench,
    channel: StageChannel,
    mark_deg: float,
    moment: datetime,
    sweep: str,
    number: int,
    seconds: float,
) -> StageRecord:
    """Turn the knob to a mark, as well as a hand can, and record."""
    design = channel.design
    miss_deg = float(np.random.default_rng([55, number]).uniform(-_HAND_DEG, _HAND_DEG))
    knob_deg = min(max(mark_deg + miss_deg, 0.0), design.knob.travel_deg)
    if mark_deg in (0.0, design.knob.travel_deg):
        knob_deg = mark_deg  # a stop cannot be missed
    supply_v = _FRESH_V - _SAG_V_PER_RECORD * number
    edges = simulate_edges(
        design,
        knob_deg,
        seconds,
        supply_v=supply_v,
        temperature_c=_TEMPERATURE_C,
        parts=channel.parts,
        fluctuation=channel.fluctuation,
        seed=number,
    )

    def write(path: Path) -> None:
        blocks = render_blocks(edges, _INPUT, seconds, seed=number)
        write_audio(path, blocks, _INPUT.rate_hz, "PCM_16")

    sidecar = Sidecar(
        channel=channel.name,
        knob_deg=mark_deg,
        recorded_utc=moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        direction="up",
        sweep=sweep,
        source="simulated",
        rate_hz=_INPUT.rate_hz,
        input=1,
        supply_v=round(round(supply_v / _METER_STEP_V) * _METER_STEP_V, 2),
        temperature_c=_TEMPERATURE_C,
        servo="unplugged",
        note=_NOTE,
    )
    return StageRecord(store_record(bench, sidecar, write, ".flac"), edges, knob_deg)


def main(arguments: Sequence[str]) -> int:
    """Write the stage into the folder that is named; return an exit status."""
    if len(arguments) != 1 or arguments[0].startswith("-"):
        sys.stderr.write("one word is needed: the folder to write the stage into\n")
        return 2
    try:
        make_stage(make_bench(Path(arguments[0])), started=STAGE_START)
    except BenchlogError as exc:
        sys.stderr.write(f"{exc}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
