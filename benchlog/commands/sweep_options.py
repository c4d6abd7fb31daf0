"""The words of `benchlog sweep`: what it listens to, which marks, and which recordings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.channel.knob_marks import EVERY_DEG, Mark, plan_arm_marks, plan_marks
from benchlog.commands.options import read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.channel.design import Design

__all__ = ["WantedMarks", "check_sweep_source", "pair_files", "read_marks"]


@dataclass(frozen=True, slots=True)
class WantedMarks:
    """The marks that the command line asks for.

    Attributes
    ----------
    marks : tuple of Mark
        In the order of visiting.
    is_default : bool
        Whether the command line says nothing of them.
    typed_deg : tuple of float
        Where --marks names each mark once, the knob angles in the order in which they were typed;
        else empty.
    """

    marks: tuple[Mark, ...]
    is_default: bool
    typed_deg: tuple[float, ...] = ()


def check_sweep_source(
    sound: str | None,
    port: str | None,
    files: Sequence[str],
    points: Sequence[str],
    *,
    json_output: bool,
    plain: bool,
    resume: bool,
    new: bool,
) -> None:
    """Refuse anything but one source, and words that do not go together.

    Raises
    ------
    UsageError
        What is wrong.
    """
    given = [
        name
        for name, value in (
            ("--input", sound),
            ("--port", port),
            ("--from", files or None),
            ("--point", points or None),
        )
        if value is not None
    ]
    if len(given) != 1:
        raise UsageError(
            " and ".join(given) if given else "sweep without anything to listen to",
            expected="one of --input DEVICE (sound), --port PORT (serial probe), --from FILE and "
            "--point DEG=FILE (recordings)",
            attempt="benchlog inputs, to see what there is",
        )
    for first, second, both in (
        ("--json", "--plain", json_output and plain),
        ("--resume", "--new", resume and new),
    ):
        if both:
            raise UsageError(
                f"{first} together with {second}", expected="one of the two", attempt=first
            )


def _read_list(text: str, option: str) -> list[float]:
    """Read angles with commas between them."""
    return [
        read_number(one.strip(), option, "degrees", low=-36000.0, high=36000.0)
        for one in text.split(",")
    ]


def read_marks(
    design: Design,
    every: str | None,
    marks: str | None,
    to_angles: str | None,
    *,
    both_ways: bool,
) -> WantedMarks:
    """Read which marks to visit.

    Parameters
    ----------
    design : Design
        The channel's; its knob bounds the marks, its servo the arm angles.
    every, marks, to_angles : str or None
        What was typed after --every, --marks and --to-angles.
    both_ways : bool
        Whether --both-ways was given.

    Returns
    -------
    WantedMarks
        The marks.

    Raises
    ------
    UsageError
        Several of the three, or marks that cannot be.
    """
    given = [
        name
        for name, value in (("--every", every), ("--marks", marks), ("--to-angles", to_angles))
        if value is not None
    ]
    if len(given) > 1 or (to_angles is not None and both_ways):
        given += ["--both-ways"] if to_angles is not None and both_ways else []
        raise UsageError(
            " and ".join(given),
            expected="one of --every DEG and --marks LIST, with or without --both-ways, or "
            "--to-angles LIST",
            attempt=given[0],
        )
    travel_deg = design.knob.travel_deg
    if to_angles is not None:
        servo = design.servo
        angles = _read_list(to_angles, "--to-angles")
        planned = plan_arm_marks(angles, servo.angle_min_deg, servo.angle_max_deg)
        return WantedMarks(planned, is_default=False)
    every_deg = EVERY_DEG
    if every is not None:
        every_deg = read_number(every, "--every", "degrees", low=0.1, high=36000.0)
    typed = _read_list(marks, "--marks") if marks is not None else None
    planned = plan_marks(travel_deg, every_deg=every_deg, angles=typed, both_ways=both_ways)
    return WantedMarks(
        planned,
        is_default=not given and not both_ways,
        typed_deg=() if both_ways else tuple(typed or ()),
    )


def pair_files(
    design: Design, wanted: WantedMarks, files: Sequence[str], points: Sequence[str]
) -> tuple[tuple[Mark, ...], list[tuple[int, Path]]]:
    """Say which recording belongs to which mark.

    Parameters
    ----------
    design : Design
        The channel's.
    wanted : WantedMarks
        What the command line says of the marks.
    files : sequence of str
        What was typed after --from: in the order of the marks.
    points : sequence of str
        What was typed after --point; they are the marks.

    Returns
    -------
    tuple
        The marks, and the number of the mark and the recording of each pair.

    Raises
    ------
    UsageError
        Not a recording for each mark, or an angle that the knob does not have.
    """
    if files:
        if len(files) != len(wanted.marks):
            counts = len(files), len(wanted.marks)
            raise UsageError(
                f"{counts[0]} recording{'s' * (counts[0] != 1)} for {counts[1]} "
                f"mark{'s' * (counts[1] != 1)}",
                expected="one for each mark, in the order of --marks or of visiting",
                attempt="--marks with their angles, or --point DEG=FILE for each",
            )
        if any(mark.knob_deg is None for mark in wanted.marks):
            raise UsageError(
                "--from together with --to-angles",
                expected="recordings at known knob angles",
                attempt="--marks with their angles",
            )
        marks = wanted.marks
        if wanted.typed_deg:  # whoever types angles and files does so in one order
            marks = tuple(_find(marks, deg) for deg in wanted.typed_deg)
        pairs = [(one.number, Path(name)) for one, name in zip(marks, files, strict=True)]
        return wanted.marks, pairs
    if not wanted.is_default:
        raise UsageError(
            "--point together with other marks",
            expected="--point DEG=FILE alone: it says the angle of each recording",
            attempt="leaving --every, --marks, --both-ways and --to-angles out",
        )
    from benchlog.commands.calibrate import read_point
    from benchlog.commands.points import BEYOND_STOP_DEG

    placed = [read_point(text) for text in points]
    most_deg = design.knob.travel_deg + BEYOND_STOP_DEG
    for deg, path in placed:
        if not -BEYOND_STOP_DEG <= deg <= most_deg:
            raise UsageError(
                f"{path} at a knob angle of {deg:g} degrees",
                expected=f"an angle from 0 to {design.knob.travel_deg:g} degrees",
                attempt="the angle as it was",
            )
    # two recordings of one mark are two records of it
    marks = tuple(Mark(number, deg) for number, (deg, _) in enumerate(placed, 1))
    return marks, [(number, path) for number, (_, path) in enumerate(placed, 1)]


def _find(marks: Sequence[Mark], deg: float) -> Mark:
    """Return the mark at a knob angle."""
    return next(mark for mark in marks if mark.knob_deg == deg)
