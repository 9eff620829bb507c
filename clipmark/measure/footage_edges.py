"""The picture's own strong straight edges: found, fitted as a marked line would be, and told.

What they say of sharpness and of the noise along an edge holds for the lines that an operator
will mark: it comes from the same fit, with the same covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, Frame
from clipmark.errors import FitError
from clipmark.geometry.edge_fit import EdgeFit, fit_edge
from clipmark.geometry.edge_spread import scaled_u

FloatArray = NDArray[np.float64]
SEARCHED_PX = 1280  # longer side of the picture in which segments are looked for
LEAST_PX = 60.0
BORDER_PX = 6.0
MOST_FITTED = 10
JOIN_DEG, JOIN_PX, JOIN_GAP = 1.0, 1.5, 0.15  # pieces of one edge; gap by the longer one's length
ENDS_OFF = 0.04  # of a piece, left out at each end: corners are no edge
LEAST_USED = 0.8
MOST_RMS_PX = 0.35  # segments further off one line than this are not of one straight edge
SEARCH_PX, SEARCH_DEG = 3.0, 0.7
SAME_PX, SAME_DEG = 3.0, 1.0
LINE_LENGTHS_PX = (300, 600, 1000)
RIM_RADII_PX = (25, 50)
FAIR = (0.25, 0.75)  # quantiles told as the usual range


@dataclass(frozen=True)
class StraightEdge:
    """One straight edge of a picture.

    Attributes
    ----------
    frame : int
    ends_px : tuple of float
        x1, y1, x2, y2, px of the upright picture.
    length_px : float
        In square px.
    spread_px : float
        s of its Gaussian blur, the pixel included, square px.
    u_deg, u_offset_px : float
        Standard uncertainty of its direction and place at this length.
    contrast, noise : float
        Shares of black to white.
    tone : float
        Strength of the tone curve, 0 straight to 1 (IEC 61966-2-1).
    inflation : float
        Variance over that of white noise.
    """

    frame: int
    ends_px: tuple[float, float, float, float]
    length_px: float
    spread_px: float
    u_deg: float
    u_offset_px: float
    contrast: float
    noise: float
    tone: float
    inflation: float

    def u_deg_at(self, length_px: float) -> float:
        """Standard uncertainty of the direction of such an edge `length_px` long, deg."""
        return scaled_u(self.u_deg, self.length_px, length_px)

    def u_hub_px(self, radius_px: float) -> float:
        """Standard uncertainty of the middle of a rim with such an edge, per axis, px.

        What shifts the whole of an edge, such as a tone curve that is not quite known, does so all
        round a rim and leaves its middle; what turns an edge does not. So the noise is that of the
        direction, as a place: ``u L / sqrt(12)``. N independent pieces round a circle know each
        coordinate of its middle with 2/N of one piece's variance, since each tells its own
        direction only.
        """
        place = math.radians(self.u_deg) * self.length_px / math.sqrt(12.0)
        around = 2 * math.pi * radius_px
        return math.sqrt(2.0) * scaled_u(place, self.length_px, around, 0.5)

    def to_dict(self) -> dict[str, object]:
        """As printed."""
        return {**self.__dict__, "ends_px": list(self.ends_px)}


def straight_edges(clip: Clip, frame: Frame) -> list[StraightEdge]:
    """Up to `MOST_FITTED` strong straight edges of one frame, strongest first."""
    aspect = np.array([float(clip.pixel_aspect), 1.0])
    levels = (float(clip.black_level), float(clip.white_level))
    found: list[StraightEdge] = []
    for ends in _candidates(frame.luma, levels)[:MOST_FITTED]:
        try:
            fit = fit_edge(
                frame.luma,
                ends,
                kind="step",
                black=levels[0],
                white=levels[1],
                to_straight=lambda points: points * aspect,
                from_straight=lambda points: points / aspect,
                search_px=SEARCH_PX,
                search_deg=SEARCH_DEG,
            )
        except FitError:
            continue
        edge = _told(frame.ordinal, fit)
        if edge is not None and not any(_same(edge, other) for other in found):
            found.append(edge)
    return found


def _told(ordinal: int, fit: EdgeFit) -> StraightEdge | None:
    """The edge as a fact, or None where it is no straight edge."""
    bent = abs(fit.bow_px) > max(MOST_RMS_PX, 4 * fit.u_bow_px)
    if fit.used_fraction < LEAST_USED or fit.rms_px > MOST_RMS_PX or bent:
        return None
    x1, y1, x2, y2 = (float(value) for value in fit.ends.ravel())
    return StraightEdge(
        frame=ordinal,
        ends_px=(x1, y1, x2, y2),
        length_px=2 * fit.half_length_px * fit.used_fraction,
        spread_px=fit.blur_px,
        u_deg=math.degrees(fit.u_angle_rad),
        u_offset_px=fit.u_offset_px,
        contrast=fit.contrast,
        noise=fit.noise,
        tone=fit.tone,
        inflation=fit.noise_inflation,
    )


def _same(one: StraightEdge, other: StraightEdge) -> bool:
    """Whether two fits came to one edge."""
    a, b = np.reshape(one.ends_px, (2, 2)), np.reshape(other.ends_px, (2, 2))
    along = (b[1] - b[0]) / np.hypot(*(b[1] - b[0]))
    off = (a - b[0]) @ np.array([-along[1], along[0]])
    place = (a - b[0]) @ along
    overlaps = place.max() > 0 and place.min() < np.hypot(*(b[1] - b[0]))
    return bool(np.abs(off).max() < SAME_PX and overlaps)


def _candidates(luma: NDArray[np.generic], levels: tuple[float, float]) -> list[FloatArray]:
    """Rough straight edges, (2, 2) px each, strongest first (contrast by length^1.5)."""
    scale = max(1.0, max(luma.shape) / SEARCHED_PX)
    size = (round(luma.shape[1] / scale), round(luma.shape[0] / scale))
    grey = (np.asarray(luma, np.float32) - levels[0]) * (255.0 / (levels[1] - levels[0]))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.8)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    lines: Any = detector.detect(np.clip(small, 0, 255).astype(np.uint8))[0]
    if lines is None or not len(lines):
        return []
    pieces = np.asarray(lines, dtype=np.float64).reshape(-1, 2, 2) * scale
    joined = _joined(pieces)
    scored = []
    height, width = luma.shape
    for ends in joined:
        length = float(np.hypot(*(ends[1] - ends[0])))
        inner = ends + (ends[::-1] - ends) * ENDS_OFF
        low, high = inner.min(axis=0), inner.max(axis=0)
        inside = low.min() >= BORDER_PX and (high <= np.array([width, height]) - BORDER_PX).all()
        if length >= LEAST_PX and inside:
            scored.append((_contrast(small, inner / scale) * length**1.5, inner))
    scored.sort(key=lambda item: -item[0])
    return [ends for _, ends in scored]


def _joined(pieces: FloatArray) -> list[FloatArray]:
    """Pieces in one line put together, longest first."""
    length = np.hypot(*(pieces[:, 1] - pieces[:, 0]).T)
    rest = [pieces[k] for k in np.argsort(-length)]
    out: list[FloatArray] = []
    while rest:
        base = rest.pop(0)
        if np.hypot(*(base[1] - base[0])) < LEAST_PX / 3:
            break
        grown = True
        while grown:
            grown = False
            size = float(np.hypot(*(base[1] - base[0])))
            along = (base[1] - base[0]) / size
            normal = np.array([-along[1], along[0]])
            if not rest:
                break
            others = np.stack(rest)
            steps = others[:, 1] - others[:, 0]
            # LSD tells by its direction which side is brighter: only the same way round is one
            turn = np.degrees(np.arctan2(steps @ normal, steps @ along))
            off = np.abs((others - base[0]) @ normal).max(axis=1)
            place = (others - base[0]) @ along
            gap = np.maximum(place.min(axis=1) - size, -place.max(axis=1))
            near = (np.abs(turn) < JOIN_DEG) & (off < JOIN_PX) & (gap < JOIN_GAP * size)
            if near.any():
                picked = np.flatnonzero(near)
                points = np.concatenate([base, *(rest[k] for k in picked)])
                order = np.argsort((points - base[0]) @ along)
                base = points[order[[0, -1]]]
                rest = [piece for k, piece in enumerate(rest) if not near[k]]
                grown = True
        out.append(base)
    return out


def _contrast(small: NDArray[np.generic], ends: FloatArray) -> float:
    """Median difference across a line, grey levels."""
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    normal = np.array([-along[1], along[0]])
    middle = ends[0] + np.linspace(0, 1, 40)[:, None] * (ends[1] - ends[0])
    sides = []
    for side in (-3.0, 3.0):
        x, y = np.rint(middle + side * normal).astype(int).T
        x, y = np.clip(x, 0, small.shape[1] - 1), np.clip(y, 0, small.shape[0] - 1)
        sides.append(np.asarray(small[y, x], dtype=np.float64))
    return float(np.median(np.abs(sides[1] - sides[0])))


def usual_of(values: list[float]) -> tuple[float, float, float] | None:
    """Median and the quarter and three-quarter values; None of nothing."""
    if not values:
        return None
    low, high = np.quantile(values, FAIR)
    return float(np.median(values)), float(low), float(high)
