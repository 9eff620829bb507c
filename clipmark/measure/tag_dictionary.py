"""OpenCV's dictionaries of fiducial tags, by name."""

from __future__ import annotations

import cv2

from clipmark.errors import MarkError

PREFIX = "DICT_"


def dictionary_names() -> tuple[str, ...]:
    """Names of all dictionaries that this OpenCV has, as `tag_dictionary` takes them."""
    return tuple(
        name.removeprefix(PREFIX).lower() for name in dir(cv2.aruco) if name.startswith(PREFIX)
    )


def tag_dictionary(name: str) -> cv2.aruco.Dictionary:
    """The dictionary called `name`, such as ``4x4_50``; raises `MarkError` when there is none."""
    wanted = f"{PREFIX}{name.strip().upper().removeprefix(PREFIX)}"
    for known in dir(cv2.aruco):
        if known.startswith(PREFIX) and known.upper() == wanted:
            return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, known))
    raise MarkError(
        f"there is no dictionary of tags called '{name}'; there are {', '.join(dictionary_names())}"
    )
