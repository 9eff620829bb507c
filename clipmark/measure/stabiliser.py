"""Whether a clip's camera stood still: on a tripod, bumped, held by hand, or stabilised after.

References that are marked once (a stand's level line and sheet) hold for a clip only when fixed
things stay where they are in its picture. A hand shakes the picture; an electronic stabiliser
takes the shake out, and what it leaves is a slow wander, often with a bend that no turn of a
camera makes, also when the camera stands on a tripod.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FrameError
from clipmark.measure.camera_moved import as_bytes
from clipmark.measure.coarse_move import coarse_move
from clipmark.motion.fixed_points import FixedPoints, choose_points
from clipmark.motion.picture_move import PictureMove, detectable, fit_move
from clipmark.motion.steady import LEAST_FRAMES, segments, shaky

FloatArray = NDArray[np.float64]
SteadyState = Literal["still", "bumped", "hand-held", "stabilised", "cannot tell"]

OVER_THE_CLIP, IN_A_ROW = 24, 10  # frames looked at
ROW_STEP_S = 1 / 30
GRID = (9, 6)
LEAST_SHARE = 0.5  # of the places found again that must agree
MOST_LOST = 4  # frames running in which a wide search is worth its time
LEAST_FOUND = 0.6  # of the frames, in which the background is found again
BENT_PX, BENT_RATIO = 0.1, 3.0  # a bend is told of when it is larger, and by this over its noise
VOID = (
    "references marked once do not hold for this clip: mark them in the very frame that is measured"
)
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Steadiness:
    """How fixed things lay in the picture over a clip.

    Attributes
    ----------
    state : {'still', 'bumped', 'hand-held', 'stabilised', 'cannot tell'}
    sentence : str
        All of it for people.
    rms_shift_px, rms_roll_deg, warp_px : float
        Root mean square over the frames, the noise taken out, of the background's shift at the
        middle of the picture, of its turn, and of what no turn of the camera explains; NaN where
        not known.
    u_shift_px, u_roll_deg, u_warp_px : float
        Standard uncertainty of one frame's value.
    detectable_px : float
        Shift of a single frame that would have been seen with 95 %.
    moves : tuple of float
        Times of the bumps, s; NaN in a clip without times.
    frames, points : int
        Frames looked at, and background points followed.
    """

    state: SteadyState
    sentence: str
    rms_shift_px: float
    rms_roll_deg: float
    warp_px: float
    u_shift_px: float
    u_roll_deg: float
    u_warp_px: float
    detectable_px: float
    moves: tuple[float, ...]
    frames: int
    points: int

    @property
    def references_hold(self) -> bool | None:
        """Whether marks of one frame hold for all of them; None where it cannot be told."""
        return None if self.state == "cannot tell" else self.state == "still"

    def to_dict(self) -> dict[str, object]:
        """As plain data for ``--json``; unknown is None."""

        def known(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return {
            "camera": self.state,
            "camera_sentence": self.sentence,
            "camera_shift_rms_px": known(self.rms_shift_px),
            "camera_roll_rms_deg": known(self.rms_roll_deg),
            "camera_warp_rms_px": known(self.warp_px),
            "camera_detectable_px": known(self.detectable_px),
            "camera_moves_s": [known(at) for at in self.moves],
        }


@dataclass(frozen=True, eq=False)
class _Seen:
    """The background in one frame: its move, and what the move leaves of each point, (P, 2)."""

    ordinal: int
    move: PictureMove
    left_px: FloatArray

    @property
    def numbers_px(self) -> FloatArray:
        """Shift x, y, turn and growth at half the diagonal, px."""
        x, y, roll_deg, scale = self.move.numbers()[:4]
        unit = self.move.unit_px
        return np.array([x, y, math.radians(roll_deg) * unit, (scale - 1) * unit])

    @property
    def u_px(self) -> FloatArray:
        """Their standard uncertainties, px."""
        x, y, roll_deg, scale = self.move.u_numbers()[:4]
        unit = self.move.unit_px
        return np.array([x, y, math.radians(roll_deg) * unit, scale * unit])


def steadiness(
    clip: Clip,
    ordinals: Sequence[int] | None = None,
    progress: Progress | None = None,
) -> Steadiness:
    """Follow the background through a clip, and say how the camera stood.

    Parameters
    ----------
    clip : Clip
    ordinals : sequence of int, optional
        Frames to look at, in order; `OVER_THE_CLIP` of the whole clip when left out. A few frames
        in a row are looked at besides.
    progress : callable, optional
        Called with (frames done, frames in all).
    """
    wanted = _spread(clip) if ordinals is None else sorted(set(ordinals))
    looked = _Looked.at(clip, wanted)
    if looked is None:
        return cannot_tell("no frame shows enough texture beside what moves")
    row = _in_a_row(clip, looked.reference)
    total = len(wanted) + len(row)
    over: list[_Seen] = []
    in_row: list[_Seen] = []
    for number, ordinal in enumerate([*wanted, *row]):
        seen = looked.frame(ordinal)
        if seen is not None:
            (over if number < len(wanted) else in_row).append(seen)
        if progress is not None:
            progress(number + 1, total)
    points = looked.chosen.pieces.count
    if len(over) < max(LEAST_FRAMES, LEAST_FOUND * len(wanted)):
        return cannot_tell(
            f"the background is found again in {len(over)} of {len(wanted)} frames only",
            len(wanted),
            points,
        )
    return _told(looked, over, in_row, points)


def cannot_tell(why: str, frames: int = 0, points: int = 0) -> Steadiness:
    """The outcome where nothing can be said, with the reason."""
    nan = math.nan
    return Steadiness(
        "cannot tell",
        f"It cannot be told whether the camera stood still: {why}.",
        *(nan,) * 7,
        (),
        frames,
        points,
    )


class _Looked:
    """A clip whose background is compared with that of one reference frame of it."""

    def __init__(
        self, clip: Clip, reference: int, picture: NDArray[np.uint8], chosen: FixedPoints
    ) -> None:
        self.clip, self.reference, self.picture, self.chosen = clip, reference, picture, chosen
        self._expected: FloatArray = chosen.points_px
        self._form = np.zeros(2)
        self._lost = 0

    @classmethod
    def at(cls, clip: Clip, wanted: Sequence[int]) -> _Looked | None:
        """With the frame in the middle that can be decoded and has texture."""
        order = sorted(wanted, key=lambda ordinal: abs(ordinal - wanted[len(wanted) // 2]))
        for ordinal in order[:4]:
            try:
                picture = as_bytes(clip, ordinal)
            except FrameError:
                continue
            chosen = choose_points(picture, GRID)
            if chosen is not None and chosen.pieces.count >= 2 * LEAST_FRAMES:
                return cls(clip, ordinal, picture, chosen)
        return None

    def frame(self, ordinal: int) -> _Seen | None:
        """The background in a frame; None where it is not found, or the frame is damaged."""
        try:
            picture = as_bytes(self.clip, ordinal)
        except FrameError:
            return None
        found = self._found(ordinal, picture, self._expected, self._form)
        if found is None and self._lost < MOST_LOST:
            self._lost += 1
            coarse = coarse_move(self.picture, picture)
            if isinstance(coarse, str):
                return None
            guess = coarse.at(self.chosen.points_px)
            found = self._found(ordinal, picture, guess, coarse.form())
        if found is not None:
            self._lost = 0
            self._expected = found.move.at(self.chosen.points_px)
            self._form = found.move.form()
        return found

    def _found(
        self, ordinal: int, picture: NDArray[np.uint8], guess: FloatArray, form: FloatArray
    ) -> _Seen | None:
        places, seen = self.chosen.found(picture, guess, form)
        if seen.sum() < 0.4 * self.chosen.pieces.count:
            return None
        points = self.chosen.points_px
        move = fit_move(points[seen], places[seen], self.chosen.size_px)
        if move is None or move.agree.mean() < LEAST_SHARE:
            return None
        left = np.full(points.shape, np.nan)
        held = np.flatnonzero(seen)[move.agree]
        left[held] = places[held] - move.at(points[held])
        return _Seen(ordinal, move, left)


def _told(looked: _Looked, over: list[_Seen], in_row: list[_Seen], points: int) -> Steadiness:
    """What the frames say together."""
    moves = np.array([seen.numbers_px for seen in over])
    u = np.array([seen.u_px for seen in over])
    found = segments(moves, u)
    u_shift = float(np.median(u[:, :2]))
    unit = over[0].move.unit_px
    rms_shift = float(np.hypot(*found.rms[:2]))
    rms_roll = math.degrees(float(found.rms[2]) / unit)
    u_roll = math.degrees(float(np.median(u[:, 2])) / unit)
    warp, u_warp = _warp(over, in_row)
    least = detectable(u_shift, 4)
    times: tuple[float, ...] = ()
    state: SteadyState
    numbers = f"{rms_shift:.2f} px and {rms_roll:.3f} deg rms (u {u_shift:.2f} px)"
    if found.course == "still":
        state = "still"
        sentence = (
            f"The camera stood still: fixed things lie within {rms_shift:.2f} px rms in "
            f"{len(over)} frames; a move of more than {least:.2f} px would have been seen."
        )
    elif found.course == "bumped":
        state = "bumped"
        times = tuple(_bump_s(looked, over, start) for start in found.starts)
        when = " and ".join(f"{at:.2f} s" for at in times) if looked.clip.has_times else "a frame"
        sentence = (
            f"The camera stood, but was bumped at {when}: the picture moved by "
            f"{_largest_step(moves, found.starts):.2f} px; references marked once hold only on "
            "their side of it."
        )
    else:
        row = np.array([seen.numbers_px[:2] for seen in in_row])
        hand = len(row) >= LEAST_FRAMES and shaky(row, rms_shift, u_shift)
        state = "hand-held" if hand else "stabilised"
        bent = warp > max(BENT_PX, BENT_RATIO * u_warp)
        bend = f", bent by {warp:.2f} px rms beyond any turn of a camera" if bent else ""
        how = (
            f"The camera was held by hand: the picture shakes by {numbers}{bend}"
            if hand
            else f"The picture wanders by {numbers}{bend}, smoothly, as an electronic stabiliser "
            "or a sagging tripod leaves it"
        )
        sentence = f"{how}; {VOID}."
    return Steadiness(
        state, sentence, rms_shift, rms_roll, warp, u_shift, u_roll, u_warp, least, times,
        len(over), points,
    )  # fmt: skip


def _warp(over: list[_Seen], in_row: list[_Seen]) -> tuple[float, float]:
    """Rms of what moves leave of the points, noise taken out, and that noise, px.

    Each point's mean is the noise of the reference picture; what differs from one frame to the next
    is noise, since a stabiliser bends slowly.
    """
    left = np.array([seen.left_px for seen in over])
    known = np.isfinite(left[..., 0]).sum(axis=0) >= LEAST_FRAMES
    if not known.any():
        return math.nan, math.nan
    left = left[:, known]
    away = left - np.nanmean(left, axis=0)
    total = float(np.nanmean(away**2))
    noise = total
    if len(in_row) >= LEAST_FRAMES:
        steps = np.diff(np.array([seen.left_px[known] for seen in in_row]), axis=0)
        if np.isfinite(steps).any():
            noise = float(np.nanmean(steps**2)) / 2
    return math.sqrt(max(total - noise, 0.0)), math.sqrt(min(noise, total))


def _largest_step(moves: FloatArray, starts: tuple[int, ...]) -> float:
    """Largest shift from one position to the next, px."""
    parts = np.split(moves[:, :2], list(starts))
    middles = [np.median(part, axis=0) for part in parts]
    return max(float(np.hypot(*(b - a))) for a, b in itertools.pairwise(middles))


def _bump_s(looked: _Looked, over: list[_Seen], start: int) -> float:
    """Time of the first frame after a bump, found by halving, s; NaN without times."""
    before, after = over[start - 1], over[start]
    low, high = before.ordinal, after.ordinal
    while high - low > 1:
        middle = looked.frame((low + high) // 2)
        if middle is None:
            break
        nearer = np.hypot(*(middle.numbers_px - before.numbers_px)[:2]) < np.hypot(
            *(middle.numbers_px - after.numbers_px)[:2]
        )
        low, high = (middle.ordinal, high) if nearer else (low, middle.ordinal)
    return float(looked.clip.times_s[high]) if looked.clip.has_times else math.nan


def _spread(clip: Clip) -> list[int]:
    """Frames over the whole clip."""
    count = min(OVER_THE_CLIP, clip.frame_count)
    return sorted({int(k) for k in np.linspace(0, clip.frame_count - 1, count).round()})


def _in_a_row(clip: Clip, reference: int) -> list[int]:
    """Frames about 1/30 s apart, from the reference frame on."""
    step = 1
    if clip.has_times and clip.frame_count > 1:
        held = float(np.median(np.diff(clip.times_s)))
        step = max(1, round(ROW_STEP_S / held)) if held > 0 else 1
    first = max(0, min(reference, clip.frame_count - 1 - step * (IN_A_ROW - 1)))
    return list(range(first, min(first + step * IN_A_ROW, clip.frame_count), step))
