"""Two channels in one recording: whether one moves the other through the supply.

Three kinds of evidence, each tested by itself. *Turns*: the neighbour's pulse is changed, its servo
moves, and the channel follows the way that a falling supply moves it. *Restlessness*: it
only scatters more meanwhile, since a servo draws its current in jerks. *Strokes*: the channel's
crossings shift with the place of the neighbour's cycle at which they fall. What both do at the same
instant and by the same volts (cells that sag, a third load) is fitted first and counts for
none of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.odd_cycles import calm_cycles
from benchlog.diagnosis.pair.likeness import Likeness, find_restlessness, find_strokes, find_turns
from benchlog.diagnosis.pair.neighbour_pair import Pair
from benchlog.diagnosis.pair.neighbour_pull import Neighbour, follow_neighbour
from benchlog.diagnosis.pair.neighbour_size import CouplingSize, Part, measure_coupling
from benchlog.diagnosis.separation.directions import Direction

__all__ = ["Coupling", "Couplings", "find_coupling"]

_FEWEST_CYCLES = 200


@dataclass(frozen=True, slots=True)
class Coupling:
    """Whether one channel is moved by a neighbour.

    Attributes
    ----------
    source, target : int
        Places of the two in what was given: the source pulls, the target is moved.
    found : bool
        Whether it does. `size` is 0 where it does not.
    p_turns, p_restless, p_strokes : float
        Chance of as great a likeness without any coupling, for the three kinds of evidence.
    is_turned : bool
        Whether the source's own pulse is changed meanwhile, by its knob: no fault of it.
    travel_s : float
        By how much, seconds.
    turning_share : float
        Share of the recording in which it is.
    log_odds : float
        Gain in log-likelihood, less what as many sizes gain by chance.
    size : CouplingSize
        How large it is.
    """

    source: int
    target: int
    found: bool
    p_turns: float
    p_restless: float
    p_strokes: float
    is_turned: bool
    travel_s: float
    turning_share: float
    log_odds: float = 0.0
    size: CouplingSize = field(default_factory=CouplingSize)

    @property
    def p_value(self) -> float:
        """The least of the three chances, all tries counted."""
        return min(1.0, 3.0 * min(self.p_turns, self.p_restless, self.p_strokes))

    @property
    def effect_s(self) -> float:
        """Change of the target's pulse while the source's servo moves at full pace, seconds."""
        return self.size.effect_s

    @property
    def u_effect_s(self) -> float:
        """Standard uncertainty of `effect_s`, seconds."""
        return self.size.u_effect_s

    @property
    def supply_v(self) -> float:
        """The same as a change of the supply, volts; below 0 where it falls."""
        return self.size.supply_v

    @property
    def u_supply_v(self) -> float:
        """Standard uncertainty of `supply_v`, volts."""
        return self.size.u_supply_v

    @property
    def swift_v(self) -> float:
        """Supply at the target's crossings from what differs within a cycle: sd, volts."""
        return self.size.swift_v

    @property
    def delay_s(self) -> float | None:
        """From the source's pulse to the target's, seconds; None where nothing is turned."""
        return self.size.delay_s

    @property
    def u_delay_s(self) -> float:
        """Standard uncertainty of `delay_s`, seconds."""
        return self.size.u_delay_s

    @property
    def pulse(self) -> Part:
        """What it does to the target's pulse."""
        return self.size.pulse

    @property
    def period(self) -> Part:
        """What it does to the target's period."""
        return self.size.period


@dataclass(frozen=True, slots=True)
class Couplings:
    """All pairs of a recording's channels.

    Attributes
    ----------
    pairs : tuple of Coupling
        Each ordered pair, in the order of targets.
    """

    pairs: tuple[Coupling, ...]

    @property
    def found(self) -> tuple[Coupling, ...]:
        """Those that were found, the likeliest first."""
        return tuple(
            sorted((one for one in self.pairs if one.found), key=lambda one: -one.log_odds)
        )

    @property
    def is_mutual(self) -> bool:
        """Whether two channels move each other."""
        ways = {(one.source, one.target) for one in self.found}
        return any((target, source) in ways for source, target in ways)

    def moving(self, target: int) -> Coupling | None:
        """Return what moves a channel most; None where nothing does."""
        return next((one for one in self.found if one.target == target), None)

    def is_turned(self, place: int) -> bool:
        """Tell whether a channel's own knob is turned, so that its movement is no fault."""
        return any(one.is_turned for one in self.pairs if one.source == place)


def find_coupling(
    cycles: Sequence[Cycles],
    directions: Sequence[Sequence[Direction]],
    *,
    calm: Sequence[Cycles] = (),
) -> Couplings:
    """Find which channels of one recording move which.

    Parameters
    ----------
    cycles : sequence of Cycles
        One channel each, all on the same scale of time.
    directions : sequence of sequence of Direction
        How each cause moves each channel.
    calm : sequence of Cycles
        The same without odd cycles (`calm_cycles`); worked out where not given.

    Returns
    -------
    Couplings
        Every ordered pair; channels of less than some 200 cycles take no part.

    Raises
    ------
    ValueError
        Not as many directions as cycles.
    """
    if len(cycles) != len(directions):
        raise ValueError(f"{len(cycles)} channels and {len(directions)} lists of directions")
    named = [{one.kind: one for one in some} for some in directions]
    able = [
        place
        for place, one in enumerate(cycles)
        if one.count >= _FEWEST_CYCLES and "wiper" in named[place]
    ]
    calm = calm or [calm_cycles(one).cycles for one in cycles]
    if any(calm[place] is not cycles[place] for place in able):
        # a few rests within which the supply steps hide, or feign, what all others follow
        found = _judge_pairs({place: calm[place] for place in able}, named)
        if found.found:
            return found
    return _judge_pairs({place: cycles[place] for place in able}, named)


def _judge_pairs(
    cycles: Mapping[int, Cycles], named: Sequence[Mapping[str, Direction]]
) -> Couplings:
    """Judge every ordered pair of channels."""
    followed = {
        place: follow_neighbour(one, named[place]["wiper"]) for place, one in cycles.items()
    }
    pairs = []
    for target, source in permutations(sorted(cycles), 2):
        one = Pair(cycles[target], named[target], cycles[source], named[source])
        pairs.append(_judge(one, followed[source], source, target))
    return Couplings(tuple(pairs))


def _judge(pair: Pair, neighbour: Neighbour, source: int, target: int) -> Coupling:
    """Judge one pair in one direction."""
    turns = restless = strokes = Likeness()
    if pair.fit.count >= _FEWEST_CYCLES:
        if neighbour.is_turned:
            turns = find_turns(pair, neighbour)
            restless = find_restlessness(pair, neighbour)
        strokes = find_strokes(pair, neighbour)
    kinds = [one for one in (turns, restless, strokes) if one.is_found]
    size = CouplingSize()
    if kinds:
        size = measure_coupling(pair, neighbour, turns, restless, strokes)
    return Coupling(
        source=source,
        target=target,
        found=bool(kinds),
        p_turns=turns.chance,
        p_restless=restless.chance,
        p_strokes=strokes.chance,
        is_turned=neighbour.is_turned,
        travel_s=neighbour.travel_s,
        turning_share=neighbour.turning_share,
        log_odds=sum(one.log_odds for one in kinds),
        size=size,
    )
