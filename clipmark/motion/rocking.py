"""The body rocking on its springs, told from its turn and from the wheels, which do not rock.

Pure numerics. A patch above the axles swings to and fro as the body pitches: 1 deg moves a point
40 mm above them by 0.7 mm, which would be read as uneven travel. The wheels' hubs tell how far the
body's travel and the axles' part, the body's turn when: ``axles - body = b0 + b1 body + h turn``
is fitted by least squares over all frames, and ``h turn`` is the rocking. What goes with the
travel itself (b1: a hub nearer to the camera than the patch) is a matter of scale and is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit

WINDOW_S = 0.15  # springs rock at some Hz: the turn is smoothed over this, which halves its noise
LEAST_FRAMES = 20
LEAST_SHARE = 0.6  # of what parts axles and body, that the turn must explain
LEAST_SIGMAS = 2.0  # of the body's place, that the rocking must move it by


@dataclass(frozen=True)
class Rocking:
    """How the body rocked in K frames.

    Attributes
    ----------
    part : ndarray, shape (K,)
        What to add to the body's travel to have that of the axles; NaN where the turn is unknown.
    u : float
        Standard uncertainty that this adds to a single place.
    rms_rad : float
        Root mean square turn of the body, less what goes with its travel.
    """

    part: FloatArray
    u: float
    rms_rad: float


def rocking(
    times_s: FloatArray,
    body: FloatArray,
    turn_rad: FloatArray,
    hubs: list[FloatArray],
    u_body: float,
) -> Rocking | None:
    """What rocking adds to the travel of the body, None when none stands out.

    Parameters
    ----------
    times_s : ndarray, shape (K,)
    body : ndarray, shape (K,)
        Travel of the body, any unit of length; NaN where unknown.
    turn_rad : ndarray, shape (K,)
        Turn of the body since any instant, the camera's own taken out; NaN where unknown.
    hubs : list of ndarray, shape (K,)
        Travel of each wheel's hub, from any place, NaN where unknown.
    u_body : float
        Standard uncertainty of a single place of the body.
    """
    if not hubs:
        return None
    parted = np.array([_level(hub - body) for hub in hubs])
    seen = np.isfinite(parted).any(axis=0)
    axles = np.full(len(body), np.nan)
    axles[seen] = np.nanmean(parted[:, seen], axis=0)
    known = np.isfinite(turn_rad) & np.isfinite(body)
    ok = known & seen
    if ok.sum() < LEAST_FRAMES:
        return None
    turn, noise = _smooth(times_s, turn_rad, known)
    ok &= np.isfinite(turn)
    if ok.sum() < LEAST_FRAMES:
        return None
    plain = np.column_stack([np.ones(int(ok.sum())), body[ok] - np.mean(body[ok])])
    free_turn, free_axles = (_without(values[ok], plain) for values in (turn, axles))
    power = float(free_turn @ free_turn)
    if power <= 0:
        return None
    arm = float(free_turn @ free_axles) / power
    explained = arm**2 * power / max(float(free_axles @ free_axles), 1e-300)
    swing = float(np.sqrt(power / len(free_turn)))
    if explained < LEAST_SHARE or abs(arm) * swing < LEAST_SIGMAS * u_body:
        return None
    part = arm * (turn - float(np.mean(turn[ok])))
    return Rocking(part, abs(arm) * noise, swing)


def _level(values: FloatArray) -> FloatArray:
    """Less their median, where any is known."""
    return values - np.nanmedian(values) if np.isfinite(values).any() else values


def _smooth(
    times_s: FloatArray, turn: FloatArray, known: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> tuple[FloatArray, float]:
    """The turn over `WINDOW_S` and the standard deviation of the noise that is left in it."""
    fit = local_fit(times_s[known], turn[known], WINDOW_S)
    out = np.full(len(turn), np.nan)
    out[known] = fit.value
    good = np.isfinite(fit.residual)
    if not good.any():
        return out, float("nan")
    kept = np.sqrt(np.maximum(1 - fit.value_gain[good] ** 2, 0.1))  # of the noise, in a residual
    white = float(np.sqrt(np.mean((fit.residual[good] / kept) ** 2)))
    return out, white * float(np.median(fit.value_gain[good]))


def _without(values: FloatArray, columns: FloatArray) -> FloatArray:
    """Values less their least-squares fit by columns, (n,)."""
    return np.asarray(values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0])
