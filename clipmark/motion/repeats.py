"""Pictures that repeat the one before, as a converter makes them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

REPEAT_SHARE, REPEAT_REACH = 0.5, 10  # of the usual change over so many frames on either side


def hardly_changed(change: FloatArray) -> NDArray[np.bool_]:
    """Pictures that changed by less than `REPEAT_SHARE` of what their neighbours did.

    A picture stored twice is encoded twice, so the two need not agree in every sample.

    Parameters
    ----------
    change : ndarray, shape (K,)
        Change of each picture from the one before, grey levels; inf where there is none.
    """
    padded = np.pad(change, REPEAT_REACH, constant_values=np.nan)
    padded[~np.isfinite(padded)] = np.nan
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * REPEAT_REACH + 1)
    known = np.isfinite(windows).any(axis=1)
    usual = np.full(len(change), np.inf)
    usual[known] = np.nanmedian(windows[known], axis=1)
    return np.asarray(change < REPEAT_SHARE * usual)
