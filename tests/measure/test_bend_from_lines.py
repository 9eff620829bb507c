"""Without a lens file the marked lines themselves tell how the lens bends, where they are bowed.

A board and a string drawn straight and seen through a lens of the tests' own (one radial term,
inverted by Newton), two samples to a pixel each way, blurred, through a tone curve, with noise.
"""

import math
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from clipmark.measure.angle_marks import AngleMarks
from clipmark.measure.angle_place import place_marks
from clipmark.measure.angle_solve import solve_angles
from clipmark.measure.view import Picture, ViewOptions

WIDTH, HEIGHT, SAMPLES = 960, 540, 2
FOCAL = WIDTH / 2 / math.tan(math.radians(66) / 2)
MIDDLE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
STRING_X, RAMP_DEG = 285.0, 33.0  # straight px from the middle


def read(corner_bend):
    """The board's angle, U and warnings, by a plumb line well off the middle."""
    k1 = corner_bend / (float(np.hypot(WIDTH, HEIGHT)) / 2 / FOCAL) ** 2
    step = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    u = ((np.arange(WIDTH)[:, None] + step).ravel()[None, :] - MIDDLE[0]) / FOCAL
    v = ((np.arange(HEIGHT)[:, None] + step).ravel()[:, None] - MIDDLE[1]) / FOCAL
    bent = np.hypot(u, v)
    straight = bent.copy()
    for _ in range(30):
        slope = 1 + 3 * k1 * straight**2
        straight = straight - (straight * (1 + k1 * straight**2) - bent) / slope
    scale = FOCAL * np.where(bent > 0, straight / np.maximum(bent, 1e-12), 1.0)
    x, y = u * scale, v * scale
    a = math.radians(RAMP_DEG)
    value = 0.6 + 0.08 * np.sin(x / 47) * np.cos(y / 39)
    value = np.where((np.abs(x - STRING_X) < 1.6) & (np.abs(y) < 205), 0.1, value)
    up = x * math.sin(a) + (y - 45) * math.cos(a)
    along = x * math.cos(a) - (y - 45) * math.sin(a)
    value = np.where((up > 0) & (up < 26) & (np.abs(along) < 315), 0.2, value)
    small = value.reshape(HEIGHT, SAMPLES, WIDTH, SAMPLES).mean(axis=(1, 3))
    luma = 16 + 219 * cv2.GaussianBlur(small, (0, 0), 0.8) ** (1 / 2.2)
    noise = np.random.default_rng(5).normal(0, 1.5, luma.shape)
    picture = Picture(np.clip(np.round(luma + noise), 0, 255).astype(np.uint8), (16.0, 235.0), 1.0)

    def seen(px, py):
        ray = np.array([px, py]) / FOCAL
        return ray * (1 + k1 * ray @ ray) * FOCAL + MIDDLE

    plumb = (*seen(STRING_X, -190), *seen(STRING_X, 190))
    far = 300 * np.array([math.cos(a), -math.sin(a)])
    ramp = (*seen(-far[0], 45 - far[1]), *seen(far[0], 45 + far[1]))
    shape = SimpleNamespace(width=WIDTH, height=HEIGHT)
    marks = AngleMarks.checked(shape, ramp, None, None, None, plumb, None, 0.01)
    placed = place_marks(picture, marks, ViewOptions(square_within_deg=0.0), 0.01, True, None)
    values, _, _ = solve_angles(placed.model(None, 0.0), picture, 1, 4000, 0)
    return values["ramp"], placed


def test_a_bend_within_what_is_assumed_of_a_phone_is_narrowed_by_a_bowed_plumb_line():
    """Assumed within 2 % it would cost 0.12 deg; the plumb line tells it to a quarter of that."""
    ramp, placed = read(-0.01)
    camera = placed.look.camera_prior
    u_corner = abs(camera.corner_bend_per_latent)
    assert u_corner < 0.02 / math.sqrt(3) / 4
    assert camera.corner_bend == pytest.approx(-0.01, abs=3 * u_corner)
    assert ramp.low95 <= RAMP_DEG <= ramp.high95
    assert ramp.u95 < 0.06
    assert placed.warnings == ()


@pytest.mark.parametrize("corner_bend", [pytest.param(-0.06, marks=pytest.mark.slow), -0.15])
@pytest.mark.slow
def test_a_lens_that_bends_more_than_a_phone_is_told_and_taken_out(corner_bend):
    """Read without it the angle would be off by 1.3 and 3.2 deg."""
    ramp, placed = read(corner_bend)
    camera = placed.look.camera_prior
    u_corner = abs(camera.corner_bend_per_latent)
    assert u_corner < 0.25 * abs(corner_bend)
    assert camera.corner_bend == pytest.approx(corner_bend, abs=2 * u_corner)
    assert ramp.low95 <= RAMP_DEG <= ramp.high95
    assert ramp.estimate == pytest.approx(RAMP_DEG, abs=0.05)
    (warning,) = placed.warnings
    assert warning.startswith("the marked lines are bowed as by a lens that moves the picture's ")
    assert warning.endswith("; calibrate the lens and give its file")


@pytest.mark.slow
def test_a_straight_picture_stays_straight():
    ramp, placed = read(0.0)
    assert abs(placed.look.camera_prior.corner_bend) < 0.002
    assert ramp.estimate == pytest.approx(RAMP_DEG, abs=0.03)
