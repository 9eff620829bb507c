"""How much a clip may ask for: bounds on what a file states, each refused in a sentence.

A damaged or made-up header can ask for any number: pictures of gigabytes, two thousand million
frames, a frame every nanosecond. Each bound lies well beyond what cameras record. Where somebody
may rightly need more, the bound is raised by an environment variable, named in the sentence.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from fractions import Fraction

from clipmark.errors import FootageError

MOST_STREAMS = 64  # FFmpeg takes limits for so many; an action camera writes seven
MOST_REPEATED = 4  # an edit list may show a part again
LARGE_BYTES, EMPTIEST = 256_000_000, 1000  # of a camera's file, nearly all is pictures
WIDEST_PIXEL = 4  # width over height of one pixel, or the other way; films are squeezed by 2
_EARLIEST_S = 10 * 365 * 86_400.0  # a clock set to 1970 still fits, a stamp near 2^63 does not


@dataclass(frozen=True)
class Bound:
    """A bound that can be raised.

    Attributes
    ----------
    variable : str
        Environment variable that sets it.
    usual : float
        What holds without it.
    """

    variable: str
    usual: float

    @property
    def value(self) -> float:
        """The bound that holds; what is no number above 0 is refused, never ignored."""
        text = os.environ.get(self.variable, "")
        if not text:
            return self.usual
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value > 0):
            raise FootageError(
                f"{self.variable} is set to '{text}', which is no number above 0; set it to a "
                f"number such as {self.usual:g}, or leave it out"
            )
        return value

    def raised(self) -> str:
        """How to raise it, in words."""
        return f"if it really is so, set {self.variable} higher"


FILE_GB = Bound("CLIPMARK_MAX_FILE_GB", 64)  # 4K at 100 Mbit/s: 45 GB an hour
PICTURE_MPX = Bound("CLIPMARK_MAX_MPX", 40)  # 8K is 33
FRAMES = Bound("CLIPMARK_MAX_FRAMES", 2_000_000)  # 240 frames/s for two hours
HOURS = Bound("CLIPMARK_MAX_HOURS", 24)
RATE = Bound("CLIPMARK_MAX_FPS", 1_000_000)
STALL_S = Bound("CLIPMARK_STALL_S", 15)
MEMORY_GB = Bound("CLIPMARK_MEMORY_GB", 6)


def decoding_bytes(width: int, height: int) -> int:
    """Memory that decoding pictures of this size may take, bytes.

    Sixteen reference pictures, as many again in threads, and what is kept to step back, each at
    four bytes a pixel, beside what a decoder and the C library's pools for its threads take.
    """
    return (1536 << 20) + 48 * 4 * width * height


def most_pixels() -> int:
    """Pixels of the largest picture that is decoded."""
    return int(PICTURE_MPX.value * 1_000_000)


def check_size(name: str, size_bytes: int) -> None:
    """Refuse a file too large to be a clip of an attempt (FootageError)."""
    if size_bytes > FILE_GB.value * 1e9:
        raise FootageError(
            f"{name} is {size_bytes / 1e9:,.0f} GB large, above the limit of {FILE_GB.value:g} GB; "
            f"cut the attempt out of it, or, {FILE_GB.raised()}"
        )


def check_streams(name: str, count: int) -> None:
    """Refuse a file of more streams than any camera writes (FootageError)."""
    if count > MOST_STREAMS:
        raise FootageError(
            f"{name} states {count} streams of pictures, sound and data, above the limit of "
            f"{MOST_STREAMS}; export the one video into a file of its own"
        )


def check_frames(name: str, count: int) -> None:
    """Refuse more packets than a clip may have, while they are being listed (FootageError)."""
    if count > FRAMES.value:
        raise FootageError(
            f"{name} states more than {FRAMES.value:,.0f} pictures; cut the attempt out of it, "
            f"or, {FRAMES.raised()}"
        )


def check_bytes(name: str, stated_bytes: int, size_bytes: int) -> None:
    """Refuse tables that find far more bytes of pictures in a file than it has (FootageError).

    A few kilobytes can name the same picture a million times, each to be decoded.
    """
    if stated_bytes > MOST_REPEATED * size_bytes + (1 << 16):
        raise FootageError(
            f"{name} states more than {MOST_REPEATED} times as many bytes of pictures as it has: "
            "its tables name the same data again and again; copy it from the camera again, or "
            "convert a copy to H.264"
        )


def check_filled(name: str, stated_bytes: int, size_bytes: int) -> None:
    """Refuse a large file that is nearly empty, before every pass reads it (FootageError)."""
    if size_bytes > LARGE_BYTES and stated_bytes * EMPTIEST < size_bytes:
        raise FootageError(
            f"{name} is {size_bytes / 1e9:,.1f} GB large but holds {stated_bytes / 1e6:,.1f} MB of "
            "pictures; the rest was never written: copy it from the camera again, or cut the "
            "attempt out of it"
        )


def check_times(name: str, first_s: Fraction, last_s: Fraction, rate: Fraction | None) -> None:
    """Refuse frame times that cannot be meant (FootageError).

    Parameters
    ----------
    name : str
    first_s, last_s : Fraction
        First and last frame by the file's own clock, s, as stored.
    rate : Fraction or None
        Stored frames per second.
    """
    if abs(first_s) > _EARLIEST_S * 10 or last_s - first_s > HOURS.value * 3600:
        raise FootageError(
            f"{name} states frame times from {_clock(first_s)} to {_clock(last_s)}, longer than "
            f"the limit of {HOURS.value:g} h; copy it from the camera again, or, {HOURS.raised()}"
        )
    if rate is not None and rate > RATE.value:
        raise FootageError(
            f"{name} states {float(rate):,.0f} frames per second, above the limit of "
            f"{RATE.value:,.0f}; copy it from the camera again, or, {RATE.raised()}"
        )


def check_aspect(name: str, aspect: Fraction) -> None:
    """Refuse pixels so wide or high that no angle can be read (FootageError)."""
    if not Fraction(1, WIDEST_PIXEL) <= aspect <= WIDEST_PIXEL:
        raise FootageError(
            f"{name} states pixels {aspect.numerator}:{aspect.denominator} wide, beyond the limit "
            f"of {WIDEST_PIXEL}:1, and angles would be wrong; export it with square pixels"
        )


def _clock(time_s: Fraction) -> str:
    """A time in the unit that suits it."""
    hours = float(time_s) / 3600
    return f"{float(time_s):.1f} s" if abs(hours) < 1 else f"{hours:,.1f} h"
