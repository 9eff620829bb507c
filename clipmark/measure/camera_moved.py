"""Whether the camera has moved since a stand was marked, by how much, and the marks carried over.

Small pieces from all over the stand's reference picture are looked for in a picture of another
clip. What most of the background agrees on is the camera's move: shift, roll, scale, and the
perspective of a yaw or pitch where enough points tell it. The truck, the board and whoever walks
by move otherwise and are left out. How small a move would have been seen is said with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FrameError
from clipmark.marks import Line, Sheet
from clipmark.measure.coarse_move import coarse_move
from clipmark.motion.fixed_points import FixedPoints, choose_points
from clipmark.motion.picture_move import NAMES, PictureMove, critical, detectable, fit_move

FloatArray = NDArray[np.float64]
State = Literal["same", "moved", "cannot tell"]

LARGEST_SCALE = 1.5
# Fixed things that lie off the common move by more: they are not at one distance from a camera
# that was put elsewhere, and no carrying over is right for all of them. Common practice, no source.
LARGEST_MISFIT_PX = 0.6
LEAST_FIXED_SHARE = 0.6  # of the places found again within a few px that must agree on one move
LUMA_TO_BYTE = 255.0
FURTHER_S = (0.7, -0.7, 1.6, -1.6)  # other frames of the clips: their compression errs otherwise


@dataclass(frozen=True, eq=False)
class CameraMove:
    """How a picture lies to the stand's reference picture.

    Attributes
    ----------
    state : {'same', 'moved', 'cannot tell'}
    shift_px : (float, float)
        Of the middle of the picture, x right, y down.
    roll_deg : float
        Turn of the picture's content, positive counter-clockwise as seen.
    scale : float
        Size over that in the reference picture.
    u_shift_px, u_roll_deg, u_scale : float
        Standard uncertainties (`u_shift_px` for either direction).
    detectable_px, detectable_deg, detectable_scale : float
        Least shift, roll and change of size that would have been seen in 95 % of the cases.
    detectable_turn_deg : float
        The same for a yaw or pitch, from the shift; NaN where the focal length is not known.
    points, share : int, float
        Points that agree, and their share of those found again.
    sentence : str
        All of it for people: whole sentences, that others can be put behind.
    move : PictureMove or None
        The move itself, None where it cannot be told.
    """

    state: State
    shift_px: tuple[float, float]
    roll_deg: float
    scale: float
    u_shift_px: float
    u_roll_deg: float
    u_scale: float
    detectable_px: float
    detectable_deg: float
    detectable_scale: float
    detectable_turn_deg: float
    points: int
    share: float
    sentence: str
    move: PictureMove | None

    @property
    def distance_px(self) -> float:
        """Length of the shift."""
        return math.hypot(*self.shift_px)

    def carried(self, points_px: FloatArray) -> FloatArray:
        """Places in this picture of places in the reference picture, shape (N, 2)."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        return points if self.move is None else self.move.at(points)

    def carried_line(self, line: Line) -> Line:
        """A line of the stand where it lies in this picture."""
        ends = self.carried(np.array(line.as_tuple()))
        return Line(*(float(value) for value in ends.ravel()))

    def carried_sheet(self, sheet: Sheet) -> Sheet:
        """A sheet of the stand where it lies in this picture."""
        corners = self.carried(np.array([[point.x, point.y] for point in sheet.corners]))
        size = (sheet.width_mm, sheet.height_mm)
        return Sheet.from_values(corners.tolist(), size, sheet.side_u_mm)

    def carry_u_deg(self, line: Line) -> float:
        """Standard uncertainty that carrying over adds to the direction of a line."""
        if self.move is None:
            return math.nan
        ends = np.array(line.as_tuple()).reshape(2, 2)
        along = ends[1] - ends[0]

        def turned_deg(parameters: FloatArray) -> FloatArray:
            assert self.move is not None
            moved = self.move.with_parameters(parameters).at(ends)
            now = moved[1] - moved[0]
            cross = along[0] * now[1] - along[1] * now[0]
            return np.asarray(np.degrees(np.arctan2(cross, along @ now)), dtype=np.float64)

        return float(self.move.u_of(turned_deg))

    def level_u_deg(self, level_u_deg: float, line: Line | None = None) -> float:
        """Standard uncertainty of a level or plumb line of the stand in this picture.

        Its own and that of carrying it over; where the camera is taken to stand as it did, the
        roll that was found all the same and not undone counts as well (JCGM 100:2008, F.2.4.5).
        """
        added = self.u_roll_deg if line is None or self.move is None else self.carry_u_deg(line)
        left = self.roll_deg if self.state == "same" else 0.0
        return math.hypot(level_u_deg, added, left)

    def to_dict(self) -> dict[str, object]:
        """As plain data; unknown is None."""
        values = {
            "shift_px": self.distance_px,
            "shift_x_px": self.shift_px[0],
            "shift_y_px": self.shift_px[1],
            "roll_deg": self.roll_deg,
            "scale": self.scale,
            "u_shift_px": self.u_shift_px,
            "u_roll_deg": self.u_roll_deg,
            "u_scale": self.u_scale,
            "detectable_px": self.detectable_px,
            "detectable_deg": self.detectable_deg,
            "detectable_scale": self.detectable_scale,
            "detectable_turn_deg": self.detectable_turn_deg,
        }
        known = {name: value if math.isfinite(value) else None for name, value in values.items()}
        return {"state": self.state, **known, "points": self.points, "sentence": self.sentence}


def compare_clips(
    reference: Clip,
    reference_frame: int,
    clip: Clip,
    frame: int,
    *,
    focal_px: float | None = None,
    further: bool = True,
) -> CameraMove:
    """Compare the camera's position in two clips.

    Parameters
    ----------
    reference, reference_frame : Clip, int
        The clip that the stand was marked on, and the ordinal of the frame it was marked on.
    clip, frame : Clip, int
        Another clip, and the ordinal of a frame of it.
    focal_px : float, optional
        Focal length, px, to say what yaw or pitch would have been seen.
    further : bool
        Look at a few more frames of both clips as well, since each is compressed otherwise.

    Raises
    ------
    FrameError
        When a frame cannot be decoded.
    """
    return compare_pictures(
        as_bytes(reference, reference_frame),
        as_bytes(clip, frame),
        more_first=_more(reference, reference_frame) if further else (),
        more_second=_more(clip, frame) if further else (),
        focal_px=focal_px,
    )


def compare_pictures(
    first: NDArray[np.uint8],
    second: NDArray[np.uint8],
    *,
    more_first: Sequence[NDArray[np.uint8]] = (),
    more_second: Sequence[NDArray[np.uint8]] = (),
    focal_px: float | None = None,
) -> CameraMove:
    """Compare two grey pictures, shape (H, W), 8 bits; the first is the reference.

    `more_first` and `more_second` are other pictures of the same two clips. They are used as far
    as their camera stood as in the first and second picture.
    """
    if first.shape != second.shape:
        return _cannot_tell(
            f"the pictures have different sizes ({first.shape[1]} x {first.shape[0]} and "
            f"{second.shape[1]} x {second.shape[0]} px)"
        )
    coarse = coarse_move(first, second)
    if isinstance(coarse, str):
        return _cannot_tell(coarse)
    chosen = choose_points(first)
    if chosen is None:
        return _cannot_tell("the reference picture shows too little texture")
    after, seen = _mean_places(chosen, coarse, second, more_second)
    none = _no_move(chosen.size_px)
    rest, rest_seen = _mean_places(chosen, none, first, more_first)
    seen &= rest_seen
    move = fit_move(rest[seen], after[seen], chosen.size_px) if seen.any() else None
    if move is None:
        return _cannot_tell(f"only {int(seen.sum())} fixed places are found again")
    share = float(move.agree.mean())
    if share < LEAST_FIXED_SHARE:
        return _cannot_tell(
            f"only {100 * share:.0f} % of the places found again agree on one move, as when the "
            "camera was put elsewhere, and near things have shifted more than far ones"
        )
    return _judged(move, share, focal_px)


def as_bytes(clip: Clip, frame: int) -> NDArray[np.uint8]:
    """Luma of a frame as 8 bits, black to white; raises `FrameError`."""
    luma = clip.frame(frame).luma
    scaled = (np.asarray(luma, dtype=np.float32) - clip.black_level) * (
        LUMA_TO_BYTE / (clip.white_level - clip.black_level)
    )
    return np.asarray(np.clip(scaled + 0.5, 0, LUMA_TO_BYTE), dtype=np.uint8)


def _more(clip: Clip, frame: int) -> list[NDArray[np.uint8]]:
    """Further frames of a clip, before and after one; those that cannot be decoded are left out."""
    if not clip.has_times:
        return []
    times, pictures = clip.times_s, []
    for away in FURTHER_S:
        at = float(times[frame]) + away
        if not times[0] <= at <= times[-1]:
            continue
        try:
            pictures.append(as_bytes(clip, clip.ordinal_at(at)))
        except FrameError:
            continue
    return pictures


def _no_move(size_px: tuple[int, int]) -> PictureMove:
    parameters = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    return PictureMove(parameters, np.zeros((6, 6)), size_px, np.ones(0, bool), 0.0, False)


def _mean_places(
    chosen: FixedPoints,
    expected: PictureMove,
    picture: NDArray[np.uint8],
    more: Sequence[NDArray[np.uint8]],
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Where the points lie in a picture, by it and by those in which the camera stood as in it."""
    guess = expected.at(chosen.points_px)
    form = expected.form()
    places, seen = chosen.found(picture, guess, form)
    again, seen_again = chosen.found(picture, places, form)
    places = np.where(seen_again[:, None], again, places)
    total, count = np.where(seen[:, None], places, 0.0), seen.astype(float)
    for other in more:
        there, ok = chosen.found(other, np.where(seen[:, None], places, guess), form)
        both = seen & ok
        move = fit_move(places[both], there[both], chosen.size_px) if both.any() else None
        if move is None or _off(move).any():
            continue
        near = both & (np.hypot(*(move.at(places) - there).T) < LARGEST_MISFIT_PX)
        total[near] += there[near]
        count[near] += 1
    return total / np.maximum(count, 1)[:, None], seen


def _off(move: PictureMove) -> NDArray[np.bool_]:
    """Which numbers of a move stand out: shift x, y, roll, scale, and perspective if fitted."""
    still = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0])
    tested = 6 if move.perspective else len(NAMES)
    values, u = move.numbers() - still, move.u_numbers()
    return np.asarray(np.abs(values[:tested]) > critical(6) * u[:tested])


def _judged(move: PictureMove, share: float, focal_px: float | None) -> CameraMove:
    """The move with its uncertainty, and whether it is one."""
    values, spread = move.numbers(), move.u_numbers()
    shift, roll_deg, scale = (float(values[0]), float(values[1])), float(values[2]), values[3]
    if not 1 / LARGEST_SCALE < scale < LARGEST_SCALE:
        return _cannot_tell(f"the picture is {scale:.2f} times as large as that of the stand")
    if move.misfit_px > LARGEST_MISFIT_PX:
        return _cannot_tell(
            f"fixed things lie {move.misfit_px:.1f} px (rms) off any one move of the picture, as "
            "when the camera was put elsewhere, and near things have shifted more than far ones"
        )
    moved = bool(_off(move).any())
    u_shift, u_roll, u_scale = float(max(spread[:2])), float(spread[2]), float(spread[3])
    least = {
        "detectable_px": detectable(u_shift, 6),
        "detectable_deg": detectable(u_roll, 6),
        "detectable_scale": detectable(u_scale, 6),
    }
    turn_deg = math.nan
    if focal_px is not None:
        turn_deg = math.degrees(math.atan2(least["detectable_px"], focal_px))
    distance = math.hypot(*shift)
    seen = (
        f"a move of more than {least['detectable_px']:.2f} px or "
        f"{least['detectable_deg']:.3f} deg would have been seen"
    )
    sentence = (
        f"The camera has moved since the stand was marked: the picture is shifted by "
        f"{distance:.2f} px and turned by {roll_deg:+.3f} deg (u {u_shift:.2f} px, "
        f"{u_roll:.3f} deg)."
        if moved
        else f"The camera stands as it did: the picture lies within {distance:.2f} px and "
        f"{abs(roll_deg):.3f} deg of that of the stand (u {u_shift:.2f} px, {u_roll:.3f} deg); "
        f"{seen}."
    )
    return CameraMove(
        state="moved" if moved else "same",
        shift_px=shift,
        roll_deg=roll_deg,
        scale=float(scale),
        u_shift_px=u_shift,
        u_roll_deg=u_roll,
        u_scale=u_scale,
        **least,
        detectable_turn_deg=turn_deg,
        points=int(move.agree.sum()),
        share=share,
        sentence=sentence,
        move=move,
    )


def _cannot_tell(why: str) -> CameraMove:
    nan = math.nan
    return CameraMove(
        "cannot tell",
        (nan, nan),
        *(nan,) * 9,
        points=0,
        share=0.0,
        sentence=f"It cannot be told whether the camera has moved: {why}; mark the stand again "
        "on this clip.",
        move=None,
    )
