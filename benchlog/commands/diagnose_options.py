"""Which options of `diagnose` go together, and what is said where they do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchlog.errors import UsageError

__all__ = ["Way", "check_options"]

_BEAT = ("--try", "--rounds", "--slot", "--quiet")
_LISTENING = ("--at", "--rate", "--baud")
_LIVE = "--input DEVICE or --port PORT, to listen now"


@dataclass(frozen=True, slots=True)
class Way:
    """How a diagnosis is to be made.

    Attributes
    ----------
    target : str
        The first channel or file, for what is proposed.
    on_the_beat, compare : bool
        What is tried, if anything.
    sound, port : str or None
        What is listened to, if anything.
    recorded : bool
        Whether all that is named are files.
    """

    target: str
    on_the_beat: bool
    compare: bool
    sound: str | None
    port: str | None
    recorded: bool

    @property
    def is_trial(self) -> bool:
        """Whether something is tried."""
        return self.on_the_beat or self.compare

    @property
    def is_live(self) -> bool:
        """Whether something is listened to."""
        return self.sound is not None or self.port is not None


def check_options(way: Way, given: Mapping[str, bool]) -> None:
    """Refuse an option that would change nothing, or that goes with another way.

    Parameters
    ----------
    way : Way
        How the diagnosis is to be made.
    given : mapping
        Which options were typed, by their names.

    Raises
    ------
    UsageError
        The first that does not go.
    """
    typed = [name for name, is_given in given.items() if is_given]
    ways = [
        name for name in ("--on-the-beat", "--compare", "--plot", "--together") if name in typed
    ]
    if len(ways) > 1 and way.is_trial:
        raise UsageError(
            f"{ways[0]} together with {ways[1]}", expected="one of the two", attempt=ways[0]
        )
    if way.is_live and not way.is_trial:
        raise UsageError(
            "diagnose with something to listen to",
            expected="a recording; to listen it needs --on-the-beat or --compare",
            attempt=_record_first(way),
        )
    for name in typed:
        _check_way(way, name)
        _check_device(way, name)


def _check_way(way: Way, name: str) -> None:
    """Refuse an option of another way than the one that was chosen."""
    if name in _BEAT and not way.on_the_beat:
        raise _without(name, "--on-the-beat")
    if name == "--seconds" and not way.compare:
        raise _without(name, "--compare")
    if name in _LISTENING and not way.is_trial:
        raise UsageError(
            f"{name} with a recording",
            expected="--on-the-beat or --compare with it: they listen, a recording is as it is",
            attempt=f"leaving {name} away",
        )
    # a channel without a device stands for its newest comparison; of --at more is said there
    was_recorded = way.recorded or (way.compare and name != "--at")
    if was_recorded and not way.is_live and name in (*_BEAT, *_LISTENING, "--seconds"):
        raise UsageError(
            f"{name} with what was recorded before", expected=_LIVE, attempt=f"leaving {name} away"
        )


def _check_device(way: Way, name: str) -> None:
    """Refuse an option of another device than the one that is listened to."""
    if name in ("--rate", "--channel-input") and way.port is not None and way.sound is None:
        raise UsageError(
            f"{name} with --port",
            expected="--input with it: it belongs to a sound input",
            attempt=f"leaving {name} away",
        )
    if name == "--baud" and way.sound is not None and way.port is None:
        raise UsageError(
            "--baud with --input",
            expected="--port with it: it belongs to a serial probe",
            attempt="leaving --baud away",
        )
    if name == "--signal" and way.is_live:
        raise UsageError(
            "--signal with something to listen to",
            expected="a VCD file, which holds signals by name",
            attempt="leaving --signal away",
        )


def _without(name: str, wanted: str) -> UsageError:
    return UsageError(
        f"{name} without {wanted}",
        expected=f"{wanted} with it",
        attempt=f"adding {wanted}, or leaving {name} away",
    )


def _record_first(way: Way) -> str:
    """Propose to record the channel first, by its name where it is known."""
    channel = "CHANNEL" if way.recorded else way.target
    device = f"--port {way.port}" if way.sound is None else f"--input {way.sound}"
    return (
        f"benchlog capture {channel} --at DEG --seconds 60 {device}, then benchlog diagnose "
        f"{channel}"
    )
