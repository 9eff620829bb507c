"""Where a climbing truck was on its board: axles, contact points, nose and wheel, frame by frame.

Everything is laid on the ramp line in the plane of motion. A hub is that of the followed wheel
where it was found, else it is carried by the body; the contact point of a tyre is the foot of its
hub on the board.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.measure.climb_marks import ClimbReady
from clipmark.measure.crawl import Crawled
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.motion.climb_nose import runs_of
from clipmark.motion.climb_series import ClimbSeries
from clipmark.motion.passes import Following

LOST_FRAMES = 3  # so many frames without the body end what can be judged of an attempt
AGREES, ENTERS = 0.8, 0.75  # of the patch's pixels: usual, and less while something covers it
ENTER_FRAMES = 3
ENTER_S = 1.0
ON_FLOOR_DEG = 4.0  # off the board, a truck leans from it by more than this
CALIBRATE_MM = 6.0  # way of a piece over which travel per turn is read
UNTIMED = ("repeated picture", "same time as the frame before")
SPIN_ROOM = 2.0  # a wheel is at most so much larger than its marked rim


@dataclass(frozen=True, eq=False)
class Placed:
    """A climbing truck on its board, in K frames.

    Attributes
    ----------
    series : ClimbSeries
        What the facts are read from.
    frames : ndarray of int, shape (K,)
        Ordinals.
    rear_mm, front_mm : ndarray, shape (K,) or None
        Contact points along the ramp line from its lower end, of the axle that is lower on the
        board and of the upper one; None where no hub is known.
    upper_place_mm : ndarray, shape (K, 2) or None
        The upper hub in the plane.
    finish_mm : float or None
        Where the finish line crosses the ramp line.
    finish_u_mm : float
        Standard uncertainty of that.
    radius_mm : float or None
        Rolling radius used for slip.
    radius_from : str
        ``declared`` or ``its own rolling``.
    slip_wheel : int or None
        Number of the wheel that tells slip, from 1.
    entries : tuple of dict
        Stretches in which something else was in the patch.
    point : str
        Which point of the truck is held against the finish line; empty where there is none.
    hubs_px : tuple of two ndarrays, shape (K, 2), or None
        Rear and front hub as seen in each frame, px of the upright picture.
    """

    series: ClimbSeries
    frames: NDArray[np.intp]
    rear_mm: FloatArray | None
    front_mm: FloatArray | None
    upper_place_mm: FloatArray | None
    finish_mm: float | None
    finish_u_mm: float
    radius_mm: float | None
    radius_from: str
    slip_wheel: int | None
    entries: tuple[dict[str, object], ...]
    point: str
    hubs_px: tuple[FloatArray, FloatArray] | None = None


@dataclass(frozen=True, eq=False)
class _Axis:
    """The ramp line in the plane: its lower end, and the unit vector up it."""

    origin: FloatArray
    up: FloatArray

    def along(self, places: FloatArray) -> FloatArray:
        return np.asarray((places - self.origin) @ self.up, dtype=np.float64)


def place_truck(
    ready: ClimbReady,
    crawled: Crawled,
    following: Following,
    ramp_px: FloatArray,
    board_turn_rad: FloatArray,
) -> Placed:
    """Lay what was followed on the board.

    Parameters
    ----------
    ready : ClimbReady
    crawled : Crawled
        The crawl along the ramp line.
    following : Following
    ramp_px : ndarray, shape (2, 2)
        Ends of the ramp line in the reference frame, upright px, the lower one first.
    board_turn_rad : ndarray, shape (K,)
        Turn of the board since the reference frame, clockwise as seen; 0 where it is not known.
    """
    path = crawled.path
    to_mm = ready.crawl.ruler.to_mm
    ends = to_mm(ramp_px)
    axis = _Axis(ends[0], (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0])))
    hubs = _hubs_px(ready, crawled, following)
    climbing = ready.marks.mode == "climb"
    lower = 0 if ready.nose_up else 1  # number of the hub that is lower on the board
    rear_mm = front_mm = upper_place = None
    travel = path.s_mm * (1.0 if climbing else -1.0)
    if hubs is not None:
        places = [_to_mm(to_mm, hub) for hub in hubs]
        rear_mm, front_mm = axis.along(places[lower]), axis.along(places[1 - lower])
        upper_place = places[1 - lower]
        travel = rear_mm if climbing else front_mm
    untimed = np.array([reason in UNTIMED for reason in path.reasons])
    last_axle = rear_mm if climbing else front_mm  # the axle that comes over the line last
    finish, finish_u = _finish(ready, axis)
    past = None
    if finish is not None and last_axle is not None:
        past = np.where(untimed, np.nan, (last_axle - finish) * (1 if climbing else -1))
    nose = _nose(ready, following, hubs, axis, board_turn_rad, to_mm)
    trailing = lower if climbing else 1 - lower
    wheel = _slip_wheel(ready, crawled, trailing)
    wheel_travel = travel if climbing else -travel
    surface, radius, source = _surface(ready, wheel, wheel_travel)
    if surface is not None and not climbing:
        surface = -surface
    entered, entries = _entries(following)
    travel = np.where(untimed, np.nan, travel)
    noise = max(_noise(travel), crawled.trace.noise.position_mm)
    series = ClimbSeries(
        times_s=path.times_s,
        travel_mm=travel,
        surface_mm=surface,
        nose_deg=np.where(untimed, np.nan, nose),
        past_mm=past,
        on_board=_on_board(rear_mm, nose),
        entered=entered,
        noise_mm=noise,
        noise_surface_mm=0.0 if surface is None else _noise(surface),
    )
    return Placed(
        series=series,
        frames=path.ordinals,
        rear_mm=rear_mm,
        front_mm=front_mm,
        upper_place_mm=upper_place,
        finish_mm=finish,
        finish_u_mm=finish_u,
        radius_mm=radius,
        radius_from=source,
        slip_wheel=None if wheel is None or surface is None else wheel.number,
        entries=entries,
        point="" if past is None else "contact point of the rear-most tyre",
        hubs_px=None if hubs is None else _as_seen(hubs, crawled),
    )


def _as_seen(
    hubs: tuple[FloatArray, FloatArray], crawled: Crawled
) -> tuple[FloatArray, FloatArray]:
    """Hubs where the picture shows them: the camera's shake put back."""
    shake = crawled.path.camera.applied_px
    return hubs[0] + shake, hubs[1] + shake


def _to_mm(to_mm: object, points_px: FloatArray) -> FloatArray:
    """Places in the plane, NaN where there is no point."""
    out = np.full_like(points_px, np.nan)
    seen = np.isfinite(points_px).all(axis=1)
    if seen.any():
        out[seen] = to_mm(points_px[seen])  # type: ignore[operator]
    return out


def _hubs_px(
    ready: ClimbReady, crawled: Crawled, following: Following
) -> tuple[FloatArray, FloatArray] | None:
    """Rear and front hub in every frame, camera shake taken out, (K, 2) each."""
    if ready.hubs_px is None:
        return None
    shake = crawled.path.camera.applied_px
    at = int(np.argmin(np.abs(following.ordinals - ready.crawl.reference.ordinal)))
    body = following.body_px
    middle = body[at]
    if not np.isfinite(middle).all():
        patch = ready.crawl.patch
        middle = np.array([patch.x + (patch.w - 1) / 2, patch.y + (patch.h - 1) / 2])
    c, s = np.cos(following.turn_rad), np.sin(following.turn_rad)
    out = []
    for end, number in enumerate(ready.hub_wheels):
        off = ready.hubs_px[end] - middle
        carried = body + np.stack([c * off[0] - s * off[1], s * off[0] + c * off[1]], axis=1)
        hub = carried
        if number is not None:
            found = following.wheels[number].hub_px
            hub = np.where(np.isfinite(found), found, carried)
        out.append(hub - shake)
    return out[0], out[1]


def _nose(
    ready: ClimbReady,
    following: Following,
    hubs: tuple[FloatArray, FloatArray] | None,
    axis: _Axis,
    board_turn_rad: FloatArray,
    to_mm: object,
) -> FloatArray:
    """Chassis to ramp, nose up positive, deg, (K,); from the body's turn alone without hubs."""
    up_is_right = ready.uphill == "right"
    nose_right = up_is_right == ready.nose_up
    board = np.degrees(board_turn_rad)
    if hubs is None:  # since the reference frame only
        turned = np.degrees(following.turn_rad) - board
        return np.asarray(-turned if nose_right else turned, dtype=np.float64)
    rear, front = (_to_mm(to_mm, hub) for hub in hubs)
    ahead = np.asarray(axis.up if ready.nose_up else -axis.up, dtype=np.float64)
    across = np.array([-float(ahead[1]), float(ahead[0])])
    off = across if across[1] < 0 else -across  # off the board is up in the picture
    step = front - rear
    angle = np.degrees(np.arctan2(step @ off, step @ ahead))
    known = np.isfinite(angle)
    angle[known] = np.degrees(np.unwrap(np.radians(angle[known])))
    # The board's turn raises its line against the picture's axes; the nose is held against it.
    turned = board if nose_right else -board
    return np.asarray(angle + turned, dtype=np.float64)


def _finish(ready: ClimbReady, axis: _Axis) -> tuple[float | None, float]:
    """Where the finish line crosses the ramp line, along it, and its standard uncertainty."""
    if ready.finish is None:
        return None, 0.0
    ends = ready.crawl.ruler.to_mm(np.array(ready.finish.as_tuple()).reshape(2, 2))
    way = ends[1] - ends[0]
    across = np.array([-axis.up[1], axis.up[0]])
    share = float((axis.origin - ends[0]) @ across / (way @ across))
    place = ends[0] + share * way
    sine = abs(float(way @ across)) / float(np.hypot(*way))
    u_px = math.hypot(1 - share, share)  # each end good to 1 px
    return float(axis.along(place)), u_px / ready.unit_px / sine


def _slip_wheel(ready: ClimbReady, crawled: Crawled, trailing: int) -> WheelTrace | None:
    """The wheel that tells slip: the one that trails, since the other may hang in the air."""
    told = [wheel for wheel in crawled.wheels if wheel.known.any()]
    wanted = ready.hub_wheels[trailing]
    for wheel in told:
        if wanted is not None and wheel.number == wanted + 1:
            return wheel
    return told[0] if told else None


def _surface(
    ready: ClimbReady, wheel: WheelTrace | None, travel: FloatArray
) -> tuple[FloatArray | None, float | None, str]:
    """Way of the wheel's surface, the radius used and where it is from."""
    if wheel is None:
        return None, None, ""
    turn = np.where(_longest(wheel), wheel.turn_rad, np.nan)
    if wheel.radius is not None:
        return turn * wheel.radius.mm, wheel.radius.mm, "declared"
    rim = math.sqrt(wheel.mark.rx * wheel.mark.ry) / ready.unit_px
    radius = _own_rolling(travel, turn, rim)
    return turn * radius, radius, "its own rolling"


def _longest(wheel: WheelTrace) -> NDArray[np.bool_]:
    """Frames of the longest stretch whose turns are counted through."""
    known = wheel.known
    names, counts = np.unique(wheel.stretch[known], return_counts=True)
    return np.asarray(known & (wheel.stretch == names[np.argmax(counts)]))


def _own_rolling(travel: FloatArray, turn: FloatArray, rim: float) -> float:
    """Travel per turn where the wheel slipped least, within what its marked rim allows."""
    both = np.flatnonzero(np.isfinite(travel) & np.isfinite(turn))
    ratios = []
    first = 0
    for k in range(1, both.size):
        way = float(travel[both[k]] - travel[both[first]])
        turned = float(turn[both[k]] - turn[both[first]])
        if abs(way) >= CALIBRATE_MM or abs(turned) * rim >= 2 * CALIBRATE_MM:
            if way > 0 and turned > 0:
                ratios.append(way / turned)
            first = k
    if not ratios:
        return rim * math.sqrt(SPIN_ROOM)
    return float(np.clip(np.quantile(ratios, 0.75), rim, SPIN_ROOM * rim))


def _on_board(rear_mm: FloatArray | None, nose: FloatArray) -> NDArray[np.bool_] | None:
    """Where the lower axle stood on the board, if the truck is seen to have come from the floor.

    The marked line may begin above the board's foot: it counts as the foot only where the truck
    leaned otherwise before it.
    """
    if rear_mm is None:
        return None
    on = np.nan_to_num(rear_mm, nan=0.0) > 0
    known = np.isfinite(nose)
    if (on & known).sum() < 5 or (~on & known).sum() < 3:
        return None
    apart = abs(float(np.median(nose[on & known])) - float(np.median(nose[~on & known])))
    return on if apart > ON_FLOOR_DEG else None


def _entries(following: Following) -> tuple[int | None, tuple[dict[str, object], ...]]:
    """Where something else was in the patch, and the instant from which nothing is judged.

    Too little agreement of the patch's own pixels, for some frames or until it was hidden.
    """
    reasons, agreed, times = following.reasons, following.agreed, following.times_s
    hidden = np.array([reason == "hidden" for reason in reasons], dtype=bool)
    found = np.array([not reason for reason in reasons], dtype=bool)
    partly = found & (agreed < ENTERS)
    entries: list[dict[str, object]] = []
    for first, last in runs_of(hidden | partly):
        if not hidden[first : last + 1].any() and last - first + 1 < ENTER_FRAMES:
            continue
        k = first
        while k > 0 and found[k - 1] and agreed[k - 1] < AGREES:
            if times[first] - times[k - 1] > ENTER_S:
                break
            k -= 1
        entries.append(_entry(following, k, last))
    starts = [row for row, _ in ((entry["row"], 0) for entry in entries)]
    lost = [a for a, b in runs_of(~found & ~hidden) if _really_lost(reasons, a, b)]
    first_of = sorted([*(int(str(row)) for row in starts), *lost])
    for entry in entries:
        entry.pop("row")
    return (first_of[0] if first_of else None), tuple(entries)


def _really_lost(reasons: list[str], a: int, b: int) -> bool:
    told = [reason for reason in reasons[a : b + 1] if reason not in UNTIMED]
    return len(told) >= LOST_FRAMES and "left the picture" not in told


def _entry(following: Following, first: int, last: int) -> dict[str, object]:
    return {
        "row": first,
        "frame": int(following.ordinals[first]),
        "t_s": float(following.times_s[first]),
        "last_frame": int(following.ordinals[last]),
        "until_s": float(following.times_s[last]),
        "words": "something else entered the patch",
    }


def _noise(values: FloatArray) -> float:
    """Standard deviation of a single value, from second differences."""
    known = values[np.isfinite(values)]
    if len(known) < 5:
        return 0.0
    second = known[2:] - 2 * known[1:-1] + known[:-2]
    return float(1.4826 * np.median(np.abs(second)) / math.sqrt(6))
