"""`benchlog diagnose --on-the-beat`: a hand acts on the beat, and the pulse follows or not."""

from __future__ import annotations

import secrets
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.commands.tried import LiveWords, hear_file, list_heard, open_live, read_live
from benchlog.errors import RecordingError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.sidecar import Sidecar
    from benchlog.diagnosis.finding import Finding
    from benchlog.diagnosis.trial.beat import Beats

__all__ = ["BeatWords", "diagnose_on_the_beat", "read_beat_key", "read_beats"]

_LEAD_IN_S = 1.5
_TAIL_S = 0.5
_ROUNDS = (7, 64)
_SLOT_S = (1.0, 60.0)
_KEY = "beats"


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


def read_beats(tried: str, rounds: str, slot: str, *, quiet: bool, plain: bool) -> BeatWords:
    """Read the options of the beats; UsageError where one is wrong."""
    from benchlog.commands.options import read_choice, read_number
    from benchlog.diagnosis.words.beat_texts import TRIES

    read_choice(tried, "--try", tuple(TRIES))
    count = read_number(rounds, "--rounds", "rounds", low=_ROUNDS[0], high=_ROUNDS[1])
    if count != int(count):
        raise UsageError(f"--rounds '{rounds}'", expected="a whole number", attempt="--rounds 8")
    slot_s = read_number(slot, "--slot", "seconds", low=_SLOT_S[0], high=_SLOT_S[1])
    return BeatWords(tried, int(count), slot_s, quiet, plain)


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
        0 where the pulse does not follow or it cannot be told, 1 where it follows.

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
            attempt=f"benchlog diagnose {targets[0]} --on-the-beat",
        )
    target = targets[0]
    if not words.is_live:
        path = Path(target)
        if not path.is_file():
            raise UsageError(
                f"--on-the-beat with {target}, and nothing to listen to",
                expected="--input DEVICE or --port PORT, or a recording of such a try",
                attempt="benchlog inputs, to see what there is",
            )
        return _present(words, path, json_output=json_output)
    kept, ended_by = _lead(target, words, beats, json_output=json_output)
    for line in kept.notices:
        _warn(line)
    if kept.cut_short is not None:
        why = "left" if kept.stopped else kept.cut_short
        _warn(f"ended after {kept.length_s:.1f} s: {why}; that much is kept, {kept.record.path}")
    status = _present(words, kept.record.path, json_output=json_output)
    if ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    return status if ended_by is None else 128 + ended_by


def _warn(line: str) -> None:
    from benchlog.show.terminal import warn

    warn(line)


def _lead(
    target: str, words: LiveWords, chosen: BeatWords, *, json_output: bool
) -> tuple[Kept, int | None]:
    """Record while the user acts; the beats lie in the sidecar before the first sample does."""
    import sys
    from datetime import UTC, datetime

    from benchlog.capture.sidecar import Sidecar
    from benchlog.diagnosis.trial.beat import draw_beats
    from benchlog.diagnosis.words.beat_texts import TRIES
    from benchlog.show.asking import tell
    from benchlog.show.live_terminal import has_terminal

    what = TRIES[chosen.tried]
    drawn = draw_beats(chosen.rounds, chosen.slot_s, secrets.randbits(32))
    seconds = _LEAD_IN_S + drawn.duration_s + _TAIL_S
    device, knob_deg = read_live(words, seconds, "--on-the-beat")
    bench, _ = open_live(words, target, device)
    tell(
        f"At each beep do what is said then: {what.act}, or {what.rest}. Which of the two is "
        f"drawn by lot. It takes {seconds:.0f} s."
    )
    tell(what.ready)
    if not chosen.plain and not json_output and has_terminal(sys.stdout):
        _wait_until_ready()
    sidecar = Sidecar(
        channel=target,
        knob_deg=knob_deg,
        recorded_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        source="serial probe" if device.port is not None else "sound input",
        input=device.channel_input if device.sound is not None else None,
        active_level=words.active,
        supply_v=words.supply,
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
    from benchlog.diagnosis.trial.beat import Beats

    placed = Beats(drawn.slot_s, drawn.acts, _LEAD_IN_S)
    return record_on_beat(
        bench,
        device,
        sidecar,
        placed,
        what,
        quiet=chosen.quiet,
        on_screen=not chosen.plain and not json_output and has_terminal(sys.stdout),
        to_error=json_output,
    )


def _wait_until_ready() -> None:
    """Have the words read before a screen hides them."""
    from benchlog.show.asking import ask, can_ask

    if can_ask():
        ask("Enter begins", lambda text: text, flag="--plain", default="go")


def _present(words: LiveWords, path: Path, *, json_output: bool) -> int:
    """Analyse a recording with its beats, and show the answer."""
    from benchlog.diagnosis.trial.beat import analyse_beat
    from benchlog.diagnosis.words.beat_texts import describe_beat
    from benchlog.show.beat_view import show_findings
    from benchlog.show.diagnosis_view import findings_to_json
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import show

    heard, sidecar = hear_file(words, path)
    tried, beats = read_beat_key(sidecar, path)
    cycles, directions = list_heard(heard)
    result = analyse_beat(cycles, beats, directions)
    limits = heard.design.limits if heard.design is not None else None
    finding = describe_beat(result, tried, input_=heard.measurement.input, limits=limits)
    if json_output:
        write_json({"findings": findings_to_json([finding]), "file": str(path)})
    else:
        show_findings(sidecar.channel if sidecar is not None else path.name, [finding])
        show("", f"The recording: {path}")
    return _status(finding)


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
    from benchlog.diagnosis.trial.beat import Beats
    from benchlog.diagnosis.words.beat_texts import TRIES

    told: Any = sidecar.other.get(_KEY) if sidecar is not None else None
    if isinstance(told, dict):
        tried, acts = told.get("try"), _read_acts(told.get("acts"))
        start_s = _read_number(told.get("start_s"), 0.0, 3600.0)
        slot_s = _read_number(told.get("slot_s"), 0.2, 3600.0)
        known = isinstance(tried, str) and tried in TRIES
        if known and acts is not None and start_s is not None and slot_s is not None:
            return str(tried), Beats(slot_s, acts, start_s)
    raise RecordingError(
        f"{path} has {'no beats' if told is None else 'beats that cannot be'} beside it",
        expected='a sidecar with "beats": {"try", "start_s", "slot_s", "acts": [0, 1, ...]}',
        attempt="a recording that diagnose --on-the-beat made",
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
