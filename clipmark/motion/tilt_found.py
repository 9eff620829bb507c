"""What is found in a side tilt: series, events with the platform's angle at each, and what is not.

Pure: small frozen dataclasses and the smoothing of the platform's angle.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.lift_off_gap import Crossing
from clipmark.motion.lift_off_growth import Growth
from clipmark.motion.local_fit import LocalFit, correlation_growth, local_fit

FloatArray = NDArray[np.float64]
FIRST_WHEEL, BOTH_WHEELS = "first uphill wheel unloads", "both uphill wheels off"
TOPPLE, SLIDE = "topple", "slide"
EVENTS = (FIRST_WHEEL, BOTH_WHEELS, TOPPLE, SLIDE)
NOT_REACHED, CANNOT_TELL = "not reached", "cannot tell"
FIRST_MOTION = "first motion, by the unstable-turning model"
PLATFORM_HALVES_S = (0.06, 0.12)  # either side, over which the platform's angle is smoothed
LEAST_HALF, SHAPES_SHARE = 3, 1.4  # frames; growth of the scatter when more is taken
RATE_HALF_S = 0.5  # either side of an event, for the rate printed with it


@dataclass(frozen=True, eq=False)
class TiltSeries:
    """What was followed, in order of time; NaN where not seen.

    Attributes
    ----------
    t_s, tilt_deg, turn_deg : ndarray, shape (n,)
        Time; platform angle, positive on its way up; chassis less platform, positive when tipping.
    gaps, slides : tuple of ndarray, shape (n,)
        Way of each uphill tyre off the platform and down along it, any origin, in the unit of the
        limits.
    u_turn_deg, u_way : float
        Standard uncertainty of one frame's turn and way that scatter does not show.
    """

    t_s: FloatArray
    tilt_deg: FloatArray
    turn_deg: FloatArray
    gaps: tuple[FloatArray, ...] = ()
    slides: tuple[FloatArray, ...] = ()
    u_turn_deg: float = 0.0
    u_way: float = 0.0


@dataclass(frozen=True)
class Seen:
    """One event by one criterion.

    Attributes
    ----------
    event, criterion : str
    t_s, u_t_s : float
    tilt_deg, u_tilt_deg : float
        Platform angle then, and its standard uncertainty from the platform's own line in the
        picture.
    low_deg, high_deg : float
        95 % interval from the time alone.
    rate_deg_s, u_rate_deg_s : float
        How fast the platform turned.
    """

    event: str
    criterion: str
    t_s: float
    u_t_s: float
    tilt_deg: float
    u_tilt_deg: float
    low_deg: float
    high_deg: float
    rate_deg_s: float
    u_rate_deg_s: float


@dataclass(frozen=True)
class NotSeen:
    """An event that is not named: ``not reached`` or ``cannot tell``, and why."""

    event: str
    said: str
    why: str


@dataclass(frozen=True, eq=False)
class TiltFacts:
    """Everything found.

    Attributes
    ----------
    seen : tuple of Seen
        In order of time; both uphill wheels off may be there by gap and by first motion.
    missing : tuple of NotSeen
    growth : Growth
    crossings : tuple of Crossing or None
        Of the gap, per tyre.
    platform : LocalFit
    highest_deg : float
        Largest platform angle that was seen.
    notes : tuple of str
    """

    seen: tuple[Seen, ...]
    missing: tuple[NotSeen, ...]
    growth: Growth
    crossings: tuple[Crossing | None, ...]
    platform: LocalFit
    highest_deg: float
    notes: tuple[str, ...]

    def of(self, event: str, criterion: str = "") -> Seen | None:
        """An event by name, the first or that of a criterion that begins so."""
        found = (s for s in self.seen if s.event == event and s.criterion.startswith(criterion))
        return next(found, None)


@dataclass
class Work:
    """What is gathered on the way."""

    series: TiltSeries
    platform: LocalFit
    gap_words: str
    seen: list[Seen] = field(default_factory=list)
    missing: list[NotSeen] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, event: str, criterion: str, crossing: Crossing) -> None:
        """An event at a crossing."""
        self.seen.append(self.at(event, criterion, crossing.t_s, crossing.u_t_s))

    def at(
        self,
        event: str,
        criterion: str,
        t_s: float,
        u_t_s: float,
        ends: tuple[float, float] | None = None,
    ) -> Seen:
        """The platform at an instant; `ends` are those of its 95 % interval in time."""
        t = self.series.t_s

        def read(values: FloatArray, when: float = t_s) -> float:
            return float(np.interp(when, t, values))

        tilt = read(self.platform.value)
        rate, u_rate = self._rate(t_s)
        low, high = ends or (t_s - 1.96 * u_t_s, t_s + 1.96 * u_t_s)
        sides = [tilt + rate * (low - t_s), tilt + rate * (high - t_s)]
        return Seen(
            event=event,
            criterion=criterion,
            t_s=t_s,
            u_t_s=u_t_s,
            tilt_deg=tilt,
            u_tilt_deg=read(self.platform.u_value),
            low_deg=min(sides),
            high_deg=max(sides),
            rate_deg_s=rate,
            u_rate_deg_s=u_rate,
        )

    def _rate(self, t_s: float) -> tuple[float, float]:
        """Straight line through the platform's angles around, and its standard uncertainty."""
        t, y = self.series.t_s, self.series.tilt_deg
        use = (np.abs(t - t_s) <= RATE_HALF_S) & np.isfinite(y)
        if int(use.sum()) < 5:
            return (
                float(np.interp(t_s, t, self.platform.rate)),
                float(np.interp(t_s, t, self.platform.u_rate)),
            )
        x = t[use] - t[use].mean()
        rate, mean = np.polyfit(x, y[use], 1)
        left = y[use] - mean - rate * x
        power = float(np.sum(left**2)) / max(len(x) - 2, 1)
        return float(rate), float(np.sqrt(power * correlation_growth(left) / np.sum(x**2)))

    def miss(self, event: str, said: str, why: str) -> None:
        """An event that is not named."""
        self.missing.append(NotSeen(event, said, why))


def _errors_together(t_s: FloatArray, y: FloatArray, half: int) -> float:
    """Standard deviation of one frame about a wide parabola, grown for neighbours that go together.

    Around few frames such errors hide in the parabola itself.
    """
    wide = local_fit(t_s, y, half)
    left = y - wide.value
    left = left[np.isfinite(left)]
    if len(left) < 2 * LEAST_HALF:
        return float(wide.sigma)
    # The middle of what there is: a jerk somewhere does not speak for all of the clip.
    spread = 1.4826 * float(np.median(np.abs(left)))
    held = np.clip(left, -3 * spread, 3 * spread)
    return float(max(spread, 1e-12) * np.sqrt(correlation_growth(held)))


def smooth_platform(t_s: FloatArray, tilt_deg: FloatArray) -> LocalFit:
    """The platform's angle over time, smoothed, bridged where it was not seen for a moment."""
    frame = float(np.median(np.diff(t_s)))
    smooth = local_fit(t_s, tilt_deg, LEAST_HALF)
    wide = [max(LEAST_HALF, round(span / frame)) for span in PLATFORM_HALVES_S]
    for half in sorted({half for half in wide if half > LEAST_HALF}):
        smoother = local_fit(t_s, tilt_deg, half)
        if smoother.sigma > SHAPES_SHARE * smooth.sigma:
            break  # the platform's own unevenness would be smoothed away
        smooth = smoother
    grown = _errors_together(t_s, tilt_deg, max(LEAST_HALF, round(RATE_HALF_S / frame))) / max(
        smooth.sigma, 1e-12
    )
    smooth = replace(
        smooth, u_value=smooth.u_value * grown, u_rate=smooth.u_rate * grown, grown=grown
    )
    known = np.isfinite(smooth.value)
    if known.all() or not known.any():
        return smooth

    def bridged(values: FloatArray) -> FloatArray:
        return np.asarray(np.interp(t_s, t_s[known], values[known]))

    return LocalFit(
        bridged(smooth.value),
        bridged(smooth.rate),
        bridged(smooth.u_value),
        bridged(smooth.u_rate),
        smooth.sigma,
        grown,
    )
