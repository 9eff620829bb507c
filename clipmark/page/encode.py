"""Pictures as the page gets them: JPEG to look at, PNG where every pixel counts."""

from __future__ import annotations

import threading
from typing import Any

import cv2
import numpy as np
from av.video.reformatter import VideoReformatter
from numpy.typing import NDArray

from clipmark.clip.picture import Picture
from clipmark.clip.upright import UprightTransform
from clipmark.errors import FrameError

EXACT_QUALITY = 92
CACHE_QUALITY = 82
_PNG_LEVEL = 1
_own = threading.local()  # a scaler may not be used by two threads at once


def size_within(
    width: int, height: int, widest: int, highest: int | None = None
) -> tuple[int, int]:
    """The picture's size brought into a box, px, shape kept; never enlarged."""
    scale = min(1.0, widest / width, 1.0 if highest is None else highest / height)
    return max(1, round(width * scale)), max(1, round(height * scale))


def upright_bgr(
    picture: Picture, upright: UprightTransform, size: tuple[int, int] | None = None
) -> NDArray[np.uint8]:
    """Colours of a picture, upright, shape (height, width, 3).

    Parameters
    ----------
    picture : Picture
        With its colours.
    upright : UprightTransform
        How it is to be turned.
    size : tuple of int, optional
        Width and height of the upright result, px; default as stored.

    Raises
    ------
    FrameError
        If the picture holds its luma only.
    """
    if not hasattr(_own, "scaler"):
        _own.scaler = VideoReformatter()
    stored_size = size if size is None or not upright.transpose else (size[1], size[0])
    stored = picture.stored_bgr(stored_size, _own.scaler)
    if stored is None:
        raise FrameError("the colours of this picture were let go; ask for the frame again")
    return np.ascontiguousarray(upright.apply(stored))


def jpeg(bgr: NDArray[np.uint8], quality: int) -> bytes:
    """The picture as JPEG."""
    return _encoded(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])


def png(bgr: NDArray[np.uint8]) -> bytes:
    """The picture as PNG, lightly packed: every value as it is."""
    how = [cv2.IMWRITE_PNG_COMPRESSION, _PNG_LEVEL]
    # a third faster than the usual strategy on camera pictures, and no larger
    how += [cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_HUFFMAN_ONLY]
    return _encoded(".png", bgr, how)


def _encoded(ending: str, bgr: NDArray[np.uint8], how: list[int]) -> bytes:
    done, data = cv2.imencode(ending, bgr, how)
    assert done
    packed: Any = data
    return bytes(packed.data)
