"""Fiducial tags in a picture, each a small square sheet that finds itself.

A tag is a printed black square of known side with a code inside, from one of OpenCV's dictionaries.
Its corners are only where the search for its sides begins: the sides are then edge-fitted like
those of any other sheet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import MarkError
from clipmark.geometry.edge_band import Luma
from clipmark.marks import Sheet
from clipmark.measure.tag_dictionaries import dictionary

TAG_SIDE_U_MM = 0.2  # a printed square measured with a rule (common practice, no source)
LEAST_SIDE_PX = 24.0  # a smaller tag says less of the plane than a promise does


@dataclass(frozen=True)
class Tags:
    """What is declared of the tags in a picture.

    Attributes
    ----------
    dictionary : str
        OpenCV's name of the dictionary, such as ``4x4_50``.
    side_mm, side_u_mm : float
        Side of the black square, and its standard uncertainty.
    """

    dictionary: str
    side_mm: float
    side_u_mm: float = TAG_SIDE_U_MM

    @classmethod
    def parse(cls, text: str, side_u_mm: float = TAG_SIDE_U_MM) -> Self:
        """Read ``4x4_50:80`` (dictionary, side in mm); raises `MarkError` otherwise."""
        name, colon, side = text.partition(":")
        try:
            side_mm = float(side)
        except ValueError:
            side_mm = 0.0
        if not colon or not 0 < side_mm < np.inf:
            raise MarkError(
                f"the tags '{text}' cannot be read: write them as DICTIONARY:SIDE_MM, such as "
                "4x4_50:80"
            )
        dictionary(name)
        return cls(name, side_mm, side_u_mm)

    @classmethod
    def from_dict(cls, data: Mapping[str, object]) -> Self:
        """Read what `describe` wrote."""
        side, side_u = (float(str(data[name])) for name in ("side_mm", "side_u_mm"))
        return cls(str(data["dictionary"]), side, side_u)

    def describe(self) -> dict[str, object]:
        """As plain data."""
        return {
            "dictionary": self.dictionary,
            "side_mm": self.side_mm,
            "side_u_mm": self.side_u_mm,
        }


def find_tags(luma: Luma, levels: tuple[float, float], tags: Tags) -> list[tuple[int, Sheet]]:
    """Tags in one picture, by number, each as a square sheet with rough corners.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    levels : (float, float)
        Code values of black and white.
    tags : Tags

    Returns
    -------
    list of (int, Sheet)
        Number in the dictionary and corners, px of the upright picture.

    Raises
    ------
    MarkError
        If none is seen, or all are too small.
    """
    black, white = levels
    scaled = (np.asarray(luma, dtype=np.float32) - black) * (255.0 / (white - black))
    picture: NDArray[np.uint8] = np.clip(scaled + 0.5, 0, 255).astype(np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(dictionary(tags.dictionary), settings)
    corners, numbers, _ = detector.detectMarkers(picture)
    seen: Any = numbers  # None when there is no tag, whatever its typing says
    found = []
    largest = 0.0
    for places, number in zip(corners, [] if seen is None else seen.ravel(), strict=True):
        box = np.asarray(places, dtype=np.float64).reshape(4, 2)
        shortest = float(np.hypot(*(np.roll(box, -1, axis=0) - box).T).min())
        largest = max(largest, shortest)
        if shortest >= LEAST_SIDE_PX:
            size = (tags.side_mm, tags.side_mm)
            found.append((int(number), Sheet.from_values(box.tolist(), size, tags.side_u_mm)))
    if not found and largest:
        raise MarkError(
            f"the largest tag in the picture is {largest:.0f} px a side, but at least "
            f"{LEAST_SIDE_PX:.0f} px is needed; use larger tags or film them from nearer"
        )
    if not found:
        raise MarkError(
            f"no tag of the dictionary {tags.dictionary} is seen in this picture; check the "
            "dictionary's name, that the tags are in view with their white border, and the light"
        )
    return sorted(found, key=lambda item: item[0])
