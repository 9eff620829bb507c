"""Platform, chassis and uphill tyres followed in one pass, and laid out as series of a tilt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FollowError
from clipmark.measure.angle_draws import elevation, level_directions
from clipmark.measure.angle_model import AngleModel
from clipmark.measure.tilt_marks import PreparedTilt
from clipmark.measure.tilt_picture import in_picture
from clipmark.motion.line_ends import EndsFollower
from clipmark.motion.line_follow import FollowedLine, LineFollower, LineTrack
from clipmark.motion.line_follow_pass import Feeder, feed_both_ways
from clipmark.motion.steady_view import BackgroundFeeder, SteadyView
from clipmark.motion.templates import picture_noise
from clipmark.motion.tilt_events import TiltSeries
from clipmark.motion.tyre_follow import Carrier, TyreFix, TyreFollower

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]
FOLLOWED_U_PX = 0.03  # of a tyre against a line, slow errors that scatter at rest does not show
TRUCK_SPARE = 0.6  # of what was marked of the truck: so much more of it may be around
LEAST_TURN_DEG = 0.5  # of the platform in all: below it, it counts as still


@dataclass(frozen=True, eq=False)
class Followed:
    """What one pass saw.

    Attributes
    ----------
    platform, chassis : LineTrack
        All three as the anchor frame's view would show them, a camera's own motion taken out.
    tyres : tuple of list of TyreFix
    prints : dict of int to str
    view : SteadyView
        The camera's own motion.
    in_picture : dict of str to ndarray, shape (n,)
        Where they are seen, the camera's motion still in them.
    """

    platform: LineTrack
    chassis: LineTrack
    tyres: tuple[list[TyreFix], ...]
    prints: dict[int, str]
    view: SteadyView
    in_picture: dict[str, FloatArray]


@dataclass(frozen=True, eq=False)
class TiltTrace:
    """Series as they are told, in order of time.

    Attributes
    ----------
    ordinals, t_s : ndarray, shape (n,)
    platform_deg, chassis_deg : ndarray, shape (n,)
        Against level, positive with the right end higher; NaN where not seen.
    u_platform_deg, u_chassis_deg : ndarray, shape (n,)
        Standard uncertainty of each frame's own line.
    way : int
        1 when the right end goes up (the left side is low), -1 otherwise.
    events : TiltSeries
        The same, oriented so that what tips is positive.
    unit : str
        Of the ways of tyres: mm or px.
    hinge_misfit : float
        How far the platform strays from turning about one hinge, in that unit, root mean square.
    """

    ordinals: NDArray[np.intp]
    t_s: FloatArray
    platform_deg: FloatArray
    chassis_deg: FloatArray
    u_platform_deg: FloatArray
    u_chassis_deg: FloatArray
    way: int
    events: TiltSeries
    unit: str
    hinge_misfit: float


class _Tyres:
    """Feeds the tyres with where the platform is; stands behind it in the pass."""

    def __init__(self, followers: list[TyreFollower], platform: FollowedLine) -> None:
        self._followers, self._platform = followers, platform

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        pose = self._platform.latest_pose()
        carrier = None
        if pose is not None:
            carrier = Carrier(pose.x, pose.y, pose.angle - self._platform.anchor_angle_rad)
        for follower in self._followers:
            follower.feed(ordinal, t_s, luma, carrier)


def follow_tilt(clip: Clip, ready: PreparedTilt, progress: Progress | None = None) -> Followed:
    """Follow everything through the span; raises `FollowError` when a mark shows nothing."""
    reference, look = ready.reference, ready.placed.look
    t_s = float(clip.times_s[reference.ordinal])

    level = 2.0 ** (reference.bit_depth - 8)
    noise = picture_noise(reference.luma, level)

    def line(name: str, fitted: FloatArray) -> FollowedLine:
        ends = fitted[[0, -1]]
        maps = {"to_straight": look.to_straight, "from_straight": look.from_straight}
        if name in ready.by_ends:
            return EndsFollower(
                reference.luma,
                ends,
                f"{name} line",
                ordinal=reference.ordinal,
                t_s=t_s,
                aspect=ready.picture.aspect,
                noise=noise,
                **maps,
            )
        levels = ready.picture.levels
        try:
            return LineFollower(
                reference.luma, ends, levels, ordinal=reference.ordinal, t_s=t_s, **maps
            )
        except FollowError as error:
            raise FollowError(
                f"the {name} line cannot be followed: {error}; where it shows no straight edge, "
                f"it is followed by its ends (--by-ends {name})"
            ) from error

    platform = line("platform", ready.placed.ramp.points_px)
    rail = ready.placed.rail
    assert rail is not None
    chassis = line("chassis", rail.points_px)
    ends = np.array(ready.platform.as_tuple()).reshape(2, 2)
    tyres = [
        TyreFollower(
            reference.luma,
            patch,
            ordinal=reference.ordinal,
            t_s=t_s,
            line_px=ends,
            aspect=ready.picture.aspect,
            noise=noise,
        )
        for patch in ready.tyres
    ]
    behind = _background(ready, noise)
    carried = _Tyres(tyres, platform)
    feeders: list[Feeder] = [platform, chassis, carried, behind]
    prints = feed_both_ways(clip, reference.ordinal, ready.span, feeders, progress)
    board, truck = platform.track(), chassis.track()
    truck_px = np.array(ready.chassis.as_tuple()).reshape(2, 2).mean(axis=0)
    view = behind.view((clip.width, clip.height), board.ends_px, truck_px)
    fixes = tuple(tyre.fixes() for tyre in tyres)
    seen = in_picture(board, truck, fixes, ready.picture.from_square)
    if view.moved:
        board, truck = _steady_line(view, board), _steady_line(view, truck)
        fixes = tuple(_steady_tyre(ready, view, one) for one in fixes)
    return Followed(board, truck, fixes, prints, view, seen)


def _background(ready: PreparedTilt, noise: float) -> BackgroundFeeder:
    """Follows what is neither platform nor truck, as far as the marks tell it."""
    reference = ready.reference
    lines = [np.array(line.as_tuple()).reshape(2, 2) for line in (ready.platform, ready.chassis)]
    truck = [lines[1]]
    truck += [np.array([[t.x, t.y], [t.x + t.w, t.y + t.h]]) for t in ready.tyres]
    low, high = np.vstack(truck).min(axis=0), np.vstack(truck).max(axis=0)
    spare = TRUCK_SPARE * float((high - low).max())
    box = (low[0] - spare, low[1] - spare, high[0] + spare, high[1] + spare)
    return BackgroundFeeder(reference.luma, reference.ordinal, noise, lines, [box])


def _steady_line(view: SteadyView, track: LineTrack) -> LineTrack:
    """A line as it would have been seen by a camera that stood still."""
    ends = np.stack([view.steady(track.ends_px[:, end]) for end in range(2)], axis=1)
    return replace(
        track,
        ends_px=ends,
        turn_rad=track.turn_rad - view.turn_rad,
        u_turn_rad=np.hypot(track.u_turn_rad, view.u_turn_rad),
    )


def _steady_tyre(ready: PreparedTilt, view: SteadyView, fixes: list[TyreFix]) -> list[TyreFix]:
    """A tyre likewise; its places are in the picture with square pixels."""
    places = np.array([fix.place_px for fix in fixes]).reshape(-1, 2)
    upright = np.full_like(places, np.nan)
    found = np.isfinite(places).all(axis=1)
    if found.any():
        upright[found] = ready.picture.from_square(places[found])
    steady = view.steady(upright)
    if found.any():
        places[found] = ready.picture.to_square(steady[found])
    turned = [fix.turn_rad - float(turn) for fix, turn in zip(fixes, view.turn_rad, strict=True)]
    return [
        replace(fix, place_px=place, turn_rad=turn)
        for fix, place, turn in zip(fixes, places, turned, strict=True)
    ]


def lay_out(ready: PreparedTilt, followed: Followed) -> TiltTrace:
    """Angles in the plane, and ways of the tyres off the platform and along it."""
    model = ready.model
    platform, chassis = followed.platform, followed.chassis
    platform_deg = _angles(ready, model, platform, ready.placed.ramp.points_px)
    rail = ready.placed.rail
    assert rail is not None
    chassis_deg = _angles(ready, model, chassis, rail.points_px)
    way = _way(platform_deg)
    turn = way * (chassis_deg - platform_deg)
    gaps, slides, misfit = _ways(ready, followed, way)
    unit = "px" if ready.ruler is None else "mm"
    per_px = _per_px(ready)
    return TiltTrace(
        ordinals=platform.ordinals,
        t_s=platform.t_s,
        platform_deg=platform_deg,
        chassis_deg=chassis_deg,
        u_platform_deg=np.degrees(platform.u_turn_rad),
        u_chassis_deg=np.degrees(chassis.u_turn_rad),
        way=way,
        events=TiltSeries(
            t_s=platform.t_s,
            tilt_deg=way * platform_deg,
            turn_deg=turn,
            gaps=gaps,
            slides=slides,
            u_turn_deg=_typical(np.hypot(platform.u_turn_rad, chassis.u_turn_rad)),
            u_way=FOLLOWED_U_PX * per_px,
        ),
        unit=unit,
        hinge_misfit=misfit,
    )


def _typical(u_rad: FloatArray) -> float:
    known = u_rad[np.isfinite(u_rad)]
    return math.degrees(float(np.median(known))) if known.size else 0.0


def _angles(
    ready: PreparedTilt, model: AngleModel, track: LineTrack, fitted_px: FloatArray
) -> FloatArray:
    """Angle against level in every frame, deg: the fitted line, turned as it was seen to turn."""
    look = ready.placed.look
    ends = look.to_straight(fitted_px[[0, -1]])
    along = ends[1] - ends[0]
    out = np.full(len(track.t_s), np.nan)
    seen = np.flatnonzero(track.seen)
    if not seen.size:
        return out
    c, s = np.cos(track.turn_rad[seen]), np.sin(track.turn_rad[seen])
    turned = np.stack([c * along[0] - s * along[1], s * along[0] + c * along[1]], axis=1)
    middles = look.to_straight(track.ends_px[seen].mean(axis=1))
    straight = middles[:, None, :] + np.array([-0.5, 0.5])[None, :, None] * turned[:, None, :]
    upright = look.from_straight(straight.reshape(-1, 2))
    square = ready.picture.to_square(upright).reshape(-1, 2, 2)
    viewing = model.viewing
    level = viewing.level
    if level is None:
        only = model.references[0]
        level = level_directions(only.line.points_px, viewing.camera, viewing.normal, only.plumb)
    cameras = np.broadcast_to(viewing.camera, (len(seen), *np.shape(viewing.camera)[-1:]))
    normals = np.broadcast_to(viewing.normal, (len(seen), 3))
    levels = np.broadcast_to(level, (len(seen), np.shape(level)[-1]))
    angle = np.degrees(np.unwrap(elevation(levels, square, cameras, normals)))
    anchor = int(np.argmin(np.abs(track.ordinals[seen] - track.anchor_ordinal)))
    # A single line has no direction: at the anchor it is taken as it is read by eye.
    folded = 90.0 - (90.0 - angle[anchor]) % 180.0
    out[seen] = angle + folded - angle[anchor]
    return out


def _way(platform_deg: FloatArray) -> int:
    """Which end goes up: by the larger angle, or by the turn where it stays near level."""
    known = platform_deg[np.isfinite(platform_deg)]
    if not known.size:
        return 1
    return 1 if known[int(np.argmax(np.abs(known)))] >= 0 else -1


def _per_px(ready: PreparedTilt) -> float:
    """mm per px around the platform; 1 where there is no ruler."""
    if ready.ruler is None:
        return 1.0
    ends = np.array(ready.platform.as_tuple()).reshape(2, 2)
    length = float(np.hypot(*(ends[1] - ends[0])))
    return float(np.hypot(*np.diff(ready.ruler.to_mm(ends), axis=0)[0])) / length


def _ways(
    ready: PreparedTilt, followed: Followed, way: int
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...], float]:
    """Of each tyre: off the platform, and down along it from a hinge that stands still."""
    if not followed.tyres:
        return (), (), 0.0
    look, picture = ready.placed.look, ready.picture

    def to_plane(upright: FloatArray) -> FloatArray:
        return ready.ruler.to_mm(upright) if ready.ruler else look.to_straight(upright)

    track = followed.platform
    count = len(track.t_s)
    ends = np.full((count, 2, 2), np.nan)
    seen = track.seen
    if not seen.any():
        return (), (), 0.0
    ends[seen] = to_plane(track.ends_px[seen].reshape(-1, 2)).reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    offset = np.einsum("ki,ki->k", across, ends.mean(axis=1))
    hinge, misfit = _hinge(across, offset, ends)
    # "along" from the first marked end to the second; down is towards the low side.
    picture_right = np.sign(ready.platform.x2 - ready.platform.x1) or 1.0
    down = -picture_right * way * along
    gaps, slides = [], []
    for fixes in followed.tyres:
        place = np.array([fix.place_px for fix in fixes]).reshape(-1, 2)
        found = np.isfinite(place[:, 0])
        plane = np.full((count, 2), np.nan)
        if found.any():
            plane[found] = to_plane(picture.from_square(place[found]))
        off = np.einsum("ki,ki->k", across, plane) - offset
        known = np.flatnonzero(np.isfinite(off))
        side = 1.0
        if known.size:
            near = known[np.argmin(np.abs(track.ordinals[known] - track.anchor_ordinal))]
            side = np.sign(off[near]) or 1.0
        gaps.append(side * off)
        slides.append(np.einsum("ki,ki->k", down, plane - hinge))
    return tuple(gaps), tuple(slides), misfit


def _hinge(across: FloatArray, offset: FloatArray, ends: FloatArray) -> tuple[FloatArray, float]:
    """The point that stays where it is while the platform turns, and how well it does.

    The line keeps its distance d from it: across . hinge + d = offset in every frame. Along a line
    that hardly turns the hinge is anywhere; the place nearest to the line's middle is as good.
    """
    known = np.isfinite(offset)
    middle = ends[known].reshape(-1, 2).mean(axis=0)
    a = np.column_stack([across[known], np.ones(int(known.sum()))])
    b = offset[known] - across[known] @ middle
    a[:, 2] *= 1e3  # the distance costs nothing: only the hinge is kept near
    found, *_ = np.linalg.lstsq(a, b, rcond=1e-6)
    left = b - a @ found
    return middle + found[:2], float(np.sqrt(np.mean(left**2)))
