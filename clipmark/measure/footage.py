"""What a file is, before anything is measured on it: facts, timing, health of its pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.clip.health import Health, check

FloatArray = NDArray[np.float64]
MAD_TO_SD = 1.4826  # of a normal distribution
LAPLACE_GAIN = 6.0  # the product filter has coefficients whose squares sum to 36


@dataclass(frozen=True, eq=False)
class FootageReport:
    """Facts about one clip; `to_dict` is what ``--json`` prints."""

    facts: dict[str, object]
    findings: tuple[dict[str, str], ...]
    warnings: tuple[str, ...]
    health: Health

    def to_dict(self) -> dict[str, object]:
        """Everything as plain data."""
        return {
            **self.facts,
            "findings": list(self.findings),
            "warnings": list(self.warnings),
        }


def look_over(clip: Clip, progress: Callable[[int, int], None] | None = None) -> FootageReport:
    """Decode the clip once and say what it is.

    Parameters
    ----------
    clip : Clip
    progress : callable, optional
        Called with (frames done, frames in all).

    Raises
    ------
    FootageError, FrameError
    """
    health = check(clip, progress)
    usable = [k for k in range(clip.frame_count) if k not in {*health.missing, *health.damaged}]
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
        **_timing(clip),
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
    if usable:
        frame = clip.frame(usable[len(usable) // 2])
        span = float(clip.white_level - clip.black_level)
        facts["noise"] = noise_of(frame.luma) / span
        facts["frame"] = frame.ordinal
        facts["t_s"] = frame.time_s if clip.has_times else None
        facts["fingerprint"] = frame.fingerprint
    return FootageReport(
        facts=facts,
        findings=tuple(
            {"code": item.code, "severity": item.severity, "sentence": item.sentence}
            for item in clip.findings
        ),
        warnings=tuple(clip.warnings),
        health=health,
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


def _timing(clip: Clip) -> dict[str, object]:
    """Duration and frame intervals, by the recorded times; unknown without them."""
    names = (
        "duration_s",
        "median_rate_hz",
        "shortest_interval_s",
        "longest_interval_s",
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
        # What changes faster than this is folded down to a wrong frequency (Nyquist).
        "fastest_visible_hz": None if rate is None else rate / 2,
    }


def _middle(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None
