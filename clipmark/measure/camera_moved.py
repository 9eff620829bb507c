"""Whether the camera has moved since a stand was marked, by how much, and the marks carried over.

Points of the stand's reference picture are looked for in a picture of another clip. What most of
the background agrees on is the camera's move, taken as a similarity of the picture (shift, roll,
scale); the truck, the board and whoever walks by move otherwise and are left out. A yaw or pitch
of the camera shows as a shift; what it changes in perspective is not undone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.marks import Line, Sheet

FloatArray = NDArray[np.float64]
State = Literal["same", "moved", "cannot tell"]

MOST_POINTS = 600
TILES = (6, 4)  # points are taken from every part of the picture, across and down
BACK_PX = 0.5  # a point must come back this near when it is followed back
INLIER_PX = 1.5  # off the common move by more: not background
LEAST_POINTS = 24
LEAST_SHARE = 0.35  # of the points found again that must agree
LEAST_SPREAD = 0.25  # of the picture's sides that they must span, else roll is a guess
LARGEST_SCALE = 1.5
PIECES = 8  # groups by place whose scatter gives the uncertainty, since neighbours err alike
# What following errs by at every point alike, when all shift by the same part of a pixel (bilinear
# interpolation); measured on warped pictures, no source.
COMMON_U_PX = 0.02
CERTAIN_K = 3.0  # a move is told from none at this many standard uncertainties
NEGLIGIBLE_PX, NEGLIGIBLE_DEG = 0.3, 0.01  # a stand that moved by less is as it was
LUMA_TO_BYTE = 255.0


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
    points, share : int, float
        Points that agree, and their share of those found again.
    sentence : str
        All of it for people: whole sentences, that others can be put behind.
    matrix : ndarray, shape (2, 3)
        Reference picture to this picture, px.
    """

    state: State
    shift_px: tuple[float, float]
    roll_deg: float
    scale: float
    u_shift_px: float
    u_roll_deg: float
    u_scale: float
    points: int
    share: float
    sentence: str
    matrix: FloatArray

    @property
    def distance_px(self) -> float:
        """Length of the shift."""
        return math.hypot(*self.shift_px)

    def carried(self, points_px: FloatArray) -> FloatArray:
        """Places in this picture of places in the reference picture, shape (N, 2)."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        return np.asarray(points @ self.matrix[:, :2].T + self.matrix[:, 2])

    def carried_line(self, line: Line) -> Line:
        """A line of the stand where it lies in this picture."""
        ends = self.carried(np.array(line.as_tuple()))
        return Line(*(float(value) for value in ends.ravel()))

    def carried_sheet(self, sheet: Sheet) -> Sheet:
        """A sheet of the stand where it lies in this picture."""
        corners = self.carried(np.array([[point.x, point.y] for point in sheet.corners]))
        size = (sheet.width_mm, sheet.height_mm)
        return Sheet.from_values(corners.tolist(), size, sheet.side_u_mm)

    def level_u_deg(self, level_u_deg: float) -> float:
        """Standard uncertainty of a carried level or plumb line: its own, and that of the roll."""
        return math.hypot(level_u_deg, self.u_roll_deg) if self.state == "moved" else level_u_deg


def compare_clips(reference: Clip, reference_frame: int, clip: Clip, frame: int) -> CameraMove:
    """Compare the camera's position in two clips.

    Parameters
    ----------
    reference, reference_frame : Clip, int
        The clip that the stand was marked on, and the ordinal of the frame it was marked on.
    clip, frame : Clip, int
        Another clip, and the ordinal of a frame of it.

    Raises
    ------
    FrameError
        When a frame cannot be decoded.
    """
    first, second = reference.frame(reference_frame), clip.frame(frame)
    return compare_pictures(
        _bytes(first.luma, reference.black_level, reference.white_level),
        _bytes(second.luma, clip.black_level, clip.white_level),
    )


def compare_pictures(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> CameraMove:
    """Compare two grey pictures, shape (H, W), 8 bits; the first is the reference."""
    if first.shape != second.shape:
        return _cannot_tell(
            f"the pictures have different sizes ({first.shape[1]} x {first.shape[0]} and "
            f"{second.shape[1]} x {second.shape[0]} px)"
        )
    best: tuple[FloatArray, FloatArray, NDArray[np.bool_], FloatArray] | None = None
    for pairs in (_followed, _matched):
        before, after = pairs(first, second)
        found = _common_move(before, after)
        if found is not None and pairs is _matched:
            # Matching is coarse: follow from where it says, to a fraction of a pixel.
            before, after = _followed(first, second, found[0])
            found = _common_move(before, after)
        if found is None:
            continue
        matrix, agree = found
        if best is None or agree.mean() > best[2].mean():
            best = (before, after, agree, matrix)
        if _enough(before, agree, first.shape) is None:
            break
    if best is None:
        return _cannot_tell("too little of the reference picture is found again")
    before, after, agree, matrix = best
    why = _enough(before, agree, first.shape)
    if why is not None:
        return _cannot_tell(why)
    return _judged(before[agree], after[agree], float(agree.mean()), first.shape)


def _bytes(luma: NDArray[np.generic], black: int, white: int) -> NDArray[np.uint8]:
    """Luma codes as 8 bits, black to white."""
    scaled = (np.asarray(luma, dtype=np.float32) - black) * (LUMA_TO_BYTE / (white - black))
    return np.asarray(np.clip(scaled + 0.5, 0, LUMA_TO_BYTE), dtype=np.uint8)


def _corners(picture: NDArray[np.uint8]) -> FloatArray:
    """Well-textured points from every part of the picture, shape (N, 2)."""
    height, width = picture.shape
    across, down = TILES
    found = []
    for row in range(down):
        for column in range(across):
            y0, y1 = height * row // down, height * (row + 1) // down
            x0, x1 = width * column // across, width * (column + 1) // across
            points = cv2.goodFeaturesToTrack(
                picture[y0:y1, x0:x1], MOST_POINTS // (across * down), 0.02, 7.0, blockSize=5
            )
            if points is not None:
                found.append(points[:, 0, :].astype(np.float64) + np.array([x0, y0]))
    return np.concatenate(found) if found else np.zeros((0, 2))


def _followed(
    first: NDArray[np.uint8], second: NDArray[np.uint8], guess: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Points of the first picture and where they are in the second, checked by going back."""
    before = _corners(first)
    if not len(before):
        return before, before
    start = np.ascontiguousarray(before[:, None, :], dtype=np.float32)
    flags, levels, initial = 0, 4, start.copy()
    if guess is not None:
        moved = before @ guess[:, :2].T + guess[:, 2]
        flags, levels = cv2.OPTFLOW_USE_INITIAL_FLOW, 1
        initial = np.ascontiguousarray(moved[:, None, :], dtype=np.float32)
    window, stop = (21, 21), (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.002)
    there, seen, _ = cv2.calcOpticalFlowPyrLK(
        first, second, start, initial, winSize=window, maxLevel=levels, criteria=stop, flags=flags
    )
    back, seen_back, _ = cv2.calcOpticalFlowPyrLK(
        second,
        first,
        there,
        start.copy(),
        winSize=window,
        maxLevel=levels,
        criteria=stop,
        flags=flags,
    )
    off = np.hypot(*(back - start)[:, 0].T)
    good = (seen[:, 0] == 1) & (seen_back[:, 0] == 1) & (off < BACK_PX)
    return before[good], there[good, 0].astype(np.float64)


def _matched(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> tuple[FloatArray, FloatArray]:
    """Pairs of points that look alike, wherever they are: for moves too large to follow."""
    finder = cv2.ORB.create(nfeatures=3000, fastThreshold=10)
    nowhere: Any = None  # the typing of OpenCV knows no missing mask
    here, looks = finder.detectAndCompute(first, nowhere)
    there, other_looks = finder.detectAndCompute(second, nowhere)
    if not len(here) or not len(there):
        return np.zeros((0, 2)), np.zeros((0, 2))
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(looks, other_looks)
    before = np.array([here[match.queryIdx].pt for match in matches]).reshape(-1, 2)
    after = np.array([there[match.trainIdx].pt for match in matches]).reshape(-1, 2)
    return before, after


def _common_move(
    before: FloatArray, after: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]] | None:
    """The similarity that most points agree on, and which do; None where none does."""
    if len(before) < LEAST_POINTS:
        return None
    cv2.setRNGSeed(1)  # the same pictures give the same answer
    inside: Any
    _, inside = cv2.estimateAffinePartial2D(
        before,
        after,
        method=cv2.RANSAC,
        ransacReprojThreshold=INLIER_PX,
        maxIters=4000,
        confidence=0.9999,
    )
    if inside is None or not inside.any():
        return None
    agree = np.asarray(inside[:, 0], dtype=bool)
    matrix = np.eye(2, 3)
    for _ in range(3):
        if agree.sum() < 3:
            return None
        matrix = _similarity(before[agree], after[agree])
        off = np.hypot(*(before @ matrix[:, :2].T + matrix[:, 2] - after).T)
        agree = off < INLIER_PX
    return matrix, agree


def _similarity(before: FloatArray, after: FloatArray) -> FloatArray:
    """Least-squares similarity [[a, -b, x], [b, a, y]] (S. Umeyama, IEEE PAMI 13, 1991)."""
    here, there = before.mean(axis=0), after.mean(axis=0)
    p, q = before - here, after - there
    size = max(float((p**2).sum()), 1e-12)
    a = float((p * q).sum()) / size
    b = float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()) / size
    turn = np.array([[a, -b], [b, a]])
    return np.column_stack([turn, there - turn @ here])


def _enough(before: FloatArray, agree: NDArray[np.bool_], shape: tuple[int, ...]) -> str | None:
    """Why the points that agree do not suffice, or None."""
    count, share = int(agree.sum()), float(agree.mean())
    if count < LEAST_POINTS:
        return f"only {count} points of the background are found again"
    if share < LEAST_SHARE:
        return (
            f"only {100 * share:.0f} % of the points found again agree on one move, so this is "
            "another scene, or most of it moved"
        )
    low, high = np.percentile(before[agree], [5, 95], axis=0)
    if min((high - low) / (shape[1], shape[0])) < LEAST_SPREAD:
        return "the points that agree lie in one corner of the picture"
    return None


def _judged(
    before: FloatArray, after: FloatArray, share: float, shape: tuple[int, ...]
) -> CameraMove:
    """The move with its uncertainty, and whether it is one."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    matrix = _similarity(before, after)
    values = _numbers(matrix, middle)
    spread = _jackknife(before, after, middle)
    shift, roll_deg, scale = (float(values[0]), float(values[1])), float(values[2]), values[3]
    u_shift = math.hypot(float(max(spread[0], spread[1])), COMMON_U_PX)
    u_roll, u_scale = float(spread[2]), float(spread[3])
    if not 1 / LARGEST_SCALE < scale < LARGEST_SCALE:
        return _cannot_tell(f"the picture is {scale:.2f} times as large as that of the stand")
    distance = math.hypot(*shift)
    edge_px = abs(scale - 1) * float(np.hypot(*middle))
    moved = (
        distance > max(NEGLIGIBLE_PX, CERTAIN_K * u_shift)
        or abs(roll_deg) > max(NEGLIGIBLE_DEG, CERTAIN_K * u_roll)
        or edge_px > max(2 * NEGLIGIBLE_PX, CERTAIN_K * u_scale * float(np.hypot(*middle)))
    )
    sentence = (
        f"The camera has moved since the stand was marked: the picture is shifted by "
        f"{distance:.1f} px and turned by {roll_deg:+.3f} deg (u {u_shift:.2f} px, "
        f"{u_roll:.3f} deg)."
        if moved
        else f"The camera stands as it did: the picture lies within {distance:.1f} px and "
        f"{abs(roll_deg):.3f} deg of that of the stand (u {u_shift:.2f} px, {u_roll:.3f} deg)."
    )
    return CameraMove(
        state="moved" if moved else "same",
        shift_px=shift,
        roll_deg=roll_deg,
        scale=float(scale),
        u_shift_px=u_shift,
        u_roll_deg=u_roll,
        u_scale=u_scale,
        points=len(before),
        share=share,
        sentence=sentence,
        matrix=matrix,
    )


def _numbers(matrix: FloatArray, middle: FloatArray) -> FloatArray:
    """Shift of the middle (x, y), roll in degrees counter-clockwise as seen, scale."""
    shift = matrix[:, :2] @ middle + matrix[:, 2] - middle
    a, b = matrix[0, 0], matrix[1, 0]
    return np.array([*shift, -math.degrees(math.atan2(b, a)), math.hypot(a, b)])


def _jackknife(before: FloatArray, after: FloatArray, middle: FloatArray) -> FloatArray:
    """Standard uncertainty of shift x, y, roll and scale, shape (4,).

    One group of points after the other is left out, groups being sectors about the middle of all:
    neighbours share their errors (parallax, a badly followed object), so single points would
    make it far too small (B. Efron, SIAM CBMS 38 (1982), chapter 3).
    """
    about = before - np.median(before, axis=0)
    order = np.argsort(np.arctan2(about[:, 1], about[:, 0]), kind="stable")
    groups = np.array_split(order, PIECES)
    left_out = []
    for group in groups:
        keep = np.ones(len(before), dtype=bool)
        keep[group] = False
        left_out.append(_numbers(_similarity(before[keep], after[keep]), middle))
    values = np.array(left_out)
    off = values - values.mean(axis=0)
    return np.asarray(np.sqrt((PIECES - 1) / PIECES * (off**2).sum(axis=0)))


def _cannot_tell(why: str) -> CameraMove:
    nan = math.nan
    return CameraMove(
        state="cannot tell",
        shift_px=(nan, nan),
        roll_deg=nan,
        scale=nan,
        u_shift_px=nan,
        u_roll_deg=nan,
        u_scale=nan,
        points=0,
        share=0.0,
        sentence=f"It cannot be told whether the camera has moved: {why}; mark the stand again "
        "on this clip.",
        matrix=np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    )
