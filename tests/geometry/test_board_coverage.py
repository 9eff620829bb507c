"""The stated covariance of a calibration: how often the true lens lies inside it.

Views are simulated: true corners of a rendered board's camera, with independent noise on each
corner and, in one case, a smooth error common to a view (what blur, motion and a breathing lens
do). Judged is what matters downstream: directions in the picture, not coefficients.
"""

import numpy as np
import pytest

from clipmark.geometry.board_judge import TERMS, refine, spread
from clipmark.geometry.board_model import BoardViews
from clipmark.geometry.board_start import first_fit
from clipmark.geometry.distortion import pixels_to_rays
from clipmark.sample.board import PrintedBoard, corners_px, varied_poses
from clipmark.sample.board_camera import BoardCamera, barrel

BOARD = PrintedBoard()
CAMERA = barrel(0.1, BoardCamera(1280, 720, 1000, 1004, 645, 355))


def simulated(seed, views=16, common_px=0.0):
    poses = varied_poses(BOARD, CAMERA, views, seed)
    true = np.array([corners_px(BOARD, CAMERA, pose) for pose in poses])
    rng = np.random.default_rng(seed)
    unit = true - true.mean(axis=1, keepdims=True)
    unit /= np.abs(unit).max(axis=(1, 2), keepdims=True)  # the board from -1 to 1
    smooth = np.einsum("vnk,vkj->vnj", np.stack(
        [unit[..., 0], unit[..., 1], unit[..., 0] * unit[..., 1], unit[..., 0] ** 2], axis=-1
    ), rng.normal(0, common_px, (views, 4, 2)))  # fmt: skip
    pixels = true + rng.normal(0, 0.06, true.shape) + smooth
    return BoardViews(BOARD.corners_mm(), pixels, (1280.0, 720.0))


def errors_over_u(seed, **how):
    """Errors of fx, cx, and of angles between rays over the picture, in standard uncertainties."""
    views = simulated(seed, **how)
    solution, _, _ = refine(first_fit(views, "ordinary"), views, "ordinary", TERMS["ordinary"][-1])
    covariance = spread(solution).covariance
    truth = np.array([CAMERA.fx, CAMERA.fy, CAMERA.cx, CAMERA.cy, *CAMERA.distortion])
    found = solution.fit.lens
    sd = np.sqrt(np.diag(covariance))
    scores = [(found[i] - truth[i]) / sd[i] for i in (0, 2)]
    draws = np.random.default_rng(seed).multivariate_normal(found, covariance, 400)
    ends = np.array([[200.0, 100.0], [1100.0, 620.0], [160.0, 600.0], [700.0, 120.0]])

    def angles(lenses):
        rays = pixels_to_rays(ends, lenses)
        rays = np.concatenate([rays, np.ones((*rays.shape[:2], 1))], axis=-1)
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        first = np.sum(rays[:, 0] * rays[:, 1], axis=-1)
        return np.arccos(np.stack([first, np.sum(rays[:, 2] * rays[:, 3], axis=-1)], axis=-1))

    spread_of = angles(draws).std(axis=0)
    scores += list(((angles(found[None]) - angles(truth[None]))[0]) / spread_of)
    return scores


def share_inside(count, **how):
    scores = np.array([errors_over_u(seed, **how) for seed in range(100, 100 + count)])
    return np.mean(np.abs(scores) < 1.96, axis=0), np.std(scores, axis=0)


def test_the_true_lens_lies_inside_the_stated_uncertainty():
    """4 calibrations, 16 figures: fewer than 12 inside would be a rarity at 95 % (1e-3)."""
    inside, _ = share_inside(4)
    assert inside.mean() >= 12 / 16


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("common_px", [0.0, 0.1])
def test_stated_uncertainties_hold_the_truth_at_their_rate(common_px):
    """150 calibrations a case: 95 % less 2.5 sd of the count is 90.5 %; nor much too wide."""
    inside, ratio = share_inside(150, common_px=common_px)
    print(common_px, inside, ratio)
    assert inside.min() >= 0.905
    assert ratio.min() >= 0.6
