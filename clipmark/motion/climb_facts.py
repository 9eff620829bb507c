"""How an attempt up a board ended, from what was followed: the facts that the tables decide on.

Pure numerics. Travel is that of the rear axle up the board, surface that of the rear wheel; both
are looked at in the same stretches of time, so that slip is a difference of two ways and needs no
speed of a single frame. What lies after something else entered the patch is not looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.motion.climb_nose import Lift, Nose, crossing, read_nose
from clipmark.motion.climb_series import SLIP_SHARE, TURN_MM, Back, ClimbSeries, Ending
from clipmark.motion.climb_table import NOT_TOLD
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit

SPEED_WINDOW_S = 0.2
PLACE_MEAN_OF = 3  # frames
SLOW_SHARE = 0.1  # of the usual speed: slower is no progress, as for a stall
NOISE_FACTOR = 3.0
GIVE_UP_S = 0.75  # without progress up to the end of what is seen; shorter may be a pause
BACK_MM, BACK_SIGMAS = 8.0, 8.0  # back from the highest point: less is settling on the tyres
SLIP_MM = 8.0  # difference of the two ways in a stretch: a wheel of a crawler slips no less
GRIP_SHARE = 0.25  # of the longer way: less is no slip
SPUN_MM = 15.0  # that the surface ran ahead without progress
BEFORE_S = 0.3  # of the end of progress, where slip rises already
LEAST_SEEN = 0.7
LEAST_MOVED_MM, LEAST_MOVED_SIGMAS = 5.0, 12.0  # less travel in all: it did not move


@dataclass(frozen=True, eq=False)
class _Smooth:
    """Known instants of the travel, filtered."""

    rows: NDArray[np.intp]
    times: FloatArray
    travel: FloatArray
    speed: FloatArray
    noise: float
    gain: FloatArray = field(repr=False)


def read_ending(series: ClimbSeries, give_up_s: float = GIVE_UP_S) -> Ending:
    """Find out how an attempt ended.

    Parameters
    ----------
    series : ClimbSeries
    give_up_s : float
        How long a truck must be seen without progress, up to the end of what is seen, for its
        attempt to count as over.
    """
    whole_nose = read_nose(series.times_s, series.nose_deg, series.on_board)
    used, entered = _before_entry(series, whole_nose)
    nose = whole_nose if not entered else read_nose(used.times_s, used.nose_deg, used.on_board)
    smooth = _smooth(used)
    if smooth is None:
        return Ending("lost", None, None, None, nose, 0, math.nan, 0, 0.0)
    return _Reader(used, smooth, nose, give_up_s, entered, len(series.times_s)).read()


def _before_entry(series: ClimbSeries, nose: Nose) -> tuple[ClimbSeries, bool]:
    """The series before something else entered the patch; a truck that tipped blurs it itself."""
    entered = series.entered
    if entered is None:
        return series, False
    tipped = nose.tipped
    if tipped is not None and tipped.first <= entered:
        return series, False
    return series.until(max(entered - 1, 0)), True


def _smooth(series: ClimbSeries) -> _Smooth | None:
    rows = np.flatnonzero(np.isfinite(series.travel_mm))
    if rows.size < 8:
        return None
    times, travel = series.times_s[rows], series.travel_mm[rows]
    fit = local_fit(times, travel, SPEED_WINDOW_S, degree=1)
    value = scipy.ndimage.uniform_filter1d(
        travel, PLACE_MEAN_OF, mode="nearest"
    )  # keeps turning points sharp
    speed = np.where(np.isfinite(fit.slope), fit.slope, 0.0)
    noise = max(series.noise_mm, 1e-6)
    gain = np.where(np.isfinite(fit.slope_gain), fit.slope_gain, np.inf)
    return _Smooth(rows, times, value, speed, noise, gain)


class _Reader:
    """One attempt, looked at step by step."""

    def __init__(
        self,
        series: ClimbSeries,
        smooth: _Smooth,
        nose: Nose,
        give_up_s: float,
        entered: bool,
        frames: int,
    ) -> None:
        self.series, self.smooth, self.nose = series, smooth, nose
        self.give_up_s, self.entered, self.frames = give_up_s, entered, frames
        self.usual = self._usual_speed()
        gain = float(np.median(smooth.gain[np.isfinite(smooth.gain)]))
        self.limit = max(SLOW_SHARE * self.usual, NOISE_FACTOR * smooth.noise * gain)
        self.top = int(np.argmax(smooth.travel))
        self.ended = self._progress_ended()
        self.backs = self._backs()

    def read(self) -> Ending:
        finish = self._finish()
        tipped = self.nose.tipped
        if finish is not None and (tipped is None or finish[1] < tipped.t_s):
            return self._ending("finished", finish[0], finish[1], finish[1])
        if tipped is not None:
            return self._ending("tipped", tipped.first, tipped.t_s)
        seen = self._last_seen()
        decided = seen in ("slid", "rolled", "went back", "spun", "stalled")
        if not decided and self.entered:
            seen = "entered"
        elif not decided and self._lost_at_end():
            seen = "lost"
        row = int(self.smooth.rows[self.ended])
        at = float(self.series.times_s[row])
        return self._ending(seen, row if decided else None, at if decided else None)

    def _usual_speed(self) -> float:
        """Median speed up where it moved up at all, mm/s."""
        speed = self.smooth.speed
        fast = float(np.quantile(speed, 0.95))
        moving = speed[speed > 0.25 * max(fast, 0.0)]
        return float(np.median(moving)) if moving.size and fast > 0 else 0.0

    def _progress_ended(self) -> int:
        """Last known instant at which it came higher than ever before, and not too slowly."""
        speed, travel = self.smooth.speed, self.smooth.travel
        before = np.maximum.accumulate(travel)
        rising = (speed > self.limit) & (travel >= before - BACK_SIGMAS * self.smooth.noise)
        found = np.flatnonzero(rising)
        return int(found[-1]) if found.size else 0

    def _after_s(self) -> float:
        times = self.smooth.times
        return float(times[-1] - times[self.ended])

    def _moved(self) -> bool:
        reach = float(np.ptp(self.smooth.travel))
        return reach > max(LEAST_MOVED_MM, LEAST_MOVED_SIGMAS * self.smooth.noise)

    def _finish(self) -> tuple[int, float] | None:
        """Instant and time at which the rear-most contact point passed the finish line."""
        past = self.series.past_mm
        if past is None:
            return None
        known = np.flatnonzero(np.isfinite(past))
        if known.size < 2:
            return None
        times, values = self.series.times_s[known], past[known]
        over = values > 0
        least = 2 * self.smooth.noise
        for k in np.flatnonzero(over[1:] & ~over[:-1]) + 1:
            later = values[k:]
            if np.max(later) > least and np.mean(later[:5] > -least) == 1.0:
                return int(known[k]), crossing(times, values, int(k), 0.0)
        return None

    def _last_seen(self) -> str:
        """What was seen last of an attempt that neither finished nor tipped over."""
        moved, after = self._moved(), self._after_s()
        spun = self._spun_mm()
        spins = spun is not None and spun > SPUN_MM
        went_back = float(self.smooth.travel[self.top] - self.smooth.travel[-1])
        if moved and self._rises_at_end():
            return "moving"
        if moved and went_back > max(BACK_MM, BACK_SIGMAS * self.smooth.noise):
            if after < self.give_up_s and went_back < 2 * BACK_MM:
                return "paused"
            return self._how_back()
        if after < self.give_up_s:
            return "paused" if moved and after > 0.1 else "moving" if moved else "nothing"
        if spins:
            return "spun"
        return "stalled" if moved else "nothing"

    def _rises_at_end(self) -> bool:
        """Whether it was on its way up as the span ended, perhaps again."""
        gain = float(np.nan_to_num(self.smooth.gain[-1], posinf=0.0))
        limit = max(self.limit, NOISE_FACTOR * self.smooth.noise * gain)
        return bool(self.smooth.speed[-1] > limit)

    def _how_back(self) -> str:
        """Whether most of the way back since the highest point was slid or rolled."""
        rolled = {True: 0.0, False: 0.0, None: 0.0}
        for back in self.backs:
            if back.last >= int(self.smooth.rows[self.ended]):
                rolled[back.rolled] += back.mm
        most = max(rolled, key=lambda how: rolled[how])
        return {True: "rolled", False: "slid", None: "went back"}[most]

    def _lost_at_end(self) -> bool:
        """Whether the truck was not seen in the last part of the span."""
        times = self.series.times_s
        return bool(times[-1] - self.smooth.times[-1] > 0.2)

    def _backs(self) -> tuple[Back, ...]:
        """Falls between turning points of the travel that differ by more than noise makes."""
        travel, out = self.smooth.travel, []
        least = max(BACK_SIGMAS * self.smooth.noise, 0.5)
        top = low = 0
        falling = False
        for k in range(len(travel)):
            if falling:
                low = k if travel[k] < travel[low] else low
                if travel[k] - travel[low] > least:
                    out.append((top, low))
                    falling, top = False, k
            else:
                top = k if travel[k] >= travel[top] else top
                if travel[top] - travel[k] > least:
                    falling, low = True, k
        if falling:
            out.append((top, low))
        return tuple(self._back(a, b) for a, b in out)

    def _back(self, a: int, b: int) -> Back:
        first, last = int(self.smooth.rows[a]), int(self.smooth.rows[b])
        way = float(self.smooth.travel[a] - self.smooth.travel[b])
        return Back(first, last, way, self._surface(first, last))

    def _surface(self, first: int, last: int) -> float | None:
        """Way of the wheel's surface between two instants; None where it was not seen through."""
        surface = self.series.surface_mm
        if surface is None or last <= first:
            return None
        seen = np.flatnonzero(np.isfinite(surface[first : last + 1]))
        if seen.size < max(2, LEAST_SEEN * (last - first + 1)):
            return None
        return float(surface[first + seen[-1]] - surface[first + seen[0]])

    def _ways(self, first: int, last: int) -> tuple[float, float] | None:
        """Way of surface and of axle between two instants, over the frames with both."""
        surface, travel = self.series.surface_mm, self.series.travel_mm
        if surface is None or last <= first:
            return None
        both = np.isfinite(surface[first : last + 1]) & np.isfinite(travel[first : last + 1])
        seen = first + np.flatnonzero(both)
        if seen.size < max(2, LEAST_SEEN * (last - first + 1)):
            return None
        a, b = seen[0], seen[-1]
        return float(surface[b] - surface[a]), float(travel[b] - travel[a])

    def _spun_mm(self) -> float | None:
        """How far the surface ran ahead of the axle since progress ended."""
        ways = self._ways(int(self.smooth.rows[self.ended]), int(self.smooth.rows[-1]))
        return None if ways is None else ways[0] - max(ways[1], 0.0)

    def _row_at(self, time_s: float) -> int:
        times = self.series.times_s
        return int(np.clip(np.searchsorted(times, time_s), 0, len(times) - 1))

    def _stretches(self, seen: str) -> list[tuple[int, int]]:
        """Where slip at the end of the way up is looked for."""
        end = int(self.smooth.rows[self.ended])
        last = int(self.smooth.rows[-1])
        if seen == "tipped" and self.nose.tipped is not None:
            lift = self.nose.tipped.first
            return [(self._row_at(self.nose.tipped.t_s - 2 * BEFORE_S), lift)]
        before = (self._row_at(float(self.series.times_s[end]) - BEFORE_S), end)
        falls = [(back.first, back.last) for back in self.backs if back.last >= end]
        top = falls[0][0] if falls else last
        return [before, (end, max(top, end)), *falls[:1]]

    def _slip(self, seen: str) -> tuple[str, float | None]:
        """``high``, ``low`` or ``not told``, and the share that told it."""
        shares: list[float] = []
        for first, last in self._stretches(seen):
            ways = self._ways(first, last)
            if ways is None:
                if last - first >= 3:
                    return NOT_TOLD, None
                continue
            surface, travel = ways
            larger = max(abs(surface), abs(travel))
            off = abs(surface - travel)
            shares.append(off / larger if larger > 0 and off > SLIP_MM / 2 else 0.0)
            if off > SLIP_MM and off > SLIP_SHARE * larger:
                return "high", math.copysign(off / larger, surface - travel)
        if not shares:
            return NOT_TOLD, None
        most = max(shares)
        return ("low", most) if most < GRIP_SHARE else (NOT_TOLD, most)

    def _wheels(self, seen: str) -> str:
        """What the wheel did after the way up ended."""
        end, last = int(self.smooth.rows[self.ended]), int(self.smooth.rows[-1])
        if seen == "tipped" and self.nose.tipped is not None:
            end, last = self._row_at(self.nose.tipped.t_s - BEFORE_S), self.nose.tipped.first
        times = self.series.times_s
        settled = self._row_at(float(times[end]) + 0.15)
        turned = self._surface(min(settled, last), last)
        if turned is None:
            return NOT_TOLD
        if abs(turned) <= max(TURN_MM, 6 * self.series.noise_surface_mm):
            return "standing"
        return "turning" if turned > 0 else "turning back"

    def _front(self, seen: str) -> str:
        """``lifted`` where the front was off the board as the way up ended, or led to its end."""
        if math.isnan(self.nose.usual_deg):
            return NOT_TOLD
        if seen == "tipped":
            return "lifted"
        at = float(self.smooth.times[self.ended])
        near = [lift for lift in self.nose.lifts if _around(lift, at)]
        return "lifted" if near else "down"

    def _ending(
        self, seen: str, decided: int | None, t_s: float | None, finish_t_s: float | None = None
    ) -> Ending:
        slip, share = self._slip(seen)
        return Ending(
            seen=seen,
            decided=decided,
            t_s=t_s,
            finish_t_s=finish_t_s,
            nose=self.nose,
            highest=int(self.smooth.rows[self.top]),
            highest_mm=float(self.smooth.travel[self.top]),
            progress_ended=int(self.smooth.rows[self.ended]),
            after_s=self._after_s(),
            backs=self.backs,
            front=self._front(seen),
            slip=slip,
            wheels=self._wheels(seen),
            slip_share=share,
            spun_mm=self._spun_mm(),
        )


def _around(lift: Lift, at_s: float) -> bool:
    """Whether a lift was on at an instant, or began within half a second around it."""
    return lift.t_s - 0.5 <= at_s <= lift.until_s + 0.5
