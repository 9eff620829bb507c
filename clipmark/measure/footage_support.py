"""What following a clip can support, found by following it: patches are tried, as a crawl would be.

The most textured places of one picture, of what moves where anything does, are followed for a
second or so by the very chain that measures a crawl, with 1 px standing for 1 mm. The noise it
states of them is the clip's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FitError, FollowError, FrameError, MarkError
from clipmark.marks import Patch, Span
from clipmark.measure.crawl_noise import measure_noise, smooth
from clipmark.measure.crawl_path import lay_along
from clipmark.measure.crawl_ruler import plane_ruler
from clipmark.measure.crawl_terms import BAND_HZ
from clipmark.measure.footage_pass import Still
from clipmark.motion.passes import follow

FloatArray = NDArray[np.float64]
WINDOWS_S = (0.2, 1.0)
PROBE_S, LEAST_PROBE, MOST_PROBE = 1.6, 16, 120  # s, frames
MOST_PATCHES = 3
PATCH_SHARE, PATCH_FORM = 0.09, 0.7  # of the longer side; height over width
PATCH_LIMITS_PX = (32, 160)
MARGIN_PX = 12
MOVED_LEVELS = 14.0  # of 255: a still differs from the usual picture by more where things moved
MOVED_SHARE = 0.25
APART = 1.5  # patch sizes between two patches
LEAST_SLOPE = 2.0  # rms slope, 8-bit levels per px, that is texture at all
MOVES_PX = 2.0  # travel in the stretch from which a patch is one that moved


@dataclass(frozen=True)
class TriedPatch:
    """One patch followed as a body would be.

    Attributes
    ----------
    patch_px : tuple of float
        Left, top, width, height, px of the upright picture.
    moved : bool
        Whether it moved in the stretch followed.
    position_u_px : float
        Standard uncertainty of a single position.
    speed_u_px_s : tuple of float
        Standard uncertainty of speed over each of `WINDOWS_S`; NaN where the stretch is too short.
    """

    patch_px: tuple[float, float, float, float]
    moved: bool
    position_u_px: float
    speed_u_px_s: tuple[float, ...]

    def to_dict(self) -> dict[str, object]:
        """As printed."""
        return {
            "patch_px": list(self.patch_px),
            "moved": self.moved,
            "position_u_px": _known(self.position_u_px),
            "speed_02s_u_px_s": _known(self.speed_u_px_s[0]),
            "speed_1s_u_px_s": _known(self.speed_u_px_s[1]),
        }


@dataclass(frozen=True)
class FollowSupport:
    """What following can support: the patches tried, the span, or why nothing can be said."""

    patches: tuple[TriedPatch, ...]
    span: tuple[int, int] | None
    why_not: str = ""

    def _chosen(self) -> list[TriedPatch]:
        """Those that moved, where any did: what stands still, an encoder repeats."""
        moved = [each for each in self.patches if each.moved]
        return moved or list(self.patches)

    @property
    def told_from_moving(self) -> bool:
        """Whether the figures come from something that moved."""
        return any(each.moved for each in self.patches)

    def position_u_px(self) -> float | None:
        """Of the middle one of the patches."""
        return _median([each.position_u_px for each in self._chosen()])

    def speed_u_px_s(self, window: int) -> float | None:
        """The same for the speed over one of `WINDOWS_S`, by number."""
        return _median([each.speed_u_px_s[window] for each in self._chosen()])


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _median(values: list[float]) -> float | None:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else None


def try_following(clip: Clip, ordinal: int, stills: list[Still], shake_px: float) -> FollowSupport:
    """Follow the most textured patches of one frame for a short stretch.

    Parameters
    ----------
    clip : Clip
        Checked already.
    ordinal : int
        A usable frame.
    stills : list of Still
        From the whole clip; where one differs from their median, something moved.
    shake_px : float
        Rms shake; a picture that sways shows motion everywhere.
    """
    if not clip.has_times:
        return FollowSupport((), None, "the file carries no frame times; only angles can be read")
    if clip.interlaced:
        return FollowSupport((), None, "the video is interlaced; only angles can be read")
    span = _span(clip, ordinal)
    if span is None:
        return FollowSupport(
            (), None, f"the clip has fewer than {LEAST_PROBE} frames to follow something through"
        )
    luma = clip.frame(ordinal).luma
    moving = _moving(stills, ordinal, luma.shape) if shake_px < MARGIN_PX else None
    found, last_refusal = [], "no part of the picture has texture to hold on to"
    for patch in textured_patches(luma, moving, clip.white_level - clip.black_level):
        try:
            found.append(_tried(clip, ordinal, patch, span))
        except (FollowError, FitError, FrameError, MarkError):
            last_refusal = "the textured parts of the picture could not be followed"
    return FollowSupport(tuple(found), (span.first, span.last), "" if found else last_refusal)


def _span(clip: Clip, ordinal: int) -> Span | None:
    """A stretch from the frame on, or before it where the clip ends too soon."""
    times = np.asarray(clip.times_s)
    ahead = int(np.searchsorted(times, times[ordinal] + PROBE_S, side="right")) - 1
    last = min(max(ahead, ordinal + LEAST_PROBE - 1), ordinal + MOST_PROBE, clip.frame_count - 1)
    behind = int(np.searchsorted(times, times[last] - PROBE_S, side="left"))
    first = min(ordinal, behind, max(0, last - LEAST_PROBE + 1))
    first = max(first, last - MOST_PROBE)
    return Span(first, last) if last - first + 1 >= LEAST_PROBE else None


def _moving(
    stills: list[Still], ordinal: int, shape: tuple[int, ...]
) -> NDArray[np.float32] | None:
    """Where the picture differs from the usual one, 0 to 1, full size; None when not known."""
    if len(stills) < 4:
        return None
    usual = np.median(np.stack([still.luma for still in stills]), axis=0)
    here = min(stills, key=lambda still: abs(still.ordinal - ordinal)).luma
    blurred = cv2.GaussianBlur(here.astype(np.float32) - usual.astype(np.float32), (0, 0), 1.0)
    mask = (np.abs(blurred) > MOVED_LEVELS).astype(np.float32)
    full = cv2.resize(mask, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32)


def textured_patches(
    luma: NDArray[np.generic], moving: NDArray[np.float32] | None, span: float
) -> list[Patch]:
    """Up to `MOST_PATCHES` patches with slopes in two directions, those that move first.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    moving : ndarray, shape (H, W), or None
        Share of each pixel that moved.
    span : float
        Codes from black to white.
    """
    width = round(float(np.clip(PATCH_SHARE * max(luma.shape), *PATCH_LIMITS_PX)))
    size = (width, round(PATCH_FORM * width))
    rows, columns = luma.shape
    if columns < size[0] + 2 * MARGIN_PX or rows < size[1] + 2 * MARGIN_PX:
        return []
    smooth_luma = cv2.GaussianBlur(np.asarray(luma, np.float32) * (255.0 / span), (0, 0), 1.0)
    gx = cv2.Sobel(smooth_luma, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(smooth_luma, cv2.CV_32F, 0, 1, scale=0.125)
    xx, xy, yy = (cv2.boxFilter(g, -1, size) for g in (gx * gx, gx * gy, gy * gy))
    weaker = (xx + yy) / 2 - np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    half_x, half_y = size[0] // 2 + MARGIN_PX, size[1] // 2 + MARGIN_PX
    weaker[:half_y] = weaker[rows - half_y :] = 0.0
    weaker[:, :half_x] = weaker[:, columns - half_x :] = 0.0
    chosen: list[Patch] = []
    fields = [np.asarray(weaker, dtype=np.float64)]
    if moving is not None:
        moves = cv2.boxFilter(moving, -1, size) > MOVED_SHARE
        fields.insert(0, np.where(moves, fields[0], 0.0))
    for field in fields:
        field = field.copy()
        for patch in chosen:
            _strike(field, patch, size)
        while len(chosen) < MOST_PATCHES:
            y, x = np.unravel_index(int(np.argmax(field)), field.shape)
            if field[y, x] < LEAST_SLOPE**2:
                break
            patch = Patch(float(x - size[0] // 2), float(y - size[1] // 2), *map(float, size))
            chosen.append(patch)
            _strike(field, patch, size)
        if chosen:
            break
    return chosen


def _strike(field: FloatArray, patch: Patch, size: tuple[int, int]) -> None:
    """Leave the surroundings of a patch out."""
    x, y = int(patch.centre.x), int(patch.centre.y)
    reach_x, reach_y = round(APART * size[0]), round(APART * size[1])
    field[max(y - reach_y, 0) : y + reach_y, max(x - reach_x, 0) : x + reach_x] = 0.0


def _tried(clip: Clip, ordinal: int, patch: Patch, span: Span) -> TriedPatch:
    """One patch put through the chain of a crawl, 1 square px standing for 1 mm."""
    aspect = np.array([float(clip.pixel_aspect), 1.0])
    following = follow(clip, ordinal, patch, span)
    ruler = plane_ruler(lambda points: points * aspect)
    path = lay_along(following, ruler, None, (clip.width, clip.height))
    times, s = path.times_s[path.known], path.s_mm[path.known]
    found: list[float] = []
    position = math.nan
    for window in WINDOWS_S:
        fit, _, scatter = smooth(times, s, window)
        noise = measure_noise(path, fit, window, scatter, BAND_HZ)
        long_enough = float(times[-1] - times[0]) >= window
        found.append(noise.speed_mm_s if long_enough else math.nan)
        position = noise.position_mm
    moved = float(np.ptp(s)) > MOVES_PX
    if not moved:  # its errors stay as they are from picture to picture, and do not scatter
        position = max(position, float(np.nanmedian(path.u_s_mm)))
    corner = (patch.x, patch.y, patch.w, patch.h)
    return TriedPatch(corner, moved, position, tuple(found))
