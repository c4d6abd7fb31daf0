"""`benchlog diagnose --on-the-beat`: a hand acts on the beat, and the pulse follows or not."""

from __future__ import annotations

import contextlib
import secrets
import signal
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.commands.tried import LiveWords, hear_file, list_heard, open_live, read_live
from benchlog.errors import RecordingError, StoreError, UsageError
from benchlog.show.ending import name_ending

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.sidecar import Sidecar
    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.finding import Finding, Heard
    from benchlog.diagnosis.trial.beats import Beats

__all__ = ["BeatWords", "diagnose_on_the_beat", "read_beat_key", "read_beats"]

_LEAD_IN_S = 1.5
_TAIL_S = 0.5
_ROUNDS = (7, 64)
_LONGEST_SLOT_S = 60.0
_KEY = "beats"
_ENDED = "ended_s"
_CEASED_S = 1.0
"""Pulses that stay away for longer than this to the end have ceased."""


@dataclass(frozen=True, slots=True)
class BeatWords:
    """What was typed of the beats.

    Attributes
    ----------
    tried : str
        Which of `TRIES`.
    rounds : int
        How many acts.
    slot_s : float
        Length of each act and rest, seconds.
    quiet : bool
        Whether to leave out the bell.
    plain : bool
        Whether to write sentences in place of a screen.
    """

    tried: str = "neighbour"
    rounds: int = 8
    slot_s: float = 4.0
    quiet: bool = False
    plain: bool = False


def read_beats(
    tried: str | None, rounds: str | None, slot: str | None, *, quiet: bool, plain: bool
) -> BeatWords:
    """Read the options of the beats, those that were typed; UsageError where one is wrong."""
    from benchlog.commands.options import read_choice, read_number
    from benchlog.diagnosis.trial.beats import SHORTEST_SLOT_S
    from benchlog.diagnosis.words.beat_texts import TRIES

    usual = BeatWords()
    read_choice(tried, "--try", tuple(TRIES))
    count = float(usual.rounds)
    if rounds is not None:
        count = read_number(rounds, "--rounds", "rounds", low=_ROUNDS[0], high=_ROUNDS[1])
    if count != int(count):
        raise UsageError(f"--rounds '{rounds}'", expected="a whole number", attempt="--rounds 8")
    slot_s = usual.slot_s
    if slot is not None:
        slot_s = read_number(slot, "--slot", "seconds", low=SHORTEST_SLOT_S, high=_LONGEST_SLOT_S)
    return BeatWords(tried or usual.tried, int(count), slot_s, quiet, plain)


def diagnose_on_the_beat(
    targets: list[str], words: LiveWords, beats: BeatWords, *, json_output: bool
) -> int:
    """Lead through a try on the beat, or look at one that was recorded.

    Parameters
    ----------
    targets : list of str
        One: the channel, with a device to listen to; else a recording of such a try.
    words : LiveWords
        Where to listen.
    beats : BeatWords
        What to try, and when.
    json_output : bool
        Whether to write JSON.

    Returns
    -------
    int
        0 where the pulse does not follow or it cannot be told, 1 where it follows or the device
        failed on the way, 2 where it was left before anything was recorded.

    Raises
    ------
    KeyboardInterrupt
        It was left by Ctrl-C; what was heard is kept and told.
    UsageError, StoreError, DeviceError, RecordingError
        It cannot be done.
    """
    if len(targets) != 1:
        raise UsageError(
            f"--on-the-beat with {len(targets)} names",
            expected="one channel, or one recording of such a try",
            attempt=f"benchlog diagnose {targets[0]} --on-the-beat --input DEVICE --at DEG",
        )
    target = targets[0]
    if not words.is_live:
        path = Path(target)
        if not path.is_file():
            raise UsageError(
                f"--on-the-beat with {target}, and nothing to listen to",
                expected="--input DEVICE or --port PORT, or a recording of such a try",
                attempt=f"benchlog diagnose {target} --on-the-beat --try {beats.tried} --at "
                f"{words.at or 'DEG'} --input DEVICE; 'benchlog inputs' lists them",
            )
        return _present(words, path, json_output=json_output)
    kept, ended_by = _lead(target, words, beats, json_output=json_output)
    if kept is None:
        _tell(f"{name_ending(ended_by)} before anything was recorded")
        return 2 if ended_by is None else 128 + ended_by
    for line in kept.notices:
        _tell(line)
    if kept.cut_short is not None:
        _note_end(kept)
        if kept.stopped:
            said = f"{name_ending(ended_by)} after {kept.length_s:.1f} s"
        else:
            said = f"ended after {kept.length_s:.1f} s: {kept.cut_short}"
        _tell(f"{said}; that much is kept")
    status = _present(words, kept.record.path, json_output=json_output)
    if ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    if ended_by is not None:
        return 128 + ended_by
    return 1 if kept.cut_short is not None and not kept.stopped else status


def _tell(line: str) -> None:
    """Write a line of news to standard error, on a terminal broken between words."""
    import sys

    from benchlog.show.asking import tell
    from benchlog.show.terminal import warn

    with contextlib.suppress(OSError):  # the terminal may be gone; what was heard is kept
        (tell if sys.stderr.isatty() else warn)(line)


def _note_end(kept: Kept) -> None:
    """Keep with a recording that it was ended early: it does not tell whether pulses ceased."""
    from benchlog.capture.claims import update_sidecar

    known = kept.record.sidecar
    told = {**known.other[_KEY], _ENDED: round(kept.length_s, 3)}
    with contextlib.suppress(StoreError):  # that it cannot be written was told already
        update_sidecar(kept.record, replace(known, other={**known.other, _KEY: told}))


def _lead(
    target: str, words: LiveWords, chosen: BeatWords, *, json_output: bool
) -> tuple[Kept | None, int | None]:
    """Record while the user acts; the beats lie in the sidecar before the first sample does."""
    import sys
    from datetime import UTC, datetime

    from benchlog.capture.sidecar import Sidecar
    from benchlog.diagnosis.trial.beats import draw_beats
    from benchlog.diagnosis.words.beat_texts import TRIES
    from benchlog.show.asking import tell
    from benchlog.show.live_terminal import has_terminal

    what = TRIES[chosen.tried]
    drawn = draw_beats(chosen.rounds, chosen.slot_s, secrets.randbits(32))
    seconds = _LEAD_IN_S + drawn.duration_s + _TAIL_S
    device, knob_deg = read_live(words, seconds, "--on-the-beat")
    bench, _ = open_live(words, target, device)
    on_screen = not chosen.plain and not json_output and has_terminal(sys.stdout)
    tell(
        f"At each {'beat' if chosen.quiet else 'beep'} the screen says one of two things. ACT: "
        f"{what.act}. REST: {what.rest}. Lots are drawn, so the same may come twice. It takes "
        f"{seconds:.0f} s."
    )
    tell(what.ready)
    if on_screen and not _is_ready():
        return None, None
    sidecar = Sidecar(
        channel=target,
        knob_deg=knob_deg,
        recorded_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        source="serial probe" if device.port is not None else "sound input",
        input=device.channel_input if device.sound is not None else None,
        active_level=words.asked.level,
        supply_v=words.asked.supply_v,
        note=f"on the beat: {what.word}",
        other={
            _KEY: {
                "try": what.word,
                "start_s": _LEAD_IN_S,
                "slot_s": drawn.slot_s,
                "acts": [int(one) for one in drawn.acts],
            }
        },
    )
    from benchlog.commands.beat_loop import record_on_beat
    from benchlog.diagnosis.trial.beats import Beats

    placed = Beats(drawn.slot_s, drawn.acts, _LEAD_IN_S)
    return record_on_beat(
        bench,
        device,
        sidecar,
        placed,
        what,
        quiet=chosen.quiet,
        on_screen=on_screen,
        to_error=json_output,
    )


def _is_ready() -> bool:
    """Have the words read before a screen hides them; False where the user leaves."""
    from benchlog.show.asking import ask_key, can_ask

    return not can_ask() or ask_key("Enter begins, q leaves", ("q",), flag="--plain") != "q"


def _present(words: LiveWords, path: Path, *, json_output: bool) -> int:
    """Analyse a recording with its beats, and show the answer."""
    from benchlog.diagnosis.train.events import find_events
    from benchlog.diagnosis.trial.beat import analyse_beat
    from benchlog.diagnosis.words.beat_texts import describe_beat
    from benchlog.show.beat_view import show_findings
    from benchlog.show.diagnosis_view import findings_to_json
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import show, write_out

    heard, sidecar = hear_file(words, path)
    tried, beats = read_beat_key(sidecar, path)
    cycles, directions = list_heard(heard)
    events = find_events(heard.measurement).events
    result = analyse_beat(cycles, beats, directions, events)
    design = heard.design
    finding = describe_beat(
        result,
        tried,
        input_=heard.measurement.input,
        limits=design.limits if design is not None else None,
        dead_band_s=design.servo.dead_band_s if design is not None else None,
        ceased_s=_find_end(heard, cycles, _read_until(sidecar, beats)),
    )
    if json_output:
        write_json({"findings": findings_to_json([finding]), "file": str(path)})
    else:
        show_findings(sidecar.channel if sidecar is not None else path.name, [finding])
        # a line of its own, which no screen's width breaks
        show("", "The recording:")
        write_out(f"{path}\n")
    return _status(finding)


def _read_until(sidecar: Sidecar | None, beats: Beats) -> float:
    """Return until when it was recorded, seconds: to the last beat, unless it was ended before."""
    told: Any = sidecar.other.get(_KEY) if sidecar is not None else None
    ended_s = _read_number(told.get(_ENDED), 0.0, 1e6) if isinstance(told, dict) else None
    return beats.duration_s if ended_s is None else min(beats.duration_s, ended_s)


def _find_end(heard: Heard, cycles: Cycles, until_s: float) -> float | None:
    """Return when the pulses ceased for good, seconds; None where they did not."""
    if heard.measurement.edges.rate_hz is not None:
        until_s = min(until_s, heard.measurement.duration_s)
    end_s = float(cycles.start_s[-1] + cycles.period_s[-1])
    return end_s if until_s - end_s > _CEASED_S else None


def _status(finding: Finding) -> int:
    from benchlog.diagnosis.finding import QUIET

    return 0 if finding.cause in QUIET else 1


def read_beat_key(sidecar: Sidecar | None, path: Path) -> tuple[str, Beats]:
    """Read the beats that a sidecar tells of.

    Parameters
    ----------
    sidecar : Sidecar or None
        That of the recording.
    path : Path
        The recording, for the message.

    Returns
    -------
    tuple
        What was tried, and when.

    Raises
    ------
    RecordingError
        It tells of none, or of such as cannot be.
    """
    from benchlog.diagnosis.trial.beats import Beats
    from benchlog.diagnosis.words.beat_texts import TRIES

    told: Any = sidecar.other.get(_KEY) if sidecar is not None else None
    if isinstance(told, dict):
        tried, acts = told.get("try"), _read_acts(told.get("acts"))
        start_s = _read_number(told.get("start_s"), 0.0, 3600.0)
        slot_s = _read_number(told.get("slot_s"), 0.2, 3600.0)
        known = isinstance(tried, str) and tried in TRIES
        if known and acts is not None and start_s is not None and slot_s is not None:
            return str(tried), Beats(slot_s, acts, start_s)
    if told is None:
        raise RecordingError(
            f"{path} was not recorded on the beat: no file beside it says when you were to act",
            expected="a recording that --on-the-beat made, with its .json file beside it",
            attempt=f"benchlog diagnose {path}, without --on-the-beat",
        )
    raise RecordingError(
        f"what {path.with_suffix('.json').name} says of the beats of {path} cannot be",
        expected="a recording that --on-the-beat made, with its .json file as it was written",
        attempt=f"benchlog diagnose {path}, without --on-the-beat",
    )


def _read_acts(value: Any) -> tuple[bool, ...] | None:
    """Read which slots are acts: as many as rests."""
    if not isinstance(value, list) or not 2 * _ROUNDS[0] <= len(value) <= 2 * _ROUNDS[1]:
        return None
    if any(not isinstance(one, int) or one not in (0, 1) for one in value):
        return None
    return tuple(bool(one) for one in value) if 2 * sum(value) == len(value) else None


def _read_number(value: Any, low: float, high: float) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        return None
    return float(value)
