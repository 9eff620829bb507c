"""Simulated side tilts as series: the motion integrated from the moments, noise as in footage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from clipmark.motion.tilt_found import TiltSeries


@dataclass(frozen=True)
class Run:
    """One run with what is true of it."""

    series: TiltSeries
    balance_deg: float
    onset_s: float
    gap_s: float
    gap_deg: float
    rate_deg_s: float
    fps: float


def rigid_turn(since_s: np.ndarray, rate_deg_s: float, k_per_s: float) -> np.ndarray:
    """Extra turn of a rigid body over its downhill edge, deg, with the full sine."""
    rate = math.radians(rate_deg_s)

    def moments(s, state):
        turn, speed = state
        return [speed, k_per_s**2 * math.sin(rate * s + turn)]

    late = np.maximum(since_s, 0.0)
    found = solve_ivp(
        moments, (0.0, float(late.max()) + 1e-6), [0.0, 0.0], dense_output=True, rtol=1e-9,
        atol=1e-12,
    )  # fmt: skip
    return np.degrees(found.sol(late)[0])


def correlated(rng: np.random.Generator, n: int, sigma: float, rho: float) -> np.ndarray:
    """Noise whose neighbours go together, as compression makes it."""
    out = rng.normal(0, sigma, n)
    for i in range(1, n):
        out[i] = rho * out[i - 1] + math.sqrt(1 - rho**2) * out[i]
    return out


def simulate(rng: np.random.Generator, with_tyre: bool = True) -> Run:
    """A run drawn from what crawlers, tables and cameras are like."""
    rate = float(np.exp(rng.uniform(math.log(0.25), math.log(5.0))))
    k = float(rng.uniform(6.5, 12.0))
    fps = float(rng.choice([24.0, 30.0, 50.0, 60.0]))
    balance = float(rng.uniform(32.0, 52.0))
    before = float(rng.uniform(1.0, 4.0)) + 1.5
    onset = before + float(rng.uniform(0, 0.3))
    t = np.arange(0.0, onset + 1.5, 1 / fps) + float(rng.uniform(0, 1 / fps))
    turn = np.zeros(len(t))
    turn[t > onset] = rigid_turn(t[t > onset] - onset, rate, k)
    arm = float(rng.uniform(1.2, 2.6))  # mm per degree
    stop = int(np.argmax(turn > 12.0)) or len(t)
    t, turn = t[:stop], turn[:stop]
    tilt = balance + rate * (t - onset)
    lean = float(rng.uniform(0, 0.12))
    goes_on = float(rng.uniform(0, 1))
    leant = lean * (np.minimum(tilt, balance) + goes_on * np.maximum(tilt - balance, 0) - 30.0)
    sigma, rho = float(rng.uniform(0.01, 0.05)), float(rng.uniform(0, 0.6))
    line = correlated(rng, len(t), sigma, rho)
    chassis = correlated(rng, len(t), float(rng.uniform(0.02, 0.08)), rho)
    swell = float(rng.uniform(0, 0.015))  # mm per degree, of a tyre being relieved
    way = arm * turn + swell * np.minimum(tilt - balance, 0.0)
    fine = np.linspace(0, 1.2, 6000)
    gap_s = onset + float(np.interp(1.0, arm * rigid_turn(fine, rate, k), fine))
    gaps = (way + correlated(rng, len(t), float(rng.uniform(0.01, 0.05)), rho) + 20.0,)
    series = TiltSeries(
        t_s=t,
        tilt_deg=tilt + line,
        turn_deg=turn + leant + chassis - line,
        gaps=gaps if with_tyre else (),
        slides=(correlated(rng, len(t), 0.03, rho),) if with_tyre else (),
    )
    return Run(series, balance, onset, gap_s, balance + rate * (gap_s - onset), rate, fps)
