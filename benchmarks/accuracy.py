"""Edge fit and registration beside the best that is possible, and beside other libraries.

Pictures and bounds are those of ``tests/published/test_edge_bound.py`` and
``tests/published/test_shift_bound.py``: the error's root mean square over the bound, 1 being the
best possible. Nothing here depends on the machine.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from benchmarks.common import Bar, Outcome, tell
from clipmark.geometry.edge_fit import fit_edge

Floats = NDArray[np.float64]
EDGE, SHIFT = 1.3, 1.5
NAMES = ("camera", "coins", "brick", "grass")
SIGMAS = (1.0, 4.0)
WINDOW = np.s_[115:185, 150:250]  # the patch that clipmark registers


def edge_ratio(row: tuple[float, ...], count: int) -> float:
    """Root mean square error of the angle over its bound; contrast, blur, levels and tone unknown.

    Where the edge lies hangs on the tone curve, which the bound takes as known; its lean does not.
    """
    a, s, sigma, columns, tilt, _, u_deg = row
    rng = np.random.default_rng(12)
    middle, turn = (columns + 40) / 2.0, np.radians(tilt)
    high = 100 + int(columns * np.tan(turn))
    y, x = np.mgrid[:high, : int(columns) + 40].astype(float)
    across = -(x - middle) * np.sin(turn) - (y - high / 2.0) * np.cos(turn)
    clean = 100.0 + a * ndtr(across / s)
    half, rise = columns / 2.0, columns / 2.0 * np.tan(turn)
    ends = np.array([(middle - half, high / 2.0 + rise), (middle + half, high / 2.0 - rise)])
    errors = []
    for _ in range(count):
        picture = clean + rng.normal(0.0, sigma, clean.shape)
        rough = ends + rng.uniform(-3.0, 3.0, (2, 2)) * [0, 1]
        fit = fit_edge(picture, rough, kind="step", black=0.0, white=255.0)
        errors.append((np.degrees(fit.angle_rad) - tilt) / u_deg)
    return _rms(errors)


def _rms(errors: object) -> float:
    return float(np.sqrt(np.mean(np.square(np.asarray(errors)))))


def phase_correlation(reference: Floats, current: Floats, sigma: float) -> Floats:
    """scikit-image, a thousandth of a pixel, under a Hann window, without whitening: its best."""
    from skimage.registration import phase_cross_correlation

    one, two = (item[WINDOW] - item[WINDOW].mean() for item in (reference, current))
    window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_64F)
    found = phase_cross_correlation(
        two * window, one * window, upsample_factor=1000, normalization=None
    )[0]
    return np.array([found[1], found[0]])


def opencv_phase(reference: Floats, current: Floats, sigma: float) -> Floats:
    """OpenCV's phase correlation with a Hanning window."""
    one, two = (
        np.ascontiguousarray(item[WINDOW] - item[WINDOW].mean(), np.float64)
        for item in (reference, current)
    )
    window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_64F)
    return np.array(cv2.phaseCorrelate(one, two, window)[0])


def opencv_ecc(reference: Floats, current: Floats, sigma: float) -> Floats:
    """OpenCV's maximiser of the enhanced correlation, a shift alone."""
    warp = np.eye(2, 3, dtype=np.float32)
    done = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    template = np.ascontiguousarray(reference[WINDOW], np.float32)
    start = np.array([[1, 0, WINDOW[1].start], [0, 1, WINDOW[0].start]], np.float32)
    warp = start.copy()
    _, warp = cv2.findTransformECC(
        template, np.asarray(current, np.float32), warp, cv2.MOTION_TRANSLATION, done
    )
    return np.array([warp[0, 2] - start[0, 2], warp[1, 2] - start[1, 2]], float)


def shift_ratio(
    find: Callable[[Floats, Floats, float], Floats], name: str, sigma: float, count: int
) -> float:
    """Root mean square of the errors of random shifts, over their bounds."""
    from tests.published.test_shift_bound import bound_px, photograph, shifted

    rng = np.random.default_rng(12)
    image = photograph(name)
    errors = []
    for _ in range(count):
        shift = rng.uniform(-1.5, 1.5, 2)
        reference = np.rint(image + rng.normal(0, sigma, image.shape)).astype(np.float32)
        current = np.rint(shifted(image, *shift) + rng.normal(0, sigma, image.shape))
        found = find(reference, current.astype(np.float32), sigma)
        errors.append((found - shift) / bound_px(image, sigma))
    return _rms(errors)


def ours(reference: Floats, current: Floats, sigma: float) -> Floats:
    """Clipmark's registration of one patch."""
    from tests.published.test_shift_bound import found_shift

    return np.asarray(found_shift(reference, current, sigma).pose.shift[0])


def measure(count: int = 150, shifts: int = 48) -> Outcome:
    """Every tabled edge, every photograph at two noises."""
    from tests.published.test_edge_bound import EDGES

    rows, bars = [], []
    for row in EDGES:
        angle = edge_ratio(row, count)
        picture = f"contrast {row[0]}, blur {row[1]} px, noise {row[2]}"
        what = f"edge, {picture}, {row[3]} px, leaning {row[4]:g} deg"
        rows.append((what, f"angle {angle:.2f}"))
        bars.append(Bar(what, angle, f"at most {EDGE}", angle <= EDGE))
        tell(f"{what}: {angle:.2f}")
    finders = {
        "clipmark": ours,
        "scikit-image, phase_cross_correlation": phase_correlation,
        "OpenCV, phaseCorrelate": opencv_phase,
        "OpenCV, findTransformECC": opencv_ecc,
    }
    for sigma in SIGMAS:
        for name, find in finders.items():
            ratios = [shift_ratio(find, photo, sigma, shifts) for photo in NAMES]
            told = ", ".join(f"{p} {r:.2f}" for p, r in zip(NAMES, ratios, strict=True))
            rows.append((f"shift, noise {sigma:g}, {name}", told))
            tell(f"shift, noise {sigma:g}, {name}: {told}")
            if find is ours:
                worst = max(ratios)
                what = f"shift, noise {sigma:g}: the worst of four photographs"
                bars.append(Bar(what, worst, f"at most {SHIFT}", worst <= SHIFT))
    return Outcome(
        "Errors over the best possible",
        ("what", "root mean square error over the bound"),
        rows, bars,
        [f"{count} pictures of each edge, {shifts} shifts of each photograph in two directions."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=int, default=150)
    parser.add_argument("--shifts", type=int, default=48)
    told = parser.parse_args()
    sys.stdout.write(measure(told.pictures, told.shifts).markdown())


if __name__ == "__main__":
    main()
