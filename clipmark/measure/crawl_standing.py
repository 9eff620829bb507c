"""Where a truck stood: stalls within its moves, and stops between a move and one the other way."""

from __future__ import annotations

from dataclasses import dataclass, replace

from clipmark.measure.crawl_ruler import FloatArray
from clipmark.motion.phases import Phase, find_phases
from clipmark.motion.stalls import LEAST_DWELL_S, Standing, find_standing


@dataclass(frozen=True)
class Move:
    """A move with half the stands around it.

    Attributes
    ----------
    first, last : int
        Known instants, both included.
    sense : int
        +1 ahead, -1 back.
    standing : Standing
        What stood in it, in its own sense.
    number : int
        Of the move among the phases; -1 where there is none.
    """

    first: int
    last: int
    sense: int
    standing: Standing
    number: int = -1


@dataclass(frozen=True)
class Stands:
    """Standing of a whole trace, and its moves.

    Attributes
    ----------
    standing : Standing
        Stalls of all moves; what it says of the ends of the span.
    moves : tuple of Move
    phases : tuple of Phase
        What the moves were taken from.
    """

    standing: Standing
    moves: tuple[Move, ...]
    phases: tuple[Phase, ...] = ()

    @property
    def reverses(self) -> bool:
        """Whether the truck also backed up."""
        return len({move.sense for move in self.moves}) > 1

    @property
    def ahead(self) -> Move:
        """The longest move ahead."""
        ahead = [move for move in self.moves if move.sense > 0]
        return max(ahead or self.moves, key=lambda move: move.last - move.first)


def find_stands(
    times_s: FloatArray,
    positions: FloatArray,
    speed_noise: float,
    position_noise: float,
    least_dwell_s: float = LEAST_DWELL_S,
) -> Stands:
    """Stalls of a trace, each move looked at by itself and in its own sense.

    A stop before a move the other way is no stall: it ends one move and begins the next.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and travel, mm.
    speed_noise, position_noise : float
        Standard deviation of the filtered speed at rest (mm/s), and of a single position (mm).
    least_dwell_s : float
        Of a stall; less than the criterion's shows what nearly was one.
    """
    phases = find_phases(times_s, positions, speed_noise, position_noise)
    found = _moves(phases)
    senses = {sense for _, _, sense, _ in found}
    if len(senses) < 2:
        sense = -1 if senses == {-1} else 1
        whole = find_standing(
            times_s, sense * positions, speed_noise, position_noise, least_dwell_s
        )
        whole = _without_stands(whole, times_s, phases)
        number = found[0][3] if found else -1
        only = Move(0, len(times_s) - 1, sense, whole, number)
        return Stands(whole, (only,), tuple(phases))
    moves = []
    for first, last, sense, number in found:
        part = slice(first, last + 1)
        standing = find_standing(
            times_s[part], sense * positions[part], speed_noise, position_noise, least_dwell_s
        )
        standing = _without_stands(standing, times_s, phases)
        moves.append(Move(first, last, sense, standing, number))
    ahead = next(move.standing for move in moves if move.sense > 0)
    parts = [move.standing for move in moves]
    whole = Standing(
        stalls=tuple(stall for part in parts for stall in part.stalls),
        at_start_s=parts[0].at_start_s,
        at_end_s=parts[-1].at_end_s,
        usual_speed=ahead.usual_speed,
        limit=ahead.limit,
        blind=any(part.blind for part in parts),
    )
    return Stands(whole, tuple(moves), tuple(phases))


def _without_stands(standing: Standing, times_s: FloatArray, phases: list[Phase]) -> Standing:
    """The same without stalls that are stands between moves: a held truck may creep or roll."""
    stands = [(times_s[p.first], times_s[p.last]) for p in phases if not p.sense]
    kept = tuple(
        stall
        for stall in standing.stalls
        if not any(a <= stall.start_s + stall.dwell_s / 2 <= b for a, b in stands)
    )
    return replace(standing, stalls=kept)


def _moves(phases: list[Phase]) -> list[tuple[int, int, int, int]]:
    """First, last, sense, number of each move with half of each stand beside it, all at an end."""
    out = []
    for number, phase in enumerate(phases):
        if not phase.sense:
            continue
        first, last = phase.first, phase.last
        if number and not phases[number - 1].sense:
            stand = phases[number - 1]
            first = stand.first if number == 1 else (stand.first + stand.last) // 2
        if number + 1 < len(phases) and not phases[number + 1].sense:
            stand = phases[number + 1]
            ends = number + 2 >= len(phases)
            last = stand.last if ends else (stand.first + stand.last) // 2 - 1
        out.append((first, max(last, first), phase.sense, number))
    return out
