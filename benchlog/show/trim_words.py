"""What `trim` says: sentences for people, and the same as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchlog.calibration.trim_model import Where
from benchlog.calibration.trim_remedy import PartChange
from benchlog.calibration.trim_steps import Advice, PlaceResult, Step, TrimmerResult
from benchlog.calibration.trimmers import Trimmer
from benchlog.show.json_output import known_microseconds
from benchlog.units import format_value

__all__ = [
    "SERVO_CAUTION",
    "TrimPicture",
    "describe_advice",
    "describe_result",
    "describe_trimmer",
    "name_share",
    "name_trimmer",
    "picture_to_json",
    "summary_to_json",
    "tell_step",
]

SERVO_CAUTION = (
    "The servo stays unplugged the whole time: while a trimmer is turned the pulse may go far past "
    "its end stop, and a servo that pushes against its stop heats and can pinch."
)

_TRIMMER_NAMES: dict[Where, str] = {
    "r_on": "the trimmer at r_on",
    "across": "the trimmer across the knob",
    "r_off": "the trimmer at r_off",
}
_KEYS: dict[Where, str] = {"r_on": "r_on", "across": "across-knob", "r_off": "r_off"}
_SHARES = (
    (0.04, "a hair"),
    (0.09, "about a sixteenth"),
    (0.18, "about an eighth"),
    (0.31, "about a quarter"),
    (0.44, "about three eighths"),
    (0.62, "about half"),
    (0.87, "about three quarters"),
)


@dataclass(frozen=True, slots=True)
class TrimPicture:
    """What is shown at an instant.

    Attributes
    ----------
    channel : str
        The channel.
    source : str
        What is listened to.
    step : Step
        What to do, and how it stands.
    results : tuple of PlaceResult
        What each place gave so far.
    travel_deg : float
        The knob's travel, degrees.
    hold_s : float
        How long the pulse has to stand still.
    quiet : str or None
        What is heard in place of pulses.
    is_lost : bool
        Whether the input is gone.
    message : str
        News.
    has_keys : bool
        Whether keys can be pressed.
    """

    channel: str
    source: str
    step: Step
    results: tuple[PlaceResult, ...]
    travel_deg: float
    hold_s: float
    quiet: str | None = None
    is_lost: bool = False
    message: str = ""
    has_keys: bool = False


def name_trimmer(trimmer: Trimmer) -> str:
    """Return what to call a trimmer."""
    return _TRIMMER_NAMES[trimmer.where]


def name_share(share: float, turns: float) -> str:
    """Say how far to turn: a share of the whole way, or turns where it has many.

    Parameters
    ----------
    share : float
        0 to 1.
    turns : float
        Turns from end to end.
    """
    if turns > 1.5:
        count = share * turns
        if count >= 0.85:
            whole = round(count) if count >= 2.5 else round(count * 2) / 2
            return f"about {whole:g} turn" + ("s" if whole != 1 else "")
        return f"{_word(count)} of a turn" if _word(count) else "about 1 turn"
    word = _word(share)
    if share < _SHARES[0][0]:
        return word
    return f"{word} of its way" if word else "nearly all of its way"


def _word(share: float) -> str:
    return next((word for most, word in _SHARES if share < most), "")


def describe_advice(advice: Advice) -> tuple[str, str]:
    """Say how to turn a trimmer, and what to mind.

    Parameters
    ----------
    advice : Advice
        The advice.

    Returns
    -------
    what, mind : str
        Two sentences.
    """
    ways = {
        "clockwise": "clockwise",
        "anticlockwise": "anticlockwise",
        "on": "further the same way",
        "back": "back the other way",
    }
    name = name_trimmer(advice.trimmer)
    amount = format_value(abs(advice.change_ohm), "ohm", 2)
    more = "more" if advice.change_ohm > 0 else "less"
    if advice.within == "no":
        far = f"Turn {name} to its end, {ways[advice.way]}: {more} resistance."
        return far, "What is wanted lies beyond its end: it gets as near as it can."
    how_far = name_share(advice.share, advice.trimmer.turns)
    what = f"Turn {name} {how_far} {ways[advice.way]}: {amount} {more}."
    if not advice.is_way_known:
        mind = "If the pulse gets further away, or does not move, turn the other way."
    else:
        mind = "Then let it stand still."
    if advice.within == "perhaps":
        mind += " It may come to its end first: key e says that it has."
    return what, mind


def _knob_place(step: Step, travel_deg: float) -> str:
    if step.place == "middle":
        return f"about its middle ({step.knob_deg:g} degrees)"
    side = "anticlockwise" if step.knob_deg < travel_deg / 2 else "clockwise"
    return f"its {side} stop ({step.knob_deg:g} degrees)"


_GIVES = {
    "low": "the short pulse",
    "high": "the long pulse",
    "middle": "where the period is set",
}


def tell_step(picture: TrimPicture) -> tuple[str, str]:
    """Return what to do, and what to know.

    Parameters
    ----------
    picture : TrimPicture
        What is known.

    Returns
    -------
    what, mind : str
        Sentences; `mind` may be empty.
    """
    step = picture.step
    if picture.is_lost:
        return "The input is gone.", "Plug it in again; it goes on by itself."
    if step.phase == "done":
        return "Done.", ""
    if step.phase == "go":
        where = _knob_place(step, picture.travel_deg)
        what = f"Turn the knob to {where}: {_GIVES[step.place]}."
        return what, _mind_going(picture)
    if step.advice is None:
        return "", ""
    what, mind = describe_advice(step.advice)
    if step.pulse == "none":
        mind = _silence(picture)
    elif step.held_s > 0:
        what, mind = "That is it: leave the trimmer as it is.", "It goes on by itself."
    return what, mind


def _mind_going(picture: TrimPicture) -> str:
    step = picture.step
    if step.pulse == "none":
        return _silence(picture)
    if step.doubt == "other-end":
        return (
            "This is the pulse of the other stop. If the knob is where it should be, its ends are "
            "exchanged: go to the other stop."
        )
    if step.doubt == "not-there":
        about = f", about {step.expected_s * 1e6:.0f}" if step.expected_s is not None else ""
        if step.place == "middle":
            return "This is not yet near the middle. If it is, leave it: it is taken soon."
        return (
            f"This is not yet what the stop should give{about}. If the knob is there, leave it: it "
            "is taken soon."
        )
    if step.pulse == "settled" and step.held_s > 0:
        return "It stands still: leave the knob."
    return "Then let go of it: it goes on once the pulse stands still."


def _silence(picture: TrimPicture) -> str:
    return f"No pulses are heard: {picture.quiet or 'nothing yet'}."


def picture_to_json(picture: TrimPicture) -> dict[str, Any]:
    """Return a picture as one line of JSON."""
    step, advice = picture.step, picture.step.advice
    told = None
    if advice is not None:
        told = {
            "number": advice.number,
            "trimmer": _KEYS[advice.trimmer.where],
            "change_ohm": round(advice.change_ohm, 2),
            "share_of_turn": round(advice.share, 5),
            "turns": round(advice.share * advice.trimmer.turns, 3),
            "way": advice.way,
            "way_known": advice.is_way_known,
            "within_reach": advice.within,
        }
    what, mind = tell_step(picture)
    return {
        "state": "lost" if picture.is_lost else step.phase,
        "place": step.place,
        "knob_deg": step.knob_deg,
        "round": step.round,
        "moves": step.moves,
        "quantity": "period" if step.place == "middle" else "pulse",
        "pulse": step.pulse,
        "now_us": known_microseconds(step.now_s),
        "u_now_us": known_microseconds(step.u_s),
        "expected_us": known_microseconds(step.expected_s),
        "wanted_us": known_microseconds(step.wanted_s),
        "target_us": known_microseconds(step.target_s),
        "within_us": known_microseconds(step.within_s),
        "advice": told,
        "held_s": round(step.held_s, 3),
        "doubt": step.doubt,
        "best_possible": step.best,
        "text": f"{what} {mind}".strip(),
    }


def summary_to_json(
    channel: str,
    state: str,
    results: tuple[PlaceResult, ...],
    trimmers: tuple[TrimmerResult, ...],
    changes: tuple[PartChange, ...],
    *,
    rounds: int,
    moves: int,
) -> dict[str, Any]:
    """Return the end as the last line of JSON."""
    return {
        "state": state,
        "channel": channel,
        "reached": state == "done" and all(one.holds is not False for one in results),
        "rounds": rounds,
        "moves": moves,
        "results": [
            {
                "place": one.place,
                "knob_deg": one.knob_deg,
                "quantity": "period" if one.place == "middle" else "pulse",
                "value_us": known_microseconds(one.value_s),
                "u_us": known_microseconds(one.u_s),
                "target_us": known_microseconds(one.target_s),
                "within_us": known_microseconds(one.within_s),
                "holds": one.holds,
            }
            for one in results
        ],
        "trimmers": [
            {
                "trimmer": _KEYS[one.trimmer.where],
                "with_fixed_ohm": round(one.ohm, 2),
                "u_ohm": round(one.u_ohm, 2),
                "at_end": one.at_end,
                "wanted_ohm": None if one.wanted_ohm is None else round(one.wanted_ohm, 2),
            }
            for one in trimmers
        ],
        "changes": [
            {
                "part": one.part,
                "value": one.value,
                "unit": one.unit,
                "series": one.series,
                "adds": one.adds,
                "text": one.text,
            }
            for one in changes
        ],
    }


def describe_result(result: PlaceResult) -> str:
    """Say in a sentence what a place gives."""
    place = {"low": "Short end", "high": "Long end", "middle": "Mid-knob"}[result.place]
    quantity = "period" if result.place == "middle" else "pulse"
    head = f"{place} ({result.knob_deg:g} degrees)"
    if result.value_s is None:
        return f"{head}: not visited."
    if result.place == "middle":
        text = f"{head}: {quantity} {result.value_s * 1e3:.2f} ms"
        wanted = f"{(result.target_s or 0.0) * 1e3:.2f}"
        off = f"{(result.value_s - (result.target_s or 0.0)) * 1e3:+.2f} ms"
    else:
        text = f"{head}: {quantity} {result.value_s * 1e6:.1f} ± {2e6 * (result.u_s or 0):.1f} µs"
        wanted = f"{(result.target_s or 0.0) * 1e6:.1f}"
        off = f"{(result.value_s - (result.target_s or 0.0)) * 1e6:+.1f} µs"
    if result.target_s is None:
        return f"{text}."
    return f"{text}, wanted {wanted}: {'holds' if result.holds else f'off by {off}'}."


def describe_trimmer(result: TrimmerResult) -> str:
    """Say in a sentence where a trimmer stands."""
    trimmer = result.trimmer
    name = name_trimmer(trimmer)
    joined = " with its fixed resistor" if trimmer.fixed_ohm else ""
    amount = f"{format_value(result.ohm, 'ohm')} ± {format_value(2 * result.u_ohm, 'ohm', 2)}"
    end = ""
    if result.at_end is not None:
        end = f", at its end of {result.at_end} resistance"
    return f"{name[0].upper()}{name[1:]}{joined}: {amount}{end}."
