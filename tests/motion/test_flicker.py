"""Light that flickers, in brightness drawn over true times; scenes that merely change."""

import numpy as np
import pytest

from clipmark.motion.flicker import flicker_of, shown_at

RATE = 60.0


def bands(times: np.ndarray, true_hz: float, share: float, seed: int = 1) -> np.ndarray:
    """Brightness of eight bands of rows that are read one after another over 15 ms."""
    rng = np.random.default_rng(seed)
    late = np.arange(8) * 0.015 / 8
    light = 0.4 * (1 + share * np.sin(2 * np.pi * true_hz * (times[:, None] + late)))
    return light + rng.normal(0, 2e-4, light.shape)


def test_lamps_of_50_hz_mains_show_folded_down_with_their_size():
    times = np.arange(300) / 59.94
    found = flicker_of(times, bands(times, 100.0, 0.02), 59.94)
    assert found.seen_hz == pytest.approx(shown_at(100.0, 59.94), abs=found.resolution_hz)
    assert found.share == pytest.approx(0.02, rel=0.1)
    assert found.may_be_hz == (100.0,)


def test_uneven_times_are_no_hindrance():
    rng = np.random.default_rng(2)
    times = np.cumsum(rng.uniform(0.8, 1.2, 300)) / RATE
    found = flicker_of(times, bands(times, 9.0, 0.01), RATE)
    assert found.seen_hz == pytest.approx(9.0, abs=found.resolution_hz)
    assert found.may_be_hz == ()


def test_steady_light_shows_no_flicker():
    """Thirty records of noise that is the same in all bands: none, or one."""
    times = np.arange(400) / RATE
    false = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        common = 0.4 * (1 + 0.003 * rng.normal(size=(400, 1)))
        false += flicker_of(times, common + rng.normal(0, 1e-4, (400, 8)), RATE) is not None
    assert false <= 1


def test_a_truck_that_drives_by_is_no_flicker():
    times = np.arange(300) / RATE
    values = np.full((300, 8), 0.4) + np.random.default_rng(4).normal(0, 2e-4, (300, 8))
    values[:, 3:5] += 0.05 * np.sin(2 * np.pi * 0.7 * times)[:, None] ** 3
    assert flicker_of(times, values, RATE) is None


def test_what_cannot_be_told_is_said():
    times = np.arange(5) / RATE
    assert flicker_of(times, np.full((5, 8), 0.4), RATE) == (
        "Flicker cannot be told: 5 frames with times, and at least 16 are needed."
    )
    times = np.arange(30) / RATE
    assert flicker_of(times, np.zeros((30, 8)), RATE) == (
        "Flicker cannot be told: the picture is black."
    )
