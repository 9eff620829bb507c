"""Roughly where the fixed things of one picture lie in another, however far they have moved.

Corners are followed through a pyramid, and where that fails, things that look alike are matched.
What most agree on is taken as the move; a fraction of a pixel is left to
`clipmark.motion.fixed_points`.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.motion.picture_move import PictureMove, fit_move

FloatArray = NDArray[np.float64]
MOST_POINTS = 600
TILES = (6, 4)  # points are taken from every part of the picture, across and down
BACK_PX = 0.5  # a point must come back this near when it is followed back
INLIER_PX = 1.5  # off the common move by more: not background
LEAST_POINTS = 24
LEAST_SHARE = 0.35  # of the points found again that must agree
LEAST_SPREAD = 0.25  # of the picture's sides that they must span, else roll is a guess
EVEN_PX, EVEN_GAIN = 12.0, 40.0
LEAST_CONTRAST = 6.0  # grey levels: bare walls must not become a texture of noise
Found = tuple[PictureMove, FloatArray, NDArray[np.bool_]]


def coarse_move(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> PictureMove | str:
    """The move that most of the picture agrees on, or the reason why none is found.

    Parameters
    ----------
    first, second : ndarray of uint8, shape (H, W)
        Grey pictures of one size; the first is the reference.
    """
    first, second = _evened(first), _evened(second)
    why = "too little of the reference picture is found again"
    for pairs in (_followed, _matched):
        before, after = pairs(first, second)
        found = _common_move(before, after, first.shape)
        if found is not None and pairs is _matched:
            # Matching is coarse: follow from where it says.
            before, after = _followed(first, second, found[0])
            found = _common_move(before, after, first.shape)
        if found is None:
            continue
        lacks = _enough(before, found[2], first.shape)
        if lacks is None:
            return found[0]
        why = lacks
    return why


def _evened(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture without its slow changes of light and contrast: following knows no light."""
    values = picture.astype(np.float32)
    away = values - cv2.GaussianBlur(values, (0, 0), EVEN_PX)
    contrast = np.sqrt(cv2.GaussianBlur(away * away, (0, 0), EVEN_PX) + LEAST_CONTRAST**2)
    return np.asarray(np.clip(128 + EVEN_GAIN * away / contrast, 0, 255), dtype=np.uint8)


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
    first: NDArray[np.uint8], second: NDArray[np.uint8], guess: PictureMove | None = None
) -> tuple[FloatArray, FloatArray]:
    """Points of the first picture and where they are in the second, checked by going back."""
    before = _corners(first)
    if not len(before):
        return before, before
    start = np.ascontiguousarray(before[:, None, :], dtype=np.float32)
    flags, levels, initial = 0, 4, start.copy()
    if guess is not None:
        moved = guess.at(before)
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


def _common_move(before: FloatArray, after: FloatArray, shape: tuple[int, ...]) -> Found | None:
    """The move that most points agree on, the points, and which agree; None where none does."""
    if len(before) < LEAST_POINTS:
        return None
    best: NDArray[np.bool_] | None = None
    for agreed in (_similarity, _homography):
        inside = agreed(before, after)
        if inside is not None and (best is None or inside.sum() > best.sum()):
            best = inside
        if best is not None and best.mean() >= LEAST_SHARE:
            break
    if best is None or not best.any():
        return None
    agree, move = best, None
    for _ in range(3):
        move = fit_move(before[agree], after[agree], (shape[1], shape[0]))
        if move is None:
            return None
        agree = np.asarray(np.hypot(*(move.at(before) - after).T) < INLIER_PX, dtype=bool)
    return None if move is None else (move, before, agree)


def _similarity(before: FloatArray, after: FloatArray) -> NDArray[np.bool_] | None:
    """Which points agree on a similarity: right for all but large turns about the camera."""
    cv2.setRNGSeed(1)  # the same pictures give the same answer
    inside: Any
    _, inside = cv2.estimateAffinePartial2D(
        before,
        after,
        method=cv2.RANSAC,
        ransacReprojThreshold=2 * INLIER_PX,
        maxIters=4000,
        confidence=0.9999,
    )
    return None if inside is None else np.asarray(inside[:, 0], dtype=bool)


def _homography(before: FloatArray, after: FloatArray) -> NDArray[np.bool_] | None:
    """Which points agree on a homography."""
    cv2.setRNGSeed(1)
    inside: Any
    _, inside = cv2.findHomography(
        before, after, cv2.RANSAC, 2 * INLIER_PX, maxIters=4000, confidence=0.9999
    )
    return None if inside is None else np.asarray(inside[:, 0], dtype=bool)


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
