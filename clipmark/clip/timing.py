"""When each frame was shown: exact times, and what is odd about them.

Times are differences of the container's integer stamps, so they are exact rationals; nothing is
ever computed as frame number over a nominal rate.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.clip.findings import Finding
from clipmark.clip.index import FrameIndex
from clipmark.clip.limits import check_times
from clipmark.errors import FootageError

GAP_FACTOR = 1.9  # an interval this many times the usual one means pictures were dropped
_USUAL_OVER = 9  # intervals; a camera that slows down for longer changed its rate, dropped nothing
_JITTER_PART = 0.02  # of the median interval; beyond this (and beyond rounding) times vary
_JITTER_TICKS = 2  # two stamps, each rounded to a whole tick
_REORDER_LIMIT = 16  # pictures that H.264 and HEVC may hold back at most
_RATE_SNAP = Fraction(4, 10_000)  # 30 and 29.97 differ by 10/10000


def exact_rate(true_fps: float | Fraction | None) -> Fraction | None:
    """The declared true rate as the decimal number that was written.

    Raises
    ------
    FootageError
        If it is not a number above 0.
    """
    if true_fps is None:
        return None
    if not math.isfinite(true_fps) or true_fps <= 0:
        raise FootageError(
            f"the true rate must be a number of frames per second above 0, but {true_fps} was "
            "given; state the rate the camera recorded at, such as 240"
        )
    return true_fps if isinstance(true_fps, Fraction) else Fraction(str(true_fps))


def usual_intervals(intervals: NDArray[np.number]) -> NDArray[np.float64]:
    """The interval that is usual around each interval: the running median of those above 0.

    A phone that slows from 60 to 30 frames/s in poor light and stays there has another usual
    interval from then on; a picture dropped here and there does not change it.

    Parameters
    ----------
    intervals : ndarray, shape (n,)
        Any unit. Zeros (repeated times) take the value of their neighbours.

    Returns
    -------
    ndarray, shape (n,)
        Same unit; NaN where no interval is above 0.
    """
    steps = np.asarray(intervals, dtype=np.float64)
    known = np.flatnonzero(steps > 0)
    if known.size == 0:
        return np.full(steps.size, np.nan)
    window = min(_USUAL_OVER, known.size - 1 + known.size % 2)  # odd, and not longer than there are
    middles = scipy.ndimage.median_filter(steps[known], size=window, mode="nearest")
    return np.asarray(np.interp(np.arange(steps.size), known, middles), dtype=np.float64)


class Timeline:
    """Times of all frames of a clip.

    Parameters
    ----------
    index : FrameIndex
        Stamps and time base.
    declared : Fraction or None
        True rate of a slow-motion recording, frames per second.
    container_rates : tuple of Fraction
        Rates the container states; the one that agrees with the stamps is taken as nominal.

    Attributes
    ----------
    time_base : Fraction
        Seconds per tick, as stored.
    scale : Fraction
        True seconds per stored second.
    nominal_rate : Fraction or None
        Stored frames per second; None with fewer than two frames or without times.
    intervals : ndarray of int64, shape (n - 1,)
        Ticks from each frame to the next.
    """

    def __init__(
        self,
        index: FrameIndex,
        declared: Fraction | None = None,
        container_rates: tuple[Fraction, ...] = (),
    ) -> None:
        self.time_base = index.time_base
        self._pts = index.frame_pts
        self._count = index.frame_count
        self.has_times, self._broken_off = index.has_times, index.broken_off
        stamps = np.array(self._pts, dtype=np.int64)
        self.intervals: NDArray[np.int64] = stamps[1:] - stamps[:-1]
        self.declared = declared
        self.nominal_rate = self._nominal(container_rates)
        known = declared is not None and self.nominal_rate is not None
        self.scale = self.nominal_rate / declared if known else Fraction(1)  # type: ignore[operator]

    def _nominal(self, container_rates: tuple[Fraction, ...]) -> Fraction | None:
        """Stored rate: the mean over undisturbed intervals, or the container's that agrees."""
        steps = self.intervals[self.intervals > 0]
        if steps.size == 0:
            return None
        usual = steps[steps < GAP_FACTOR * np.median(steps)]
        span = int(usual.sum())
        mean = Fraction(int(usual.size), span) / self.time_base
        allowed = max(_RATE_SNAP, Fraction(1, span))  # either end is rounded by half a tick
        near = [rate for rate in container_rates if rate > 0 and abs(mean / rate - 1) < allowed]
        return min(near, key=lambda rate: abs(mean / rate - 1), default=mean)

    def check(self, name: str) -> None:
        """Refuse times that cannot be meant (FootageError names the file, `name`)."""
        if self.has_times:
            ends = (self._pts[0] * self.time_base, self._pts[-1] * self.time_base)
            check_times(name, *ends, self.nominal_rate)

    def time(self, ordinal: int) -> Fraction | None:
        """Exact seconds from the first shown frame; None without times."""
        if not self.has_times:
            return None
        return (self._pts[ordinal] - self._pts[0]) * self.time_base * self.scale

    def times(self) -> list[Fraction]:
        """All exact times, s; empty without times."""
        step = self.time_base * self.scale
        return [(stamp - self._pts[0]) * step for stamp in self._pts]

    def times_s(self) -> NDArray[np.float64]:
        """All times, s, shape (n,), each rounded once; NaN without times."""
        if not self.has_times:
            return np.full(self._count, np.nan)
        step = self.time_base * self.scale
        over, under, start = step.numerator, step.denominator, self._pts[0]
        return np.array([(stamp - start) * over / under for stamp in self._pts], dtype=np.float64)

    def findings(self, first_decodable: int = 0) -> list[Finding]:
        """What is odd about the times; gaps are told from frame `first_decodable` on."""
        if not self.has_times:
            return [
                Finding(
                    "no-times",
                    "refuse-motion",
                    "The file carries no frame times; angles can be read, but motion cannot be "
                    "timed.",
                )
            ]
        found = [self._start(), self._declared(), *self._steps(first_decodable)]
        return [finding for finding in found if finding is not None]

    def _start(self) -> Finding | None:
        first = self._pts[0] * self.time_base
        if first == 0:
            return None
        return Finding(
            "offset-start",
            "note",
            f"The first frame is shown at {float(first):.3f} s of the file's own clock; times "
            "here count from that frame.",
        )

    def _declared(self) -> Finding | None:
        if self.declared is None or self.nominal_rate is None:
            return None
        return Finding(
            "true-rate",
            "note",
            f"The true rate is declared as {rate_text(self.declared)} frames per second and the "
            f"file is stored at {rate_text(self.nominal_rate)}; stored times are multiplied by "
            f"{rate_text(self.scale)}.",
        )

    def _steps(self, first_decodable: int) -> list[Finding | None]:
        """Repeated, dropped and varying times, from the intervals between frames."""
        repeated = np.flatnonzero(self.intervals == 0)
        steps = self.intervals[self.intervals > 0]
        if steps.size == 0:
            return [self._repeated(repeated)]
        median = float(np.median(steps))
        usual = usual_intervals(self.intervals)
        # Pictures that lost their neighbours with the start or the end of the file leave holes.
        last = self._count - 1 - (_REORDER_LIMIT if self._broken_off else 0)
        whole = slice(first_decodable, max(first_decodable, last))
        gaps = self._gaps(usual)
        gaps = gaps[(gaps >= whole.start) & (gaps < whole.stop)]
        undisturbed = self.intervals <= GAP_FACTOR * usual
        return [
            self._repeated(repeated),
            self._dropped(gaps, usual),
            self._varying(self.intervals[whole][undisturbed[whole]], steps, median),
        ]

    def _gaps(self, usual: NDArray[np.float64]) -> NDArray[np.intp]:
        """Intervals that hold dropped pictures.

        A long interval beside a very short one is a stamp that was written late or early, not a
        dropped picture: together they must be too long for the two.
        """
        places = np.flatnonzero(self.intervals > GAP_FACTOR * usual)
        median = usual[places]
        padded = np.pad(self.intervals, 1, constant_values=np.iinfo(np.int64).max // 2)
        shorter = np.minimum(padded[places], padded[places + 2])
        shorter = np.where(shorter < median / 2, shorter, median.astype(np.int64))
        return places[self.intervals[places] + shorter > (GAP_FACTOR + 1) * median]

    def _repeated(self, places: NDArray[np.intp]) -> Finding | None:
        if places.size == 0:
            return None
        first = int(places[0])
        which = (
            f"Frames {first} and {first + 1} carry the same time"
            if places.size == 1
            else f"{places.size} pairs of frames carry the same time, first {first} and {first + 1}"
        )
        return Finding(
            "duplicated-times",
            "warning",
            f"{which}; there is no speed between them.",
            tuple(int(place) for place in places),
        )

    def _dropped(self, places: NDArray[np.intp], usual: NDArray[np.float64]) -> Finding | None:
        if places.size == 0:
            return None
        count = int(np.sum(np.rint(self.intervals[places] / usual[places]) - 1))
        start = self.times_s()
        shown = ", ".join(f"{start[place]:.3f} s" for place in places[:4])
        more = f" and at {places.size - 4} later places" if places.size > 4 else ""
        were = "1 frame was" if count == 1 else f"{count} frames were"
        return Finding(
            "dropped-frames",
            "warning",
            f"{were} dropped by the camera after t = {shown}{more}; speed is not measured across "
            "the gaps.",
            tuple(int(place) for place in places),
        )

    def _varying(
        self, usual: NDArray[np.int64], steps: NDArray[np.int64], median: float
    ) -> Finding | None:
        usual = usual[usual > 0]
        if usual.size == 0:
            return None
        spread = int(usual.max() - usual.min())
        if spread <= max(_JITTER_TICKS, _JITTER_PART * median):
            return None
        tick_ms = 1000 * float(self.time_base * self.scale)
        return Finding(
            "variable-rate",
            "warning",
            f"Frame times vary (least {steps.min() * tick_ms:.1f}, median {median * tick_ms:.1f}, "
            f"most {steps.max() * tick_ms:.1f} ms from frame to frame); true times are used.",
        )


def rate_text(value: Fraction) -> str:
    """A rate or scale in words: ``240``, ``1/8`` or ``29.97``."""
    if value.denominator == 1 or (value.numerator == 1 and value.denominator <= 64):
        return str(value)
    return f"{float(value):.6g}"
