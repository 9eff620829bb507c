"""A body that rocks on its springs: its travel is that of the axles; noise is not rocking."""

import numpy as np
import pytest

from clipmark.motion.rocking import rocking

TIMES = np.arange(240) / 60
NOISE_MM, NOISE_RAD = 0.01, 0.0007
ARM_MM = 40.0


def scene(pitch_deg, seed=1, drift=0.0):
    """Travel of the axles and of a patch 40 mm above them, the body's turn, two hubs."""
    rng = np.random.default_rng(seed)
    axles = 25 * TIMES + 0.4 * np.sin(2 * np.pi * 2.2 * TIMES)
    pitch = np.radians(pitch_deg) * np.sin(2 * np.pi * 1.3 * TIMES)
    body = axles * (1 + drift) - ARM_MM * pitch + rng.normal(0, NOISE_MM, len(TIMES))
    hubs = [axles + at + rng.normal(0, NOISE_MM, len(TIMES)) for at in (-60.0, 70.0)]
    return axles, body, pitch + rng.normal(0, NOISE_RAD, len(TIMES)), hubs


def off(values, axles):
    rest = values - axles
    return np.sqrt(np.mean((rest - rest.mean()) ** 2))


@pytest.mark.parametrize("pitch_deg", [0.1, 1.0, 3.0])
def test_rocking_is_taken_out_to_the_noise(pitch_deg):
    axles, body, turn, hubs = scene(pitch_deg)
    found = rocking(TIMES, body, turn, hubs, NOISE_MM)
    assert off(body + found.part, axles) < 2 * NOISE_MM
    assert off(body + found.part, axles) < 1.3 * np.hypot(NOISE_MM, found.u)
    assert found.rms_rad == pytest.approx(np.radians(pitch_deg) / np.sqrt(2), rel=0.08)


def test_a_body_that_does_not_rock_is_left_alone():
    for seed in range(20):
        _, body, turn, hubs = scene(0.0, seed)
        assert rocking(TIMES, body, turn, hubs, NOISE_MM) is None


def test_what_goes_with_the_travel_is_scale_and_is_left():
    """Hubs nearer to the camera than the patch go 1 % farther in the picture."""
    axles, body, turn, hubs = scene(0.0, drift=-0.01)
    assert rocking(TIMES, body, turn + 1e-4 * axles, hubs, NOISE_MM) is None


def test_the_arm_of_frames_with_wheels_serves_those_without():
    """A hand over both wheels for a second."""
    axles, body, turn, hubs = scene(1.0)
    for hub in hubs:
        hub[100:160] = np.nan
    found = rocking(TIMES, body, turn, hubs, NOISE_MM)
    assert off(body + found.part, axles) < 2 * NOISE_MM


def test_without_wheels_nothing_is_said():
    _, body, turn, _ = scene(1.0)
    assert rocking(TIMES, body, turn, [], NOISE_MM) is None
