"""Whether the camera reads its rows one after another, and how slowly: from its own shake."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.motion.camera_fit import row_time
from clipmark.motion.shake import Shake, Tracks

MOST_FRAMES, MOST_POINTS = 180, 48
POINT_U_SMALL_PX = 0.05  # of a followed point, px of the small picture; measured, no source
SURE = 4.0  # standard uncertainties from which it counts as seen
LONGEST_SHARE = 1.1  # of a frame interval: rows cannot take longer
USEFUL_SHARE = 0.25  # of a frame interval: a doubt beyond it tells nothing


def rolling_shutter(clip: Clip, shake: Shake) -> tuple[float, float] | str:
    """Seconds from the first to the last row and their standard uncertainty, or why not told.

    Parameters
    ----------
    clip : Clip
    shake : Shake
        Of the pictures as stored: rows are those of the sensor.
    """
    nothing = "Rolling shutter cannot be seen here: "
    if not clip.has_times:
        return nothing + "the file carries no frame times."
    tracks = shake.tracks
    if tracks is None or len(tracks.ordinals) < 16 or len(tracks.points_px) < 12:
        return nothing + "too few points of the background could be followed."
    rows = _liveliest(tracks)
    times = np.asarray(clip.times_s)[tracks.ordinals[rows]]
    points = _best_points(tracks, rows)
    turned = clip.upright_transform.clockwise_deg in (90, 270)
    size = (clip.height, clip.width) if turned else (clip.width, clip.height)
    found = row_time(
        tracks.points_px[points],
        tracks.shifts_px[rows][:, points],
        tracks.seen[rows][:, points],
        np.full((len(points), 2), POINT_U_SMALL_PX * tracks.scale),
        size,
        times,
    )
    if found is None:
        return nothing + "nothing moves, since the camera stood still."
    value, u = found
    interval = float(np.median(np.diff(times)))
    if u > USEFUL_SHARE * interval:
        return nothing + "the camera moved too little or too slowly to tell rows apart."
    if abs(value) > LONGEST_SHARE * interval:
        return nothing + "what moves in the picture is not the camera alone."
    if abs(value) < SURE * u:
        return (
            f"Rolling shutter does not stand out: rows are read within {1e3 * SURE * u:.1f} ms of "
            "each other, if not at once."
        )
    return value, u


def _liveliest(tracks: Tracks) -> slice:
    """The stretch of frames in which the picture moved the most from frame to frame."""
    count = len(tracks.ordinals)
    if count <= MOST_FRAMES:
        return slice(0, count)
    seen = tracks.seen[..., None]
    middle = np.nanmedian(np.where(seen, tracks.shifts_px, np.nan), axis=1)
    steps = np.nan_to_num(np.sum(np.diff(middle, axis=0) ** 2, axis=1))
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    start = int(np.argmax(sums[MOST_FRAMES - 1 :] - sums[: -MOST_FRAMES + 1]))
    return slice(start, start + MOST_FRAMES)


def _best_points(tracks: Tracks, rows: slice) -> NDArray[np.intp]:
    """Numbers of the points seen most often, spread as they are."""
    often = tracks.seen[rows].mean(axis=0)
    order = np.argsort(-often, kind="stable")
    return np.sort(order[often[order] > 0.6][:MOST_POINTS])
