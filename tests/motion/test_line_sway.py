"""Swing and vibration of a followed line: tones of known size, noise, and slow courses."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.motion.line_sway import sway_of

FPS, SECONDS, U_DEG = 60.0, 5.0, 0.02


def times():
    return np.arange(0, SECONDS, 1 / FPS)


def angles(rng, swing_deg=0.0, hz=1.4, buzz_deg=0.0, buzz_hz=14.0, rate=2.0):
    t = times()
    noise = rng.normal(0, U_DEG, t.size)
    slow = 30 + rate * t + 0.3 * t**2
    return (
        slow
        + swing_deg * np.sin(2 * np.pi * hz * t + 1)
        + buzz_deg * np.sin(2 * np.pi * buzz_hz * t)
        + noise
    )


def read(angle):
    return sway_of(times(), angle, np.full(angle.size, U_DEG))


@settings(max_examples=20, deadline=None)
@given(swing=st.floats(0.05, 2.0), hz=st.floats(0.9, 4.0), seed=st.integers(0, 10_000))
def test_a_swing_is_read_with_its_size_and_rate(swing, hz, seed):
    found = read(angles(np.random.default_rng(seed), swing, hz))
    assert found.swing_hz == pytest.approx(hz, abs=0.1)
    assert found.swing_deg == pytest.approx(swing, rel=0.12, abs=5 * found.u_swing_deg)


def test_a_line_that_only_turns_steadily_neither_swings_nor_shakes():
    told = [read(angles(np.random.default_rng(seed))) for seed in range(200)]
    assert sum(one.swing_deg is not None for one in told) <= 1
    assert sum(one.vibration_deg is not None for one in told) <= 1


def test_vibration_is_the_root_mean_square_of_what_is_fast():
    found = read(angles(np.random.default_rng(3), buzz_deg=0.1))
    assert found.vibration_deg == pytest.approx(0.1 / np.sqrt(2), rel=0.15)


def test_a_slow_swing_is_no_vibration():
    assert read(angles(np.random.default_rng(3), swing_deg=0.5, hz=1.2)).vibration_deg is None


def test_frames_that_are_missing_are_left_out():
    angle = angles(np.random.default_rng(4), 0.5)
    angle[40:80] = np.nan
    assert read(angle).swing_deg == pytest.approx(0.5, rel=0.1)


def test_a_handful_of_frames_tells_nothing():
    assert sway_of(np.arange(10) / 30, np.zeros(10), np.full(10, U_DEG)) is None
