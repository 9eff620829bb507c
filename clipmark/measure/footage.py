"""What a file is and what it can support, before anything is measured on it.

One decoding pass (`clipmark.measure.footage_pass`), and a bounded number of frames looked at
again: straight edges fitted (`footage_edges`), patches followed for a second (`footage_support`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.clip.health import Health, check
from clipmark.errors import FrameError, MarkError
from clipmark.marks import Line
from clipmark.measure.crawl_ruler import scale_ruler
from clipmark.measure.footage_edges import StraightEdge, straight_edges
from clipmark.measure.footage_facts import (
    compression,
    exposure,
    flicker_facts,
    line_facts,
    motion_facts,
    noise_facts,
    support_facts,
    timing,
)
from clipmark.measure.footage_pass import Gathered, Gatherer
from clipmark.measure.footage_row_time import rolling_shutter
from clipmark.measure.footage_support import FollowSupport, try_following
from clipmark.measure.footage_words import advice_for
from clipmark.measure.stabiliser import cannot_tell, steadiness

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]
MAD_TO_SD = 1.4826  # of a normal distribution
LAPLACE_GAIN = 6.0  # the product filter has coefficients whose squares sum to 36
MOST_LOOKED_AT = 3  # frames in which edges, and stretches in which patches are looked for
ENOUGH_EDGES = 3
LEFT_OUT = "the closer look was left out (--quick)"
AFTERWARDS = 0.25  # of the pass, in the progress told: what comes after it


@dataclass(frozen=True, eq=False)
class FootageReport:
    """Facts about one clip; `to_dict` is what ``--json`` prints.

    Attributes
    ----------
    facts : dict
        Every key but the following.
    findings : tuple of dict
        What is odd about the file.
    warnings : tuple of str
    health : Health
        Of the pictures, frame by frame.
    gathered : Gathered
        What the pass gathered, frame by frame, for drawing.
    edges : tuple of StraightEdge
    """

    facts: dict[str, object]
    findings: tuple[dict[str, str], ...]
    warnings: tuple[str, ...]
    health: Health
    gathered: Gathered
    edges: tuple[StraightEdge, ...]

    def to_dict(self) -> dict[str, object]:
        """Everything as plain data."""
        return {
            **self.facts,
            "findings": list(self.findings),
            "warnings": list(self.warnings),
        }


def look_over(
    clip: Clip,
    progress: Progress | None = None,
    *,
    scale: Line | None = None,
    scale_mm: float | None = None,
    closely: bool = True,
) -> FootageReport:
    """Decode the clip once and say what it is, and what it can support.

    Parameters
    ----------
    clip : Clip
    progress : callable, optional
        Called with (done, in all), in frames' worth of work.
    scale, scale_mm : Line and float, optional
        Two points a known length apart, mm: speeds are then told in mm/s as well.
    closely : bool
        Look again at some frames: edges, patches, the camera. Without that, the one pass alone.

    Raises
    ------
    FootageError, FrameError
    MarkError
        If the scale mark is no good.
    """
    in_all = clip.frame_count + max(1, math.ceil(AFTERWARDS * clip.frame_count))
    mm_per_px = _mm_per_px(clip, scale, scale_mm)

    def tell(done: int, _: int) -> None:
        if progress is not None:
            progress(done, in_all)

    gatherer = Gatherer(clip)
    health = check(clip, tell, gatherer.observe)
    gathered = gatherer.result().without({*health.missing, *health.damaged})
    usable = [k for k in range(clip.frame_count) if k not in {*health.missing, *health.damaged}]
    looked_at = _nearest_the_middle([still.ordinal for still in gathered.stills], usable)
    not_told: dict[str, str] = {}
    facts: dict[str, object] = {
        "clip_sha256": clip.sha256,
        "width": clip.width,
        "height": clip.height,
        "pixel_aspect": f"{clip.pixel_aspect.numerator}:{clip.pixel_aspect.denominator}",
        "turned_deg": clip.upright_transform.clockwise_deg,
        "mirrored": clip.upright_transform.mirrored,
        "frame_count": clip.frame_count,
        "bit_depth": clip.bit_depth,
        "black_level": clip.black_level,
        "white_level": clip.white_level,
        **compression(clip, gathered, not_told),
        **timing(clip),
        "frames_missing": len(health.missing),
        "frames_damaged": len(health.damaged),
        "frames_repeated": len(health.duplicated),
        "brightness": _middle(health.brightness),
        "sharpness": _middle(health.sharpness),
        "noise": None,
        "frame": None,
        "t_s": None,
        "fingerprint": None,
    }
    span = float(clip.white_level - clip.black_level)
    if usable:
        frame = clip.frame(usable[len(usable) // 2])
        facts["noise"] = noise_of(frame.luma) / span
        facts["frame"] = frame.ordinal
        facts["t_s"] = frame.time_s if clip.has_times else None
        facts["fingerprint"] = frame.fingerprint
    facts |= exposure(gathered) | noise_facts(gathered, span, not_told)
    facts |= flicker_facts(clip, gathered, not_told)
    times = np.asarray(clip.times_s)
    shake_px, roll_deg = gathered.shake.rms(times)
    facts |= motion_facts(gathered, shake_px, roll_deg, not_told)
    row_s = (
        rolling_shutter(clip, gathered.shake)
        if closely
        else f"Rolling shutter cannot be told: {LEFT_OUT}."
    )
    facts["rolling_shutter_s"] = None if isinstance(row_s, str) else row_s[0]
    facts["rolling_shutter_u_s"] = None if isinstance(row_s, str) else row_s[1]
    if isinstance(row_s, str):
        not_told["rolling_shutter_s"] = row_s
    nothing = "no frame can be decoded" if closely else LEFT_OUT
    stood = steadiness(clip) if usable and closely else cannot_tell(nothing)
    facts |= stood.to_dict()
    edges = _edges(clip, looked_at) if closely else []
    facts |= line_facts(clip, edges, looked_at, not_told)
    tell((clip.frame_count + in_all) // 2, in_all)
    support = FollowSupport((), None, nothing)
    if closely:
        support = _following(clip, looked_at, gathered, shake_px)
    facts |= support_facts(support, times, mm_per_px, not_told)
    if not closely:
        not_told["edge_spread_px"] = f"Sharpness cannot be told: {LEFT_OUT}."
    facts["advice"] = list(advice_for(facts))
    facts["not_told"] = not_told
    tell(in_all, in_all)
    return FootageReport(
        facts=facts,
        findings=tuple(
            {"code": item.code, "severity": item.severity, "sentence": item.sentence}
            for item in clip.findings
        ),
        warnings=tuple(clip.warnings),
        health=health,
        gathered=gathered,
        edges=tuple(edges),
    )


def noise_of(luma: NDArray[np.integer]) -> float:
    """Standard deviation of the noise per pixel, luma codes, of one picture.

    The median absolute response of the separable second-difference filter, which is blind to
    brightness and slopes (J. Immerkaer, Computer Vision and Image Understanding 64 (1996)
    300-302, with a median in place of the mean so that edges count little). Texture raises it and
    the encoder's smoothing lowers it: a measure for comparing clips, not a property of the sensor.
    """
    values = luma.astype(np.float32)
    across = values[:, :-2] - 2 * values[:, 1:-1] + values[:, 2:]
    both = across[:-2] - 2 * across[1:-1] + across[2:]
    return float(np.median(np.abs(both)) * MAD_TO_SD / LAPLACE_GAIN)


def _mm_per_px(clip: Clip, scale: Line | None, scale_mm: float | None) -> float | None:
    """Millimetres per square px by a scale mark; None without one."""
    if scale is None and scale_mm is None:
        return None
    if scale is None or scale_mm is None:
        missing = "its length (--scale-mm)" if scale_mm is None else "its two points (--scale)"
        raise MarkError(f"a scale mark needs {missing} as well; give both")
    ruler = scale_ruler(clip, scale, scale_mm)
    aspect = float(clip.pixel_aspect)
    ends = np.array([[scale.x1, scale.y1], [scale.x2, scale.y2]])
    length = float(np.hypot(*((ends[1] - ends[0]) * [aspect, 1.0])))
    return float(np.hypot(*np.diff(ruler.to_mm(ends), axis=0)[0])) / length


def _nearest_the_middle(sampled: list[int], usable: list[int]) -> list[int]:
    """Up to `MOST_LOOKED_AT` frames: the middle one, then those at a quarter and three quarters."""
    good = sorted({*sampled} & {*usable}) or usable
    places = (0.5, 0.25, 0.75)
    found = [good[min(int(place * len(good)), len(good) - 1)] for place in places] if good else []
    return list(dict.fromkeys(found))[:MOST_LOOKED_AT]


def _edges(clip: Clip, looked_at: list[int]) -> list[StraightEdge]:
    """Straight edges of the first frame that shows enough of them, or all of all."""
    found: list[StraightEdge] = []
    for ordinal in looked_at:
        here = straight_edges(clip, clip.frame(ordinal))
        if len(here) >= ENOUGH_EDGES:
            return here
        found += here
    return found


def _following(
    clip: Clip, looked_at: list[int], gathered: Gathered, shake_px: float
) -> FollowSupport:
    """What can be followed, from the first place where anything can."""
    support = FollowSupport((), None, "no frame can be decoded")
    for ordinal in looked_at:
        try:
            support = try_following(clip, ordinal, gathered.stills, shake_px)
        except FrameError as refusal:
            support = FollowSupport((), None, str(refusal))
        if support.patches:
            break
    return support


def _middle(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None
