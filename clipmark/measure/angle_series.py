"""The angle of a followed line against level in every frame, hung on one full reading.

The reading at the anchor frame says what the angle is there, with everything that is known and
unknown of camera, plane and level. A followed line says how the angle differs from it in the other
frames. What the reading does not know is shared by all frames; what the eye of one frame does not
know is that frame's own: `u_shared_deg` and `u_random_deg`.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.clip import Frame
from clipmark.errors import MarkError
from clipmark.geometry.angles import facing
from clipmark.geometry.line_mark import LineMark
from clipmark.geometry.plane import angle_between, directions
from clipmark.measure.angle_model import AngleModel
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.view import Picture, bend, straighten
from clipmark.motion.line_follow import LineFollower, LineTrack

FloatArray = NDArray[np.float64]
What = Literal["ramp", "chassis"]
SHARED_DRAWS = 400
SHARED_FRAMES = 16  # over which the shared uncertainty is drawn; between them it is smooth
SMALL_RAD = 1e-4


@dataclass(frozen=True, eq=False)
class AngleSeries:
    """An angle in n frames, in order of time.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
    ordinals : ndarray of int, shape (n,)
    angle_deg : ndarray, shape (n,)
        Against level, in the sense of the reading it hangs on, carried on without a fold; NaN
        where the line was lost.
    u_random_deg : ndarray, shape (n,)
        Standard uncertainty of each frame's own.
    u_shared_deg : ndarray, shape (n,)
        Standard uncertainty that goes together in all frames: level, lens, plane, the anchor
        frame's own line. It hardly changes from one frame to the next, and cancels in differences
        of neighbouring frames.
    seen : ndarray of bool, shape (n,)
    reasons : tuple of str
        Why there is no angle, '' where there is.
    anchor_ordinal : int
    """

    t_s: FloatArray
    ordinals: NDArray[np.intp]
    angle_deg: FloatArray
    u_random_deg: FloatArray
    u_shared_deg: FloatArray
    seen: NDArray[np.bool_]
    reasons: tuple[str, ...]
    anchor_ordinal: int

    @property
    def u_deg(self) -> FloatArray:
        """Standard uncertainty of each angle by itself, shape (n,)."""
        return np.hypot(self.u_random_deg, self.u_shared_deg)


def line_follower(
    reading: AngleReading,
    picture: Picture,
    frame: Frame,
    ends_px: ArrayLike | None = None,
    what: What = "ramp",
) -> LineFollower:
    """A follower of a line of a reading, through the reading's lens.

    Parameters
    ----------
    reading : AngleReading
        Of `measure_angle` on the anchor frame.
    picture : Picture
        The anchor frame with its levels and pixel aspect.
    frame : Frame
        The anchor frame.
    ends_px : array_like, shape (2, 2), optional
        Another line than the reading's own, px of the upright picture.
    what : {'ramp', 'chassis'}
        The board's edge, or the chassis rail.

    Raises
    ------
    MarkError
        If the reading has no such line.
    FollowError
        If its edge cannot be followed.
    """
    camera = _model(reading).viewing.camera
    ends = ends_px
    if ends is None:
        told = reading.lines.get(what)
        if not isinstance(told, dict):
            raise MarkError(
                f"the reading has no {what} line to be followed; mark it (--{what}), or give two "
                "patches at its ends"
            )
        ends = np.reshape(told["measured"], (2, 2))
    return LineFollower(
        picture.luma,
        ends,
        picture.levels,
        ordinal=frame.ordinal,
        t_s=frame.time_s,
        to_straight=lambda points: straighten(picture, camera, points),
        from_straight=lambda points: bend(picture, camera, points),
    )


def angle_series(
    track: LineTrack,
    reading: AngleReading,
    aspect: float,
    what: What = "ramp",
    camera_turn_rad: FloatArray | None = None,
    u_camera_turn_rad: float = 0.0,
) -> AngleSeries:
    """The angle against level in every frame of a track.

    Parameters
    ----------
    track : LineTrack
        Followed from the reading's frame.
    reading : AngleReading
    aspect : float
        Width of one upright pixel over its height.
    what : {'ramp', 'chassis'}
        Which value of the reading the line is.
    camera_turn_rad : ndarray, shape (n,), optional
        Turn of the picture since the anchor frame, clockwise as seen, to be taken out.
    u_camera_turn_rad : float
        Its standard uncertainty in a frame.

    Raises
    ------
    MarkError
        If the reading was made on another frame, or has no such angle.
    """
    model = _model(reading)
    if reading.frame != track.anchor_ordinal:
        raise MarkError(
            f"the line was followed from frame {track.anchor_ordinal}, but the angle was read on "
            f"frame {reading.frame}; read it on the frame that the line is followed from"
        )
    if what not in reading.values:
        raise MarkError(f"the reading has no {what} angle; mark what it is read from")
    stretch = np.array([aspect, 1.0])
    way = _way(model, what)
    count, seen = len(track.t_s), track.seen
    angle, u_random, u_shared = (np.full(count, np.nan) for _ in range(3))
    if seen.any():
        ends = track.ends_px[seen] * stretch
        start = track.anchor_ends_px * stretch
        rise, scale = _rises(ends, start, model)
        rise = _unwrapped(rise, -track.turn_rad[seen])
        if camera_turn_rad is not None:
            rise = rise + camera_turn_rad[seen]
        angle[seen] = reading.values[what].estimate + np.degrees(way * rise)
        own = np.hypot(track.u_turn_rad[seen] * scale, u_camera_turn_rad)
        u_random[seen] = np.degrees(own)
        at_anchor = math.degrees(track.anchor_u_turn_rad)
        drawn = _shared(ends, start, rise, model, reading, what, way)
        u_shared[seen] = np.hypot(drawn, at_anchor * scale)
    return AngleSeries(
        t_s=track.t_s,
        ordinals=track.ordinals,
        angle_deg=angle,
        u_random_deg=u_random,
        u_shared_deg=u_shared,
        seen=seen,
        reasons=track.reasons,
        anchor_ordinal=track.anchor_ordinal,
    )


def _model(reading: AngleReading) -> AngleModel:
    if reading.model is None:
        raise MarkError(
            "the reading was loaded from a file and its view is not at hand; measure the angle on "
            "the anchor frame again"
        )
    return reading.model


def _way(model: AngleModel, what: What) -> float:
    """1 where the angle grows counter-clockwise as seen, -1 for the nose of a truck facing left."""
    if what == "ramp" or model.chassis is None:
        return 1.0
    if isinstance(model.chassis, LineMark):
        return -1.0 if model.facing == "left" else 1.0
    hubs = model.chassis.points_px
    seen = math.atan2(hubs[0, 1] - hubs[1, 1], hubs[1, 0] - hubs[0, 0])
    return 1.0 if (model.facing or facing(seen)) == "right" else -1.0


def _rises(ends: FloatArray, start: FloatArray, model: AngleModel) -> tuple[FloatArray, FloatArray]:
    """Turn in the plane from the start to each line, rad counter-clockwise, and per rad of picture.

    Shapes: ends (m, 2, 2), start (2, 2), square px; out (m,) each.
    """
    camera, normal = model.viewing.camera, model.viewing.normal
    first = directions(start[None], camera, normal)
    lines = directions(ends, camera, normal)
    rise = angle_between(first, lines, normal)
    middle = ends.mean(axis=1, keepdims=True)
    off = ends - middle
    turned = middle + off + SMALL_RAD * np.stack([-off[..., 1], off[..., 0]], axis=-1)
    moved = angle_between(lines, directions(turned, camera, normal), normal)
    return np.atleast_1d(rise), np.abs(np.atleast_1d(moved)) / SMALL_RAD


def _unwrapped(rise: FloatArray, near: FloatArray) -> FloatArray:
    """Whole turns added so that each is near what the picture turned by."""
    return np.asarray(rise + 2 * np.pi * np.round((near - rise) / (2 * np.pi)))


def _shared(
    ends: FloatArray,
    start: FloatArray,
    rise: FloatArray,
    model: AngleModel,
    reading: AngleReading,
    what: What,
    way: float,
) -> FloatArray:
    """Standard uncertainty that frames share, deg: reading and view drawn together, shape (m,)."""
    name = "viewing"
    rng = np.random.default_rng([reading.seed, zlib.crc32(name.encode())])
    drawn = model.viewing.draw_all(rng, SHARED_DRAWS, None)  # those behind `draw_rad`
    at_anchor = np.degrees(model.draw_rad(reading.seed, SHARED_DRAWS)[what])
    order = np.argsort(rise)
    picked = order[np.unique(np.linspace(0, len(order) - 1, SHARED_FRAMES).round().astype(int))]
    first = directions(start, drawn.camera, drawn.normal)
    spread = np.empty(len(picked))
    for k, index in enumerate(picked):
        line = directions(ends[index], drawn.camera, drawn.normal)
        turn = np.degrees(way * angle_between(first, line, drawn.normal))
        whole = at_anchor + turn
        base = whole[np.isfinite(whole)]
        off = base - np.median(base)
        spread[k] = float(np.std(off - 360 * np.round(off / 360)))
    return np.interp(rise, rise[picked], spread)
