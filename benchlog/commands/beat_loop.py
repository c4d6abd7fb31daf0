"""Recording while a hand acts on the beat: on the disk as it comes, each beat told in time."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from benchlog.show.beat_view import BeatPicture, BeatScreen, BeatSentences

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.commands.takes import Device
    from benchlog.diagnosis.trial.beats import Beats
    from benchlog.diagnosis.words.beat_texts import Try
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal

__all__ = ["record_on_beat"]

_PATIENCE_S = 1.0
"""A channel that is on makes a pulse long before."""


class _Conductor:
    """Tells each beat when the recording has come to it."""

    def __init__(
        self,
        channel: str,
        beats: Beats,
        what: Try,
        terminal: LiveTerminal,
        view: PictureView[BeatPicture],
        *,
        quiet: bool,
    ) -> None:
        self._channel, self._beats, self._what = channel, beats, what
        self._terminal, self._view, self._quiet = terminal, view, quiet
        self._slot = 0
        self._waiting_since_s: float | None = None
        self.has_begun = False

    def reach(self, done_s: float) -> None:
        """Show what is to be done at this place of the recording.

        Raises
        ------
        KeyboardInterrupt
            The user leaves: the recorder keeps what is there.
        """
        while (key := self._terminal.poll_key()) is not None:
            if key.lower() == "q":
                raise KeyboardInterrupt
        if self._terminal.ended_by is not None:
            raise KeyboardInterrupt
        if self._terminal.settle():
            self._view.redraw()
        beats, is_silent = self._beats, False
        if done_s > 0:
            self.has_begun = True
        else:
            now_s = time.monotonic()
            self._waiting_since_s = self._waiting_since_s or now_s
            is_silent = now_s - self._waiting_since_s > _PATIENCE_S
        place = (done_s - beats.start_s) / beats.slot_s
        slot = min(max(int(place) + 1 if place >= 0 else 0, 0), len(beats.acts))
        is_act = beats.act_at(done_s)
        left_s = beats.start_s + slot * beats.slot_s - done_s
        self._view.show(
            BeatPicture(
                self._channel,
                self._what.act,
                self._what.rest,
                is_act,
                slot,
                len(beats.acts),
                left_s,
                is_silent,
            )
        )
        if slot != self._slot:
            self._slot = slot
            if not self._quiet and is_act is not None and sys.stderr.isatty():
                sys.stderr.write("\a")
                sys.stderr.flush()


def record_on_beat(
    bench: Bench,
    device: Device,
    sidecar: Sidecar,
    beats: Beats,
    what: Try,
    *,
    quiet: bool,
    on_screen: bool,
    to_error: bool,
) -> tuple[Kept | None, int | None]:
    """Record a try.

    Parameters
    ----------
    bench : Bench
        Where to.
    device : Device
        What to record from, and how long.
    sidecar : Sidecar
        What is known; it holds the beats.
    beats : Beats
        When to act.
    what : Try
        What to do.
    quiet : bool
        Whether to leave out the bell.
    on_screen : bool
        Whether to draw on a screen of its own.
    to_error : bool
        Whether sentences go to standard error.

    Returns
    -------
    tuple
        The recording as it lies in the bench folder, cut short where the user left, None where
        that was before anything was recorded; and the signal that asked to end, None where none
        did.

    Raises
    ------
    DeviceError, StoreError
        Nothing could be recorded.
    """
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.show.terminal import warn, write_out

    def say(line: str) -> None:
        if to_error:
            warn(line)
        else:
            write_out(line + "\n")

    terminal = LiveTerminal(screen=on_screen)
    view: PictureView[BeatPicture] = BeatScreen(terminal) if on_screen else BeatSentences(say)
    conductor = _Conductor(sidecar.channel, beats, what, terminal, view, quiet=quiet)
    kept: Kept | None = None
    try:
        with terminal:
            kept = _keep(bench, device, sidecar, conductor)
    except KeyboardInterrupt:
        if conductor.has_begun:
            raise
    finally:
        terminal.close()
    return kept, terminal.ended_by


def _keep(bench: Bench, device: Device, sidecar: Sidecar, conductor: _Conductor) -> Kept:
    if device.port is None:
        from benchlog.capture.recorder import keep_sound
        from benchlog.capture.stream import open_sound

        inputs = (device.channel_input,)
        with open_sound(device.sound or "", device.rate_hz, inputs) as sound:
            return keep_sound(bench, sidecar, sound, device.seconds, conductor.reach)
    from benchlog.capture.recorder import keep_edges
    from benchlog.capture.serial_ports import BAUD
    from benchlog.capture.stream import open_probe

    with open_probe(device.port, device.baud or BAUD) as probe:
        return keep_edges(bench, sidecar, probe, device.seconds, conductor.reach)
