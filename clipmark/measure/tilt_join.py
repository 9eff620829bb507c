"""Left and right run together: height and offset of the centre of gravity."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from clipmark.errors import FolderError, MarkError
from clipmark.measure.values import Value, named
from clipmark.uncertainty.tilt_cog import balance_of

K_95 = 1.959964
OtherTilt = str | PathLike[str] | Mapping[str, object]


@dataclass(frozen=True)
class OtherRun:
    """The run with the other side low, as printed before."""

    tilt_deg: float
    u_deg: float
    low_side: str
    clip_sha256: str
    rate_deg_s: float | None

    def to_dict(self) -> dict[str, object]:
        """What joining takes of it, for the record; `read_other` reads it again."""
        return {
            "tilt_deg": self.tilt_deg,
            "tilt_u95_deg": self.u_deg * K_95,
            "low_side": self.low_side,
            "clip_sha256": self.clip_sha256,
            "rate_deg_s": self.rate_deg_s,
        }


@dataclass(frozen=True)
class JoinedTilt:
    """Centre of gravity from both sides.

    Attributes
    ----------
    height, offset, stability_factor : Value
        mm, mm, a ratio; offset positive towards the right wheels.
    left_deg, right_deg : float
        Platform angles at first motion with that side low.
    track_mm, track_u_mm : float
    other_sha256 : str
        Of the other run's clip.
    """

    height: Value
    offset: Value
    stability_factor: Value
    left_deg: float
    right_deg: float
    track_mm: float
    track_u_mm: float
    other_sha256: str

    def to_dict(self) -> dict[str, object]:
        """As printed."""
        return {
            **named("height", "mm", self.height),
            **named("offset", "mm", self.offset),
            **named("stability_factor", "", self.stability_factor),
            "left_deg": self.left_deg,
            "right_deg": self.right_deg,
            "track_mm": self.track_mm,
            "track_u_mm": self.track_u_mm,
            "criterion": "first motion",
            "other_clip_sha256": self.other_sha256,
        }


def read_other(source: OtherTilt) -> OtherRun:
    """Read what ``clipmark tilt --json`` printed of the other side.

    Raises
    ------
    FolderError
        If the file cannot be read.
    MarkError
        If it is not such a reading, or holds no first motion.
    """
    name = "the other run (--join)"
    values: object = source
    if not isinstance(source, Mapping):
        path = Path(source)
        name = f"{path.name} (--join)"
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise FolderError(
                f"{name} cannot be read; give the file that `clipmark tilt --json` wrote for the "
                "run with the other side low"
            ) from error
        try:
            values = json.loads(text)
        except ValueError:
            values = None
    if not isinstance(values, Mapping) or "tilt_deg" not in values or "low_side" not in values:
        raise MarkError(
            f"{name} is no tilt reading; give what `clipmark tilt --json` printed for the run with "
            "the other side low"
        )
    tilt, u95 = values.get("tilt_deg"), values.get("tilt_u95_deg")
    if not isinstance(tilt, (int, float)) or not isinstance(u95, (int, float)):
        raise MarkError(
            f"{name} has no angle of first motion, so left and right cannot be joined; measure a "
            "run in which the truck lifts off"
        )
    rate = values.get("rate_deg_s")
    return OtherRun(
        abs(float(tilt)),
        float(u95) / K_95,
        str(values["low_side"]),
        str(values.get("clip_sha256") or ""),
        float(rate) if isinstance(rate, (int, float)) else None,
    )


def join_runs(
    tilt: Value,
    level_u_deg: float,
    low_side: str,
    other: OtherRun,
    track_mm: float | None,
    track_u_mm: float,
) -> JoinedTilt:
    """Centre of gravity from this run and the other one.

    Raises
    ------
    MarkError
        If the track is missing, both runs have the same side low, or an angle makes no sense.
    """
    if track_mm is None:
        raise MarkError(
            "joining left and right needs the track, the distance between the outer edges of the "
            "tyres' contact; give it (--track-mm)"
        )
    if other.low_side == low_side:
        raise MarkError(
            f"both runs have the {low_side} side low; join one with the left side low and one with "
            "the right, and where the truck was turned round instead of the platform say which of "
            "its sides was low (--low-side)"
        )
    here = (tilt.estimate, tilt.u95 / K_95)
    there = (other.tilt_deg, other.u_deg)
    left, right = (here, there) if low_side == "left" else (there, here)
    shared = min(level_u_deg, other.u_deg)

    def balance(shared_deg: float) -> tuple[float, float, float]:
        found = balance_of(left[0], right[0], track_mm, left[1], right[1], track_u_mm, shared_deg)
        return found.u_height_mm, found.u_offset_mm, found.u_stability_factor

    try:
        found = balance_of(left[0], right[0], track_mm)
        # One level line may stand behind both runs or not: the larger of both is stated.
        spreads = [max(pair) for pair in zip(balance(0.0), balance(shared), strict=True)]
    except ValueError as error:
        raise MarkError(
            f"left and right cannot be joined: {error}; check both readings and the track"
        ) from error
    values = (found.height_mm, found.offset_mm, found.stability_factor)
    height, offset, factor = (
        Value(value, u, value - K_95 * u, value + K_95 * u)
        for value, u in zip(values, spreads, strict=True)
    )
    return JoinedTilt(
        height, offset, factor, left[0], right[0], track_mm, track_u_mm, other.clip_sha256
    )
