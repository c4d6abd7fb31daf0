"""What differs between stages, and what is said of it."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb

import numpy as np
import pytest

from benchlog.channel.design import parse_design
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.finding import Finding
from benchlog.diagnosis.separation.directions import Direction, find_directions
from benchlog.diagnosis.train.event_kinds import Event, EventKind
from benchlog.diagnosis.train.events import Events
from benchlog.diagnosis.trial.comparing import compare_stages
from benchlog.diagnosis.trial.stage import Stage
from benchlog.diagnosis.trial.stage_events import compare_events
from benchlog.diagnosis.words.comparing_texts import describe_comparison

_ON_S, _OFF_S = 1.5e-3, 13e-3
_LENGTH_S = 20.0


@pytest.fixture(scope="module")
def directions(heron_text: str) -> tuple[Direction, ...]:
    return find_directions(_ON_S, _OFF_S, parse_design(heron_text, "heron"))


def make_events(kind: EventKind, times_s: Sequence[float]) -> Events:
    """Make events of one kind, each an instant long."""
    events = tuple(Event(kind, time_s, 0.015, 1, phase_kept=True, sure=True) for time_s in times_s)
    return Events(events, np.zeros(0, bool), 0.0, False, None, 0.0, False)


def make_stage(
    name: str,
    seed: int,
    *,
    shift_s: float = 0.0,
    rest_shift_s: float = 0.0,
    jitter_s: float = 1e-6,
    creep_s_per_s: float = 0.0,
    began_s: float | None = None,
    events: Events | None = None,
    planned_s: float | None = None,
    directions: tuple[Direction, ...] = (),
) -> Stage:
    """Make a stage of 20 s; creep goes on from the time at which all began."""
    rng = np.random.default_rng(seed)
    count = int(_LENGTH_S / (_ON_S + _OFF_S))
    start_s = np.asarray(np.arange(count) * (_ON_S + _OFF_S), np.float64)
    crept_s = creep_s_per_s * (start_s + (began_s or 0.0))
    on_s = _ON_S + shift_s + crept_s + jitter_s * rng.standard_normal(count)
    off_s = _OFF_S + rest_shift_s + 3e-6 * rng.standard_normal(count)
    cycles = Cycles(start_s, on_s, off_s, np.ones(count, bool), 1e-8, _LENGTH_S)
    return Stage(
        name,
        cycles,
        events,
        planned_s=planned_s,
        began_s=began_s,
        directions=directions,
    )


def say(*stages: Stage) -> tuple[Finding, ...]:
    return describe_comparison(compare_stages(stages))


def all_text(findings: tuple[Finding, ...]) -> str:
    return " ".join(f"{one.text} {one.next_step}" for one in findings)


# --- stages that are alike --------------------------------------------------------------


def test_three_stages_that_are_the_same() -> None:
    names = ("unplugged", "plugged", "neighbour")
    [finding] = say(*(make_stage(one, k, began_s=25.0 * k) for k, one in enumerate(names)))
    assert finding.cause == "steady"
    assert finding.why.startswith("In all three stages the pulse is the same within")
    assert "the pulse is right" in finding.next_step


def test_two_stages_that_are_the_same() -> None:
    [finding] = say(make_stage("unplugged", 1), make_stage("plugged", 2))
    assert finding.why.startswith("With the servo unplugged and with the servo plugged in the")


# --- events -------------------------------------------------------------------------------


def test_the_chance_of_events_by_hand() -> None:
    """None in 20 s and 10 in 20 s: each falls into either half alike, so 1 in 2**10."""
    even = [2.0 * k + 0.5 for k in range(10)]
    before = make_stage("unplugged", 1, events=make_events("missing-pulse", []))
    after = make_stage("plugged", 2, events=make_events("missing-pulse", even))
    [change] = compare_events(before, after)
    assert (change.first, change.second) == (0, 10)
    assert change.p_more == pytest.approx(2.0**-10)
    assert change.is_more
    # 3 before and 10 after: the tail of 13 tosses from 10 on
    some = make_stage("unplugged", 1, events=make_events("missing-pulse", [2.1, 9.3, 16.2]))
    [change] = compare_events(some, after)
    tail = sum(comb(13, k) for k in range(10, 14)) / 2**13
    assert change.p_more == pytest.approx(tail)
    assert not change.is_more


def test_a_burst_counts_as_little_more_than_one_event() -> None:
    """Ten within half a second scatter as 10 times Poisson's: as good as one event."""
    before = make_stage("unplugged", 1, events=make_events("extra-edge", []))
    burst = make_events("extra-edge", [7.01 + 0.04 * k for k in range(10)])
    [change] = compare_events(before, make_stage("plugged", 2, events=burst))
    assert change.p_more == pytest.approx(0.5)
    assert not change.is_more


def test_chance_rarely_makes_events_more() -> None:
    """At p < 0.003 some 1 in 300 pairs or fewer; 5 in 400 come less than once in 100."""
    rng = np.random.default_rng(8)
    more = 0
    for _ in range(400):
        first, second = (
            make_events("missing-pulse", sorted(rng.uniform(0, 20.0, rng.poisson(8)).tolist()))
            for _ in range(2)
        )
        pair = (
            Stage("unplugged", None, first, length_s=20.0),
            Stage("plugged", None, second, length_s=20.0),
        )
        more += any(one.is_more for one in compare_events(*pair))
    assert more <= 4


def test_pulses_that_go_missing_once_the_servo_is_in() -> None:
    lost = make_events("missing-pulse", [0.5 * k + 0.15 for k in range(40)])
    before = make_stage("unplugged", 1, began_s=0.0, events=make_events("missing-pulse", []))
    [finding] = say(before, make_stage("plugged", 2, began_s=25.0, events=lost))
    assert finding.cause == "missing-pulse"
    assert finding.what == "Once the servo is plugged in, pulses go missing."
    assert "40 times in 20 s with the servo plugged in, never in 20 s" in finding.why
    assert finding.sure.startswith("Surely")


@pytest.mark.parametrize("kind", ["missing-pulse", "extra-edge", "runt", "reset", "gap", "dropout"])
@pytest.mark.parametrize("where", ["unplugged", "plugged"])
def test_nothing_is_called_steady_or_right_beside_an_event(kind: EventKind, where: str) -> None:
    stages = [
        make_stage(name, k, events=make_events(kind, [3.0] if name == where else []))
        for k, name in enumerate(("unplugged", "plugged"))
    ]
    findings = say(*stages)
    assert "steady" not in {one.cause for one in findings}
    assert "the pulse is right" not in all_text(findings)
    assert "not to blame" not in all_text(findings)
    assert all(one.cause != "not-enough-to-tell" for one in findings)


# --- stages without pulses ----------------------------------------------------------------


def test_pulses_that_stop() -> None:
    silent = Stage("plugged", None, length_s=20.0, began_s=25.0)
    [finding] = say(make_stage("unplugged", 1, began_s=0.0), silent)
    assert finding.cause == "supply"
    assert finding.what == "With the servo plugged in the pulses stop."
    # those that come after are compared with those that came before
    later = make_stage("neighbour", 3, shift_s=40e-6, began_s=50.0)
    stopped, moved = say(make_stage("unplugged", 1, began_s=0.0), silent, later)
    assert stopped.what == finding.what
    assert moved.what.startswith("One of the two servos")


def test_a_few_pulses_at_the_beginning_are_no_train() -> None:
    few = make_stage("plugged", 2).cycles
    assert few is not None
    seven = Cycles(
        few.start_s[:7], few.on_s[:7], few.off_s[:7], few.follows[:7], few.u_edge_s, _LENGTH_S
    )
    stages = [make_stage("unplugged", 1), Stage("plugged", seven)]
    comparison = compare_stages(stages)
    assert comparison.silent == ("plugged",)
    [finding] = describe_comparison(comparison)
    assert finding.what == "With the servo plugged in the pulses stop."


def test_no_pulses_at_first() -> None:
    first, *_ = say(Stage("unplugged", None, length_s=20.0), make_stage("plugged", 1))
    assert (first.cause, first.what) == ("weak-signal", "With the servo unplugged no pulses come.")


# --- creep between the stages -----------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_creep_in_a_pause_is_not_the_servos_doing(seed: int) -> None:
    """0.06 us/s of warming, 20 s of each stage and a pause of 60 s: 4.8 us by itself."""
    stages = [
        make_stage(name, 10 * seed + k, creep_s_per_s=0.06e-6, began_s=80.0 * k)
        for k, name in enumerate(("unplugged", "plugged"))
    ]
    comparison = compare_stages(stages)
    [one] = comparison.differences
    assert one.shift_s == pytest.approx(4.8e-6, abs=0.2e-6)
    assert one.apart_s == pytest.approx(80.0)
    assert not one.is_shift
    [finding] = describe_comparison(comparison)
    assert finding.cause == "not-enough-to-tell"


def test_a_shift_far_beyond_creep_is_told_all_the_same(
    directions: tuple[Direction, ...],
) -> None:
    [finding] = say(
        make_stage("unplugged", 1, creep_s_per_s=0.06e-6, began_s=0.0, directions=directions),
        make_stage("plugged", 2, creep_s_per_s=0.06e-6, began_s=80.0, shift_s=30e-6),
    )
    assert finding.cause == "supply"
    assert finding.sure.startswith("Surely")


@pytest.mark.parametrize(
    ("times", "said"),
    [
        ((None, None), "it is not known when"),
        ((0.0, 0.0), "it is not known when"),  # two at one time cannot be
        ((0.0, 26 * 3600.0), "26 h apart"),
    ],
)
def test_without_usable_times_nothing_is_sure(
    times: tuple[float | None, float | None], said: str
) -> None:
    [finding] = say(
        make_stage("unplugged", 1, began_s=times[0]),
        make_stage("plugged", 2, began_s=times[1], shift_s=30e-6),
    )
    assert finding.sure.startswith("Maybe")
    assert said in finding.sure


# --- the way and the size of a change ------------------------------------------------------


def test_a_falling_supply_makes_the_pulse_longer(directions: tuple[Direction, ...]) -> None:
    for shift_s, is_falling in ((40e-6, True), (-40e-6, False)):
        stages = [
            make_stage("unplugged", 1, began_s=0.0, directions=directions),
            make_stage("plugged", 2, began_s=25.0, shift_s=shift_s, directions=directions),
        ]
        comparison = compare_stages(stages)
        assert comparison.differences[0].is_falling is is_falling
        [finding] = describe_comparison(comparison)
        pulled = "pulls the supply" in finding.what
        assert pulled is is_falling
        assert ("Something else changed" in finding.what) is not is_falling


def test_a_pulse_that_shortens_is_not_the_neighbours_pull(
    directions: tuple[Direction, ...],
) -> None:
    [finding] = say(
        make_stage("plugged", 1, began_s=0.0, directions=directions),
        make_stage("neighbour", 2, began_s=25.0, shift_s=-40e-6),
    )
    assert finding.cause != "neighbour"
    assert finding.what.startswith("Something else changed when the neighbour moved")


def test_too_little_to_move_the_arm(directions: tuple[Direction, ...]) -> None:
    [finding] = say(
        make_stage("unplugged", 1, began_s=0.0, directions=directions),
        make_stage("plugged", 2, began_s=25.0, shift_s=2.5e-6),
    )
    assert finding.cause == "steady"
    assert "It does, by 2." in finding.what
    assert "too little to move the arm" in finding.what
    assert "+2." in finding.why


def test_two_small_steps_are_one_that_moves_the_arm(directions: tuple[Direction, ...]) -> None:
    findings = say(
        make_stage("unplugged", 1, began_s=0.0, directions=directions),
        make_stage("plugged", 2, began_s=25.0, shift_s=4e-6, directions=directions),
        make_stage("neighbour", 3, began_s=50.0, shift_s=8e-6, directions=directions),
    )
    assert [one.cause for one in findings] == ["neighbour"]


def test_a_change_at_the_dead_band_is_not_sure(directions: tuple[Direction, ...]) -> None:
    [finding] = say(
        make_stage("unplugged", 1, began_s=0.0, directions=directions),
        make_stage("plugged", 2, began_s=25.0, shift_s=5.0e-6),
    )
    assert finding.cause == "supply"
    assert finding.sure.startswith("Maybe")


def test_more_scatter_counts_from_the_limits_on() -> None:
    quiet = make_stage("unplugged", 1, began_s=0.0)
    [little] = say(quiet, make_stage("plugged", 2, began_s=25.0, jitter_s=2.5e-6))
    assert (little.cause, "It does" in little.what) == ("steady", True)
    [much] = say(quiet, make_stage("plugged", 2, began_s=25.0, jitter_s=8e-6))
    assert much.cause == "supply"
    assert "restless" in much.what


def test_without_the_middle_stage_either_servo_may_be_it(
    directions: tuple[Direction, ...],
) -> None:
    [finding] = say(
        make_stage("unplugged", 1, began_s=0.0, directions=directions),
        make_stage("neighbour", 2, began_s=25.0, shift_s=30e-6),
    )
    assert finding.cause == "supply"
    assert finding.what.startswith("One of the two servos")


# --- what is there of a stage ---------------------------------------------------------------


def test_a_stage_that_was_cut_short_is_told() -> None:
    [finding] = say(
        make_stage("unplugged", 1, began_s=0.0),
        make_stage("plugged", 2, began_s=25.0, planned_s=60.0),
    )
    assert "'servo plugged in' was cut short: 20.0 of 60 s" in finding.sure


def test_a_stage_that_is_too_short_is_not_called_the_same() -> None:
    whole = make_stage("plugged", 2).cycles
    assert whole is not None
    short = Cycles(
        whole.start_s[:40], whole.on_s[:40], whole.off_s[:40], whole.follows[:40], 1e-8, 0.6
    )
    [finding] = say(make_stage("unplugged", 1), Stage("plugged", short))
    assert finding.cause == "not-enough-to-tell"
    assert "'servo plugged in' (40 whole cycles)" in finding.why
