"""Square fiducial tags by the names of their dictionaries, as OpenCV predefines them.

A dictionary is a numbered family of black-and-white patterns that can be told apart. Its name
here is OpenCV's own in small letters without the leading ``DICT_``: ``4x4_50``,
``apriltag_36h11``.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import MarkError

DEFAULT_DICTIONARY = "4x4_50"


@cache
def _constants() -> dict[str, int]:
    """OpenCV's constants by our names; its double spellings (36H11, 36h11) fall together."""
    prefix = "DICT_"
    return {
        name.removeprefix(prefix).lower(): int(getattr(cv2.aruco, name))
        for name in sorted(dir(cv2.aruco))
        if name.startswith(prefix)
    }


def dictionary_names() -> tuple[str, ...]:
    """Names of all dictionaries of this OpenCV, in alphabetical order."""
    return tuple(_constants())


def dictionary(name: str) -> cv2.aruco.Dictionary:
    """The dictionary of that name, whichever way its letters are written.

    Raises
    ------
    MarkError
        When there is none of that name; the sentence lists those there are.
    """
    constant = _constants().get(name.strip().lower().removeprefix("dict_"))
    if constant is None:
        raise MarkError(
            f"there is no dictionary of tags called '{name}'; give one of "
            f"{', '.join(dictionary_names())}"
        )
    return cv2.aruco.getPredefinedDictionary(constant)


def dictionary_size(name: str) -> int:
    """How many tags the dictionary holds: ids run from 0 to one less. Raises `MarkError`."""
    return len(dictionary(name).bytesList)


def tag_modules(name: str, tag_id: int) -> NDArray[np.bool_]:
    """The tag as it is printed: True where a module is black, its border of one module included.

    Returns
    -------
    ndarray of bool, shape (n, n)
        Rows from the top, as the tag stands upright.

    Raises
    ------
    MarkError
        When the dictionary, or the id in it, is not there.
    """
    family = dictionary(name)
    count = len(family.bytesList)
    if not 0 <= tag_id < count:
        raise MarkError(
            f"the dictionary {name} has no tag {tag_id}: its ids run from 0 to {count - 1}; "
            "give one of these, or a larger dictionary"
        )
    side = int(family.markerSize) + 2
    picture = cv2.aruco.generateImageMarker(family, tag_id, side, borderBits=1)
    return np.asarray(picture) < 128
