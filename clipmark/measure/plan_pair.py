"""Two trucks filmed from one stand: what of a reading's uncertainty they share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import MarkError
from clipmark.geometry.plane_fit import CORNERS
from clipmark.measure.angle_model import HUBS
from clipmark.measure.plan_model import Planned, plan_model
from clipmark.measure.plan_setup import Setup
from clipmark.uncertainty.intervals import coverage_factor
from clipmark.uncertainty.two_limits import LEAST_TRIES, smallest_difference

FloatArray = NDArray[np.float64]

DRAWS = 2_000
SEED = 20_261_127


@dataclass(frozen=True)
class Pair:
    """Smallest differences at 95 %, deg.

    Attributes
    ----------
    tries : int
        Of each truck.
    spread_deg, step_deg : float
        From try to try, and between two rungs of the ladder.
    readings_deg : float
        Between two readings of boards one step apart, from one stand.
    same_stand_deg, other_stand_deg : float
        Between two climbing limits, filmed from one stand and from two.
    tries_alone_deg : float
        The same if angles were read without error.
    u_shared_deg, u_own_deg : float
        Standard uncertainty of one reading that both trucks share, and that they do not.
    u_left_deg : float
        What the shared part leaves in the difference of boards one step apart.
    """

    tries: int
    spread_deg: float
    step_deg: float
    readings_deg: float
    same_stand_deg: float
    other_stand_deg: float
    tries_alone_deg: float
    u_shared_deg: float
    u_own_deg: float
    u_left_deg: float

    def to_dict(self) -> dict[str, float]:
        """What ``--json`` prints."""
        return dict(self.__dict__)


def plan_pair(planned: Planned, tries: int, spread_deg: float, step_deg: float) -> Pair:
    """Smallest difference between two trucks that this stand and so many tries could prove.

    Level, lens, plane and the sheet's size are the same for both; where lines and sheet are found
    in the picture is found anew in each clip. What is shared does not quite cancel between boards
    at different angles: the same draws are carried through both, and what is left is taken.

    Raises
    ------
    MarkError
        If tries, spread or step are none.
    """
    if tries < LEAST_TRIES:
        raise MarkError(
            f"{tries} tries each cannot show a limit; plan at least {LEAST_TRIES}, better 10"
        )
    for value, what in ((spread_deg, "the spread (--spread-deg)"), (step_deg, "the step")):
        if not 0 < value < 45:
            raise MarkError(f"{what} is {value:g} deg; give more than 0 and less than 45 deg")
    beside = _one_step_on(planned, step_deg)
    names = {source.name for source in beside.model.sources()}
    own = shared = left = 0.0
    for source in planned.model.sources():
        here = _off_deg(planned, source.name)
        if _is_own(source.name):
            own += float(np.mean(here**2))
            continue
        shared += float(np.mean(here**2))
        if source.name in names:
            left += float(np.mean((here - _off_deg(beside, source.name)) ** 2))
    own, shared, left = math.sqrt(own), math.sqrt(shared), math.sqrt(left)
    return Pair(
        tries=tries,
        spread_deg=spread_deg,
        step_deg=step_deg,
        readings_deg=coverage_factor() * math.hypot(math.sqrt(2) * own, left),
        same_stand_deg=smallest_difference(tries, spread_deg, step_deg, own, left),
        other_stand_deg=smallest_difference(
            tries, spread_deg, step_deg, own, math.sqrt(2) * shared
        ),
        tries_alone_deg=smallest_difference(tries, spread_deg, step_deg),
        u_shared_deg=shared,
        u_own_deg=own,
        u_left_deg=left,
    )


def _is_own(name: str) -> bool:
    """Whether a source is found anew in every clip."""
    return name.endswith("in the picture") or name in (CORNERS, HUBS)


def _one_step_on(planned: Planned, step_deg: float) -> Planned:
    """The same stand with the board one step steeper, or flatter where that leaves the picture."""
    setup: Setup = planned.setup
    for turn in (step_deg, -step_deg):
        try:
            return plan_model(replace(setup, ramp_deg=setup.ramp_deg + turn))
        except MarkError:
            continue
    return planned


def _off_deg(planned: Planned, name: str) -> FloatArray:
    """Draws of the ramp's error from one source, the same for every board angle."""
    drawn = planned.model.draw_rad(SEED, DRAWS, name)["ramp"]
    return np.asarray(np.degrees(drawn - planned.model.estimate_rad()["ramp"]), dtype=np.float64)
