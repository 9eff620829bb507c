"""The keys of ``clipmark footage``, from what was gathered; a sentence where there is no number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.geometry.edge_spread import mtf50_of_spread, rise_of_spread
from clipmark.measure.crawl_expect import MOST_FRAMES, SPEEDS_MM_S, AtSpeed, at_speed
from clipmark.measure.crawl_ruler import Ruler, plane_ruler
from clipmark.measure.crawl_terms import BAND_HZ
from clipmark.measure.footage_edges import (
    LINE_LENGTHS_PX,
    RIM_RADII_PX,
    StraightEdge,
    usual_of,
)
from clipmark.measure.footage_pass import Gathered
from clipmark.measure.footage_support import FollowSupport
from clipmark.motion.flicker import Flicker, flicker_of

FloatArray = NDArray[np.float64]
Facts = dict[str, object]
NotTold = dict[str, str]
EVEN_SHARE = 0.05  # of the usual interval: intervals further apart are uneven


@dataclass(frozen=True)
class _Defaults:
    """A crawl before anything is set."""

    ruler: Ruler
    window_s: float | None = None
    band_hz: tuple[float, float] = BAND_HZ


def compression(clip: Clip, gathered: Gathered, not_told: NotTold) -> Facts:
    """How the pictures are coded, and what of that can be seen."""
    index = clip.index
    sizes, keys = np.array(index.size, dtype=float), np.flatnonzero(index.key)
    apart = np.diff(keys)
    blocks = gathered.blocks
    if blocks is None:
        not_told["blockiness_8"] = (
            "Coding blocks cannot be judged: the picture is too small, or plain."
        )
    return {
        "codec": clip.codec,
        "container": clip.container,
        "bits_per_px": 8 * float(sizes.mean()) / (clip.width * clip.height),
        "key_frames": len(keys),
        "key_interval_frames": float(np.median(apart)) if len(apart) else None,
        "blockiness_8": None if blocks is None else blocks[8],
        "blockiness_16": None if blocks is None else blocks[16],
    }


def timing(clip: Clip) -> Facts:
    """Duration and frame intervals, by the recorded times; unknown without them."""
    names = (
        "duration_s",
        "median_rate_hz",
        "shortest_interval_s",
        "longest_interval_s",
        "intervals_even",
        "fastest_visible_hz",
    )
    if not clip.has_times or clip.frame_count < 2:
        return dict.fromkeys(names)
    intervals = np.diff(clip.times_s)
    middle = float(np.median(intervals))
    rate = 1 / middle if middle > 0 else None
    return {
        "duration_s": float(clip.times_s[-1]),
        "median_rate_hz": rate,
        "shortest_interval_s": float(intervals.min()),
        "longest_interval_s": float(intervals.max()),
        "intervals_even": bool(np.abs(intervals - middle).max() <= EVEN_SHARE * middle),
        # What changes faster than this is folded down to a wrong frequency (Nyquist).
        "fastest_visible_hz": None if rate is None else rate / 2,
    }


def exposure(gathered: Gathered) -> Facts:
    """Share of the picture at both ends of the codes: usual picture and worst one."""
    facts: Facts = {"white_end_code": gathered.white_code}
    for name, shares in (
        ("clipped_black", gathered.clipped_black),
        ("clipped_white", gathered.clipped_white),
    ):
        known = np.isfinite(shares)
        if not known.any():
            facts |= {name: None, f"{name}_worst": None, f"{name}_worst_frame": None}
            continue
        worst = int(np.nanargmax(shares))
        facts |= {
            name: float(np.nanmedian(shares)),
            f"{name}_worst": float(shares[worst]),
            f"{name}_worst_frame": worst,
        }
    return facts


def noise_facts(gathered: Gathered, span: float, not_told: NotTold) -> Facts:
    """Noise that changes from picture to picture; shares of black to white."""
    names = ("noise_temporal", "noise_fresh", "noise_together_px", "still_share", "repeated_share")
    if not gathered.noise:
        not_told["noise_temporal"] = (
            "Noise from picture to picture cannot be told: no two pictures in a row have enough in "
            "them that stands still and is neither at black nor at white."
        )
        return dict.fromkeys(names)

    def median(name: str) -> float:
        return float(np.median([getattr(each, name) for each in gathered.noise]))

    return {
        "noise_temporal": median("temporal") / span,
        "noise_fresh": median("fresh") / span,
        "noise_together_px": median("together_px"),
        "still_share": median("still_share"),
        "repeated_share": median("repeated_share"),
    }


def flicker_facts(clip: Clip, gathered: Gathered, not_told: NotTold) -> Facts:
    """Light that flickers; a share of 0 says that none stands out."""
    nothing: Facts = {"flicker_share": None, "flicker_seen_hz": None, "flicker_may_be_hz": None}
    times = np.asarray(clip.times_s)
    if not clip.has_times or clip.frame_count < 2:
        not_told["flicker_share"] = "Flicker cannot be told without the times of several frames."
        return nothing
    step = float(np.median(np.diff(times)))
    found: Flicker | str | None = (
        flicker_of(times, gathered.bands, 1 / step)
        if step > 0
        else "Flicker cannot be told: frames share one time."
    )
    if isinstance(found, str):
        not_told["flicker_share"] = found
        return nothing
    if found is None:
        return {**nothing, "flicker_share": 0.0}
    return {
        "flicker_share": found.share,
        "flicker_seen_hz": found.seen_hz,
        "flicker_may_be_hz": list(found.may_be_hz),
    }


def motion_facts(gathered: Gathered, shake_px: float, roll_deg: float, not_told: NotTold) -> Facts:
    """How the picture swayed about its own mean over a second."""
    told = math.isfinite(shake_px)
    if not told:
        not_told["shake_px"] = (
            "Shake cannot be told: too few points of the background could be followed through "
            "three frames or more."
        )
    return {
        "shake_px": shake_px if told else None,
        "shake_roll_deg": roll_deg if told else None,
        "view_changes": max(gathered.shake.anchors - 1, 0) if told else None,
    }


def line_facts(
    clip: Clip, edges: Sequence[StraightEdge], looked_at: Sequence[int], not_told: NotTold
) -> Facts:
    """Sharpness, and what a line or a rim can be placed to, from the picture's own edges."""
    spread = usual_of([edge.spread_px for edge in edges])
    facts: Facts = {
        "edge_spread_px": spread and spread[0],
        "edge_spread_low_px": spread and spread[1],
        "edge_spread_high_px": spread and spread[2],
        "edge_rise_px": spread and rise_of_spread(spread[0]),
        "edge_mtf50_cycles_px": spread and mtf50_of_spread(spread[0]),
        "edges": [edge.to_dict() for edge in edges],
    }
    diagonal = math.hypot(clip.width * float(clip.pixel_aspect), clip.height)
    if spread is None:
        not_told["edge_spread_px"] = (
            "Sharpness and what a line can be read to cannot be told: no straight edge "
            f"of 60 px or more stands out in {_frames(looked_at)}."
        )
    for length in LINE_LENGTHS_PX:
        found = usual_of([edge.u_deg_at(length) for edge in edges])
        if spread is not None and length > diagonal:
            not_told[f"line_{length}_u_deg"] = (
                f"A line of {length} px does not fit into this picture."
            )
            found = None
        facts[f"line_{length}_u_deg"] = found and found[0]
        facts[f"line_{length}_u_low_deg"] = found and found[1]
        facts[f"line_{length}_u_high_deg"] = found and found[2]
    for radius in RIM_RADII_PX:
        hub = usual_of([edge.u_hub_px(radius) for edge in edges])
        facts[f"hub_{radius}_u_px"] = hub and hub[0]
    return facts


def support_facts(
    support: FollowSupport, times: FloatArray, mm_per_px: float | None, not_told: NotTold
) -> Facts:
    """What a body can be placed to, and its speed, in px and where a scale is known in mm."""
    place, quick, slow = support.position_u_px(), *(support.speed_u_px_s(k) for k in (0, 1))
    if support.why_not:
        not_told["body_u_px"] = (
            f"What can be followed to which accuracy cannot be told: {support.why_not}."
        )
    elif slow is None:
        not_told["speed_1s_u_px_s"] = (
            "Speed over 1 s cannot be told: what was followed, was followed for less."
        )

    def in_mm(value: float | None) -> float | None:
        return None if value is None or mm_per_px is None else value * mm_per_px

    place_mm = in_mm(place)
    stamps = times[np.isfinite(times)]
    enough = place_mm is not None and len(stamps) > 60
    if mm_per_px is None:
        not_told["body_u_mm"] = (
            "Nothing can be told in mm without a scale (--scale, --scale-mm): divide by px per mm."
        )
    return {
        "body_u_px": place,
        "speed_02s_u_px_s": quick,
        "speed_1s_u_px_s": slow,
        "told_from_moving": support.told_from_moving if support.patches else None,
        "patches": [patch.to_dict() for patch in support.patches],
        "followed_frames": None if support.span is None else list(support.span),
        "px_per_mm": None if mm_per_px is None else 1 / mm_per_px,
        "body_u_mm": place_mm,
        "speed_02s_u_mm_s": in_mm(quick),
        "speed_1s_u_mm_s": in_mm(slow),
        "creeps": (
            [each.to_dict() for each in _creeps(stamps, place_mm)]
            if enough and place_mm is not None
            else None
        ),
    }


def _creeps(stamps_s: FloatArray, position_u_mm: float) -> list[AtSpeed]:
    """What even creeping at usual speeds would show, at the defaults of a crawl."""
    chain = _Defaults(plane_ruler(lambda points: points))
    stamps = stamps_s[:MOST_FRAMES]
    return [at_speed(speed, stamps, position_u_mm, chain) for speed in SPEEDS_MM_S]


def _frames(ordinals: Sequence[int]) -> str:
    if not ordinals:
        return "any frame"
    if len(ordinals) == 1:
        return f"frame {ordinals[0]}"
    return "frames " + ", ".join(map(str, ordinals[:-1])) + f" and {ordinals[-1]}"
