"""What is remembered of a line in its anchor frame: its place, its profile, what lies beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.motion.line_follow_fit import StationFit, fit_stations
from clipmark.motion.line_follow_search import search_line
from clipmark.motion.line_follow_slide import Sides, sides_of
from clipmark.motion.line_follow_strip import (
    FINE_PX,
    REACH_PX,
    Compared,
    PointMap,
    Pose,
    Profile,
    Stations,
    generic_profile,
    read_strips,
)
from clipmark.motion.sampling import FloatArray

LEAST_LENGTH_PX = 30.0
ROUGH_PX = (6.0, 6.0)  # a rough line may be off by, across at the middle and more at the ends
LEAST_SHARE = 0.4  # of the stations must show the edge in the anchor frame
BESIDE_PX = 40  # parallel edges are looked for so far away
BESIDE_SHARE = 0.35  # of the edge's own strength
OWN_PX = 3.0  # what lies nearer belongs to the edge itself
LEAST_SCORE = 0.85  # share of the edge's contrast along it: in mere texture it is below 0.8
SETTLING = 3
WORST_U_PX = 0.7  # at the ends: of an edge less sure than this nothing is followed


@dataclass(frozen=True, eq=False)
class Anchor:
    """A line as it is in the frame that it is followed from.

    Attributes
    ----------
    pose : Pose
    stations : Stations
    profile : Profile
        Of the edge across.
    contrast : ndarray, shape (N,)
        Of each station, grey levels; 0 where it does not show the edge.
    flanks : ndarray, shape (N,)
        Grey levels of one side less the other's.
    fit : StationFit
        The line through the stations' shifts in this frame, whose uncertainty is the anchor's.
    likeness : float
        Median share of a strip's variance that the profile explains.
    beside_px : float
        Distance of the nearest parallel edge; inf when there is none.
    sides : Sides
        Brightness along the line, on either side of it.
    """

    pose: Pose
    stations: Stations
    profile: Profile
    contrast: FloatArray
    flanks: FloatArray
    fit: StationFit
    likeness: float
    beside_px: float
    sides: Sides


def take_anchor(
    luma: NDArray[np.generic], ends_straight_px: FloatArray, from_straight: PointMap
) -> Anchor:
    """Find the edge near a rough line and remember it.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    ends_straight_px : ndarray, shape (2, 2)
        Rough ends, straight px; the edge may lie some px beside.
    from_straight : callable

    Raises
    ------
    FollowError
        If the line is too short, or no edge is seen along enough of it.
    """
    step = ends_straight_px[1] - ends_straight_px[0]
    length = float(np.hypot(*step))
    if not length >= LEAST_LENGTH_PX:
        raise FollowError(
            f"the line to be followed is {length:.0f} px long, and at least "
            f"{LEAST_LENGTH_PX:.0f} px is needed; mark its ends further apart"
        )
    middle = ends_straight_px.mean(axis=0)
    pose = Pose(float(middle[0]), float(middle[1]), float(np.arctan2(step[1], step[0])))
    stations = Stations.of_length(length)
    unknown = np.zeros(len(stations.places))
    best: tuple[float, Pose, Profile] | None = None
    for kind in ("step", "ridge"):
        profile = generic_profile(kind)
        found = search_line(luma, pose, stations, profile, unknown, ROUGH_PX, from_straight)
        if best is None or found.score > best[0] + 0.05:
            best = (found.score, found.pose, profile)
    assert best is not None
    anchor = remember(luma, best[1], stations, best[2], from_straight)
    own = search_line(
        luma, anchor.pose, stations, anchor.profile, anchor.contrast, ROUGH_PX, from_straight
    )
    u_end = np.sqrt(anchor.fit.covariance[0, 0] + (length / 2) ** 2 * anchor.fit.covariance[1, 1])
    if not own.sure or own.score < LEAST_SCORE or u_end > WORST_U_PX:
        raise FollowError(
            "the edge of the line to be followed does not stand out from the texture beside it; "
            "mark an edge with more contrast, or two patches at its ends"
        )
    return anchor


def remember(
    luma: NDArray[np.generic],
    pose: Pose,
    stations: Stations,
    profile: Profile,
    from_straight: PointMap,
) -> Anchor:
    """Take the edge's own profile at a pose that is right to about a pixel; see `take_anchor`."""
    fit = None
    for step in range(2 * SETTLING):
        strips = read_strips(luma, pose, stations, profile.across_px, from_straight)
        seen = profile.compare(strips.profiles)
        fit = fit_stations(stations.places, seen, strips.inside)
        if fit is None or fit.good.mean() < LEAST_SHARE:
            raise FollowError(
                "no edge is seen along enough of the line to be followed from this frame; "
                "mark it closer to a clear straight edge, leave out what is covered, or "
                "choose another frame"
            )
        pose = pose.moved(fit.offset, fit.slope)
        if step % 2:
            profile = _own_profile(luma, pose, stations, fit, seen, from_straight)
    assert fit is not None
    strips = read_strips(luma, pose, stations, profile.across_px, from_straight)
    seen = profile.compare(strips.profiles)
    last = fit_stations(stations.places, seen, strips.inside)
    fit = fit if last is None else last
    return Anchor(
        pose=pose,
        stations=stations,
        profile=profile,
        contrast=np.where(fit.good, seen.contrast, 0.0),
        flanks=flanks_of(strips.profiles),
        fit=fit,
        likeness=float(np.median(seen.likeness[fit.good])),
        beside_px=_beside(luma, pose, stations, seen.contrast * fit.good, from_straight),
        sides=sides_of(strips),
    )


def flanks_of(profiles: FloatArray) -> FloatArray:
    """Grey levels beyond the edge less those before it, of each strip, shape (N,)."""
    few = REACH_PX // 2
    return np.asarray(profiles[:, -few:].mean(axis=1) - profiles[:, :few].mean(axis=1))


def _own_profile(
    luma: NDArray[np.generic],
    pose: Pose,
    stations: Stations,
    fit: StationFit,
    seen: Compared,
    from_straight: PointMap,
) -> Profile:
    """Mean strip of the stations that agree, each by its contrast."""
    reach = REACH_PX + 2
    fine = np.arange(-reach, reach + FINE_PX / 2, FINE_PX)
    profiles = read_strips(luma, pose, stations, fine, from_straight).profiles
    shares = np.where(fit.good, seen.contrast, 0.0)
    level = profiles - profiles.mean(axis=1, keepdims=True)
    return Profile(fine, shares @ level / float(shares @ shares))


def _beside(
    luma: NDArray[np.generic],
    pose: Pose,
    stations: Stations,
    contrast: FloatArray,
    from_straight: PointMap,
) -> float:
    """Distance of the nearest other edge along the line, px; inf when there is none."""
    across = np.arange(-BESIDE_PX, BESIDE_PX + 1, dtype=np.float64)
    strips = read_strips(luma, pose, stations, across, from_straight)
    use = strips.inside & (contrast != 0)
    if not use.any():
        return float("inf")
    mean = np.sign(contrast[use]) @ strips.profiles[use] / use.sum()
    slope = np.abs(np.convolve(np.gradient(mean), [0.25, 0.5, 0.25], mode="same"))
    own = float(slope[np.abs(across) <= OWN_PX].max())
    peaks = (slope[1:-1] >= slope[:-2]) & (slope[1:-1] >= slope[2:])
    strong = peaks & (slope[1:-1] > BESIDE_SHARE * own) & (np.abs(across[1:-1]) > OWN_PX)
    return float(np.abs(across[1:-1][strong]).min()) if strong.any() else float("inf")
