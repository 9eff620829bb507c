"""Noise that changes from frame to frame, told apart from what stays, and what coding leaves.

Pure: pictures in, numbers out. Two pictures of the same still thing differ by the noise of both.
Which blocks are still is told from the differences themselves. An encoder repeats what hardly
changed, so part of the blocks may differ by nothing at all: their share is told as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

BLOCK_PX = 16
STILL_FACTOR = 2.5  # times the lower quartile of the changed blocks: more than noise alone does
LEAST_STILL = 12  # blocks
NOTHING = 1e-6  # mean square difference of a block that was repeated, codes^2
MOST_LAG_PX = 8
GRIDS_PX = (8, 16)


@dataclass(frozen=True)
class NoiseBetween:
    """What two consecutive pictures say of noise.

    Attributes
    ----------
    temporal : float
        Standard deviation of the part that changes, codes per pixel, over the still blocks;
        repeated ones count as they are.
    fresh : float
        The same over the blocks that the encoder did not repeat: what a new picture brings.
    still_share, repeated_share : float
        Blocks that are still, of all; blocks that differ by nothing, of the still ones.
    together_px : float
        Pixels in a row that err together: ``1 + 2 sum r(lag)``, 1 for white noise.
    """

    temporal: float
    fresh: float
    still_share: float
    repeated_share: float
    together_px: float


def noise_between(
    first: NDArray[np.generic], second: NDArray[np.generic], black: float, white: float
) -> NoiseBetween | None:
    """Compare two consecutive pictures, shape (H, W), luma codes.

    Blocks that hold clipped codes are left out, since clipping hides noise.

    Returns
    -------
    NoiseBetween or None
        None where too little of the picture is still, unclipped and large enough.
    """
    before, after = _blocks(first), _blocks(second)
    if before is None or after is None:
        return None
    inside = (before > black).all(axis=(1, 2)) & (before < white).all(axis=(1, 2))
    change = after[inside] - before[inside]
    if len(change) < LEAST_STILL:
        return None
    level = change.mean(axis=(1, 2), keepdims=True)  # light that flickers is no noise
    power = ((change - level) ** 2).mean(axis=(1, 2)) * BLOCK_PX**2 / (BLOCK_PX**2 - 1)
    changed = power > NOTHING
    if not changed.any():
        return NoiseBetween(0.0, 0.0, 1.0, 1.0, 1.0)
    limit = STILL_FACTOR * float(np.quantile(power[changed], 0.25))
    still = power <= limit
    if still.sum() < LEAST_STILL:
        return None
    fresh = still & changed
    return NoiseBetween(
        temporal=math.sqrt(float(power[still].mean()) / 2),
        fresh=math.sqrt(float(power[fresh].mean()) / 2),
        still_share=float(still.mean()) * float(inside.mean()),
        repeated_share=float((~changed).sum()) / float(still.sum()),
        together_px=_together(change[fresh] - level[fresh]),
    )


def _blocks(luma: NDArray[np.generic]) -> FloatArray | None:
    """A picture cut into blocks on the coding grid, shape (B, 16, 16)."""
    down, across = luma.shape[0] // BLOCK_PX, luma.shape[1] // BLOCK_PX
    if not down or not across:
        return None
    whole = np.asarray(luma[: down * BLOCK_PX, : across * BLOCK_PX], dtype=np.float32)
    cut = whole.reshape(down, BLOCK_PX, across, BLOCK_PX).swapaxes(1, 2)
    return np.asarray(cut.reshape(-1, BLOCK_PX, BLOCK_PX), dtype=np.float64)


def _together(change: FloatArray) -> float:
    """Pixels that go together along rows and columns, mean of both, at least 1.

    Taken up to the first lag without likeness, that sums of noise do not add up; the mean that was
    taken out of every block makes neighbours less alike by the block's own variance.
    """
    power = float((change**2).mean())
    if power <= 0:
        return 1.0
    found = []
    for values in (change, change.swapaxes(1, 2)):
        total = 1.0
        for lag in range(1, MOST_LAG_PX + 1):
            alike = float((values[..., lag:] * values[..., :-lag]).mean()) / power
            if alike <= 0.02:
                break
            total += 2 * alike
        found.append(total)
    return float(np.mean(found))


def blockiness(luma: NDArray[np.generic]) -> dict[int, float] | None:
    """How much larger steps are on the coding grid than off it, by grid (8 and 16 px).

    The step across a border is compared with the steps beside it, ``|(b - a) - mean of both
    neighbouring steps|``, so that slopes of the picture do not count; 1 when the grid cannot be
    seen. The grid is that of the picture as stored, from its top left corner.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Luma codes as stored, not turned.
    """
    on: dict[int, list[FloatArray]] = {grid: [] for grid in GRIDS_PX}
    off: list[FloatArray] = []
    values = np.asarray(luma, dtype=np.float32)
    for picture in (values, values.T):
        if picture.shape[1] < 4 * GRIDS_PX[-1] or picture.shape[0] < GRIDS_PX[-1]:
            return None
        step = np.diff(picture[:: max(1, picture.shape[0] // 270)], axis=1)
        bend = np.abs(step[:, 1:-1] - (step[:, :-2] + step[:, 2:]) / 2)
        mean = np.asarray(np.minimum(bend, 12 * np.median(bend) + 1e-6).mean(axis=0), np.float64)
        border = np.arange(len(mean)) + 2  # column to the right of each step
        for grid in GRIDS_PX:
            finer = border % grid == 0
            if grid == 16:
                on[grid].append(mean[finer])
            else:
                on[grid].append(mean[finer & (border % 16 != 0)])
        # the steps beside a border share it, and would hide it
        off.append(mean[(border % 8 > 1) & (border % 8 < 7)])
    usual = float(np.concatenate(off).mean())
    if usual <= 0:
        return None
    return {grid: float(np.concatenate(on[grid]).mean()) / usual for grid in GRIDS_PX}
