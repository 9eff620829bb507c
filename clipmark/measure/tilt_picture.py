"""Where the lines and tyres of a side tilt are seen in the picture, frame by frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.line_follow import LineTrack
from clipmark.motion.tyre_follow import TyreFix

FloatArray = NDArray[np.float64]


def in_picture(
    platform: LineTrack,
    chassis: LineTrack,
    tyres: Sequence[Sequence[TyreFix]],
    to_upright: Callable[[FloatArray], FloatArray],
) -> dict[str, FloatArray]:
    """Columns of a trace: ends of both lines and middles of the tyres, px of the upright picture.

    Parameters
    ----------
    platform, chassis : LineTrack
        As followed, a camera's own motion still in them.
    tyres : sequence of sequence of TyreFix
    to_upright : callable
        From the picture with square pixels to the upright one.
    """
    columns: dict[str, FloatArray] = {}
    for what, track in (("platform", platform), ("chassis", chassis)):
        for end in (0, 1):
            columns[f"{what}_x{end + 1}_px"] = track.ends_px[:, end, 0].copy()
            columns[f"{what}_y{end + 1}_px"] = track.ends_px[:, end, 1].copy()
    for number, fixes in enumerate(tyres, 1):
        place = np.array([fix.place_px for fix in fixes], dtype=np.float64).reshape(-1, 2)
        seen = np.isfinite(place).all(axis=1)
        if seen.any():
            place[seen] = to_upright(place[seen])
        columns[f"tyre{number}_x_px"], columns[f"tyre{number}_y_px"] = place[:, 0], place[:, 1]
    return columns
