"""What a crawl refuses before anything is followed."""

from __future__ import annotations

import math
from collections.abc import Sequence

from clipmark.clip import Clip
from clipmark.errors import FollowError, MarkError
from clipmark.marks import Patch, Span, Wheel
from clipmark.measure.crawl_path import LEAST_FRAMES

LONGEST_WINDOW_S = 5.0
WheelLike = Wheel | Sequence[float]


def as_patch(patch: Patch | Sequence[float]) -> Patch:
    """A patch from any form it was given in; raises `MarkError` when it is not four numbers."""
    if isinstance(patch, Patch):
        return patch
    numbers = [float(value) for value in patch]
    if len(numbers) != 4 or not all(math.isfinite(value) for value in numbers):
        raise MarkError(f"the patch needs four finite numbers x, y, w, h, but got {numbers}")
    return Patch(*numbers)


def as_wheels(wheels: Sequence[WheelLike]) -> tuple[Wheel, ...]:
    """Wheels from whatever form they were given in; raises `MarkError` when unreadable."""
    out = []
    for wheel in wheels:
        if isinstance(wheel, Wheel):
            out.append(wheel)
            continue
        numbers = [float(value) for value in wheel]
        if len(numbers) not in (4, 5) or not all(math.isfinite(value) for value in numbers):
            raise MarkError(
                "a wheel needs four finite numbers cx, cy, rx, ry, or five with the turn of its "
                f"first axis, but got {numbers}"
            )
        out.append(Wheel(*numbers))
    return tuple(out)


def checked_span(clip: Clip, ordinal: int, span: Span | tuple[int, int] | None) -> Span:
    """The span, the whole clip when none is given; raises `MarkError` when it cannot be used."""
    if span is None:
        span = Span(0, clip.frame_count - 1)
    elif not isinstance(span, Span):
        span = Span(int(span[0]), int(span[1]))
    span.checked()
    if span.last >= clip.frame_count:
        raise MarkError(
            f"the span {span.first}:{span.last} ends after the clip, whose last frame is "
            f"{clip.frame_count - 1}; give a last frame inside the clip"
        )
    if not span.first <= ordinal <= span.last:
        raise MarkError(
            f"the reference frame {ordinal} lies outside the span {span.first}:{span.last}; mark "
            "the patch in a frame of the span, or widen the span"
        )
    if span.last - span.first + 1 < LEAST_FRAMES:
        raise MarkError(
            f"the span {span.first}:{span.last} holds only {span.last - span.first + 1} frames, "
            f"and at least {LEAST_FRAMES} are needed; give a longer span"
        )
    return span


def check_settings(
    clip: Clip, hold_s: float, band_hz: tuple[float, float], window_s: float | None
) -> None:
    """Raise `FollowError` for a clip without times, `MarkError` for settings out of range."""
    if not clip.has_times:
        raise FollowError(
            "this file carries no frame times, so motion cannot be timed; use the file as the "
            "camera recorded it"
        )
    if not (0 < hold_s < math.inf):
        raise MarkError(f"the hold time is {hold_s:g} s; give a time above 0 s")
    low, high = band_hz
    if not (0 < low < high < math.inf):
        raise MarkError(
            f"the band {low:g}:{high:g} Hz cannot be used; give a low end above 0 and a higher "
            "high end, such as 0.5:5"
        )
    if window_s is not None and not (0 < window_s <= LONGEST_WINDOW_S):
        raise MarkError(
            f"the window of the speed filter is {window_s:g} s; give one above 0 and up to "
            f"{LONGEST_WINDOW_S:g} s"
        )


def check_facing(facing: str | None) -> None:
    """Raise `MarkError` for a side of the picture that is neither left nor right."""
    if facing not in (None, "left", "right"):
        raise MarkError(f"the truck cannot face '{facing}'; give left or right")


def check_diameters(
    wheels: Sequence[Wheel], wheel_mm: float | None, wheel_u_mm: float, rim_mm: float | None
) -> None:
    """Raise `MarkError` for diameters that make no sense, or that belong to no marked wheel."""
    for name, value in (("wheel diameter", wheel_mm), ("rim diameter", rim_mm)):
        if value is None:
            continue
        if not 0 < value < math.inf:
            raise MarkError(f"the {name} is {value:g} mm; give one above 0 mm")
        if not wheels:
            raise MarkError(f"a {name} was given, but no wheel is marked; mark one (--wheel)")
    if not wheel_u_mm >= 0:
        raise MarkError("the uncertainty of the wheel diameter is below 0; give 0 or more")
