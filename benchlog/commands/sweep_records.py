"""The records of a sweep: one a mark, on the disk before the next mark is asked for."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.capture.corrections import set_aside
from benchlog.capture.sidecar import Sidecar
from benchlog.capture.store import RECORD_SUFFIXES, Bench, Record, store_record
from benchlog.capture.sweep_files import SweepPlan, write_plan
from benchlog.commands.options import Level
from benchlog.errors import BenchlogError, RecordingError

if TYPE_CHECKING:
    from benchlog.calibration.sweeping import Seen
    from benchlog.channel.design import Design
    from benchlog.channel.knob_marks import Mark
    from benchlog.commands.live_sources import Minute

__all__ = ["TAKEN_BACK", "SweepKeeper", "lay_in_file", "measure_visited"]

TAKEN_BACK = "taken back during the sweep"
"""Why a record that was taken back is set aside."""


class SweepKeeper:
    """Writes the records of a sweep, and sets the last one aside where it is taken back.

    Parameters
    ----------
    bench : Bench
        Where to.
    plan : SweepPlan
        The sweep.
    visited : mapping of int to Record
        Marks that have a record already, by their numbers.
    level : str or None
        The level of a pulse, where the user says it.
    input_ : int
        Which input of a sound device, from 1.
    profile : str or None
        The kept profile of the input.
    """

    def __init__(
        self,
        bench: Bench,
        plan: SweepPlan,
        visited: Mapping[int, Record],
        *,
        level: Level | None,
        input_: int,
        profile: str | None,
    ) -> None:
        self._bench = bench
        self._plan = plan
        self._level = level
        self._input = input_
        self._profile = profile
        self._has_plan = bool(visited)
        by_age = sorted(visited, key=lambda one: (visited[one].sidecar.recorded_at, one))
        self._visited = {number: visited[number] for number in by_age}

    @property
    def visited(self) -> dict[int, Record]:
        """The marks that have a record, the newest last."""
        return dict(self._visited)

    def keep(
        self, mark: Mark, minute: Minute, behind_s: float, knob_deg: float, note: str | None
    ) -> Record:
        """Write a mark's record; it is on the disk when this returns.

        Parameters
        ----------
        mark : Mark
            The mark.
        minute : Minute
            What was heard.
        behind_s : float
            How long ago it began.
        knob_deg : float
            The knob angle; what the design makes of the pulse where an arm angle was sought.
        note : str or None
            What to tell besides.

        Raises
        ------
        StoreError
            It cannot be written; the mark has no record then.
        """
        from benchlog.capture.audio_files import write_audio
        from benchlog.capture.csv_files import write_csv

        sound, edges = minute.sound, minute.edges
        began = datetime.now(UTC) - timedelta(seconds=behind_s)
        sidecar = _sidecar(
            self._plan,
            mark,
            knob_deg,
            began.strftime("%Y-%m-%dT%H:%M:%SZ"),
            note,
            source="sound input" if sound is not None else "serial probe",
            rate_hz=sound.rate_hz if sound is not None else None,
            input=self._input if sound is not None else None,
            profile=self._profile,
            active_level=self._level,
            gaps=sound.gaps if sound is not None else edges.gaps if edges is not None else (),
        )

        def write(path: Path) -> None:
            if sound is not None:
                subtype = "PCM_16" if sound.step >= 2.0**-15 else "PCM_24"
                write_audio(path, sound, sound.rate_hz, subtype)
            elif edges is not None:
                write_csv(path, edges)

        if not self._has_plan:
            write_plan(self._bench, self._plan)
            self._has_plan = True
        suffix = ".flac" if sound is not None else ".csv"
        record = store_record(self._bench, sidecar, write, suffix)
        self._visited[mark.number] = record
        return record

    def take_back(self) -> int | None:
        """Set the newest record aside.

        Returns
        -------
        int or None
            The number of its mark; None where there is none.

        Raises
        ------
        StoreError
            Its sidecar cannot be written; it still counts then.
        """
        if not self._visited:
            return None
        number = next(reversed(self._visited))
        set_aside(self._visited[number], TAKEN_BACK)
        del self._visited[number]
        return number


def _sidecar(
    plan: SweepPlan, mark: Mark, knob_deg: float, recorded_utc: str, note: str | None, **known: Any
) -> Sidecar:
    """Return what is known of a mark's record."""
    other: dict[str, Any] = {"mark": mark.number}
    notes = [note]
    if mark.arm_deg is not None:
        other |= {"to_arm_deg": mark.arm_deg, "knob_estimated": True}
        notes.insert(
            0,
            f"at arm angle {mark.arm_deg:g}; knob_deg is the design's estimate until the drawn "
            "line is read",
        )
    return Sidecar(
        channel=plan.channel,
        knob_deg=round(knob_deg, 3),
        recorded_utc=recorded_utc,
        direction=mark.direction,
        sweep=plan.stamp,
        supply_v=plan.supply_v,
        temperature_c=plan.temperature_c,
        note="; ".join(filter(None, notes)) or None,
        other=other,
        **known,
    )


def lay_in_file(
    bench: Bench, plan: SweepPlan, mark: Mark, path: Path, *, level: Level | None
) -> Record:
    """Copy a recording into the bench folder as a mark's record; the file stays where it is.

    Parameters
    ----------
    bench : Bench
        Where to.
    plan : SweepPlan
        The sweep.
    mark : Mark
        The mark; its knob angle is known.
    path : Path
        The recording. What a sidecar beside it tells is kept, but for channel, sweep and angle.
    level : str or None
        The level of a pulse, where the user says it.

    Returns
    -------
    Record
        As it lies in the bench folder.

    Raises
    ------
    RecordingError, StoreError
        It cannot be read, or the folder cannot be written.
    """
    from benchlog.capture.formats import open_recording
    from benchlog.commands.recordings import read_beside

    open_recording(path)  # refuses what is none, before anything is made of it
    suffix = path.suffix.lower()
    if suffix not in RECORD_SUFFIXES:
        raise RecordingError(
            f"{path} ends in '{suffix}'",
            expected="a name that ends in " + ", ".join(RECORD_SUFFIXES),
            attempt="giving a copy of it such a name",
        )
    beside = read_beside(path)
    when = beside.recorded_utc if beside is not None else _changed_utc(path)
    assert mark.knob_deg is not None
    known = _sidecar(plan, mark, mark.knob_deg, when, f"copied from {path.name}")
    if beside is not None:
        notes = [beside.note, known.note]
        known = replace(
            beside,
            channel=plan.channel,
            knob_deg=mark.knob_deg,
            direction=mark.direction or beside.direction,
            sweep=plan.stamp,
            supply_v=plan.supply_v if plan.supply_v is not None else beside.supply_v,
            temperature_c=plan.temperature_c
            if plan.temperature_c is not None
            else beside.temperature_c,
            note="; ".join(filter(None, notes)),
            set_aside=None,
            history=(),
            unfinished=False,
            other={**beside.other, **known.other},
        )
    if level is not None:
        known = replace(known, active_level=level)

    def write(part: Path) -> None:
        try:
            shutil.copyfile(path, part)
        except OSError as exc:
            if exc.filename in (str(path), path):
                raise RecordingError(
                    f"{path} cannot be read ({exc.strerror})",
                    expected="a recording",
                    attempt="changing its permissions",
                ) from exc
            raise

    return store_record(bench, known, write, suffix)


def _changed_utc(path: Path) -> str:
    changed = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return changed.strftime("%Y-%m-%dT%H:%M:%SZ")


def measure_visited(
    design: Design, plan: SweepPlan, visited: Mapping[int, Record], *, level: Level | None
) -> tuple[dict[int, Seen], list[str]]:
    """Measure the marks that have a record.

    Parameters
    ----------
    design : Design
        What the channel should be.
    plan : SweepPlan
        The sweep.
    visited : mapping of int to Record
        The marks by their numbers.
    level : str or None
        The level of a pulse, where it is known.

    Returns
    -------
    tuple
        What each gave, those that cannot be measured left out, and what is wrong with those.
    """
    from benchlog.calibration.sweeping import Seen
    from benchlog.commands.points import Source, measure_point
    from benchlog.show.terminal import show_progress

    seen: dict[int, Seen] = {}
    faults: list[str] = []
    with show_progress("measuring what is there") as advance:
        for index, (number, record) in enumerate(visited.items()):
            advance(index / len(visited))
            known = record.sidecar
            try:
                point = measure_point(
                    design, Source(known.knob_deg, record.path, known), level=level
                )
            except BenchlogError as error:
                faults.append(str(error))
                continue
            seen[number] = Seen(known.knob_deg, point.pulse_s, plan.marks[number - 1].direction)
    return seen, faults
