"""Where a truck stood: stalls within its moves, and stops between a move and one the other way."""

from __future__ import annotations

from dataclasses import dataclass

from clipmark.measure.crawl_ruler import FloatArray
from clipmark.motion.phases import Phase, find_phases
from clipmark.motion.stalls import Standing, find_standing


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
    """

    first: int
    last: int
    sense: int
    standing: Standing


@dataclass(frozen=True)
class Stands:
    """Standing of a whole trace, and its moves.

    Attributes
    ----------
    standing : Standing
        Stalls of all moves; what it says of the ends of the span.
    moves : tuple of Move
    """

    standing: Standing
    moves: tuple[Move, ...]

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
    times_s: FloatArray, positions: FloatArray, speed_noise: float, position_noise: float
) -> Stands:
    """Stalls of a trace, each move looked at by itself and in its own sense.

    A stop before a move the other way is no stall: it ends one move and begins the next.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and travel, mm.
    speed_noise, position_noise : float
        Standard deviation of the filtered speed at rest (mm/s), and of a single position (mm).
    """
    found = _moves(find_phases(times_s, positions, speed_noise, position_noise))
    senses = {sense for _, _, sense in found}
    if len(senses) < 2:
        sense = -1 if senses == {-1} else 1
        whole = find_standing(times_s, sense * positions, speed_noise, position_noise)
        return Stands(whole, (Move(0, len(times_s) - 1, sense, whole),))
    moves = []
    for first, last, sense in found:
        part = slice(first, last + 1)
        standing = find_standing(
            times_s[part], sense * positions[part], speed_noise, position_noise
        )
        moves.append(Move(first, last, sense, standing))
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
    return Stands(whole, tuple(moves))


def _moves(phases: list[Phase]) -> list[tuple[int, int, int]]:
    """First, last, sense of each move with half of each stand beside it, all of one at an end."""
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
        out.append((first, max(last, first), phase.sense))
    return out
