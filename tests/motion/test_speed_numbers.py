"""Speed, noise and gaps on simulated traces: pure numbers, truth by construction."""

import numpy as np
import pytest

from clipmark.motion.speed import (
    choose_window,
    correlation_factor,
    local_fit,
    residual_noise,
    stretches,
)

RATE = 60.0


def test_a_polynomial_of_the_fit_s_degree_comes_back_exactly_on_uneven_times():
    """Degree two on times that vary by a factor of three, ends included."""
    rng = np.random.default_rng(2)
    times = np.cumsum(rng.uniform(0.008, 0.015, 120))
    fit = local_fit(times, 3 + 20 * times - 4 * times**2, 0.2)
    np.testing.assert_allclose(fit.slope, 20 - 8 * times, atol=1e-8)
    np.testing.assert_allclose(fit.residual, 0, atol=1e-9)


@pytest.mark.parametrize("window_s", [0.1, 0.25, 0.5])
def test_stated_speed_uncertainty_equals_the_scatter(window_s):
    """Noise sized by the residuals and carried through the weights: within 10 % of the seen
    scatter of the slope over a minute (the scatter itself is good to about 4 %)."""
    rng = np.random.default_rng(3)
    times = np.arange(3600) / RATE
    fit = local_fit(times, 20 * times + rng.normal(0, 0.05, times.size), window_s)
    stated = residual_noise(fit, times) * fit.slope_gain
    middle = slice(40, -40)
    seen = np.std(fit.slope[middle])
    assert np.sqrt(np.mean(stated[middle] ** 2)) == pytest.approx(seen, rel=0.10)


def test_no_speed_is_computed_across_a_gap():
    """Moved by 50 mm while nobody looked: the speed on either side stays what it was."""
    times = np.concatenate([np.arange(60), np.arange(90, 150)]) / RATE
    positions = 20 * times + np.where(times > 1.2, 50.0, 0.0)
    fit = local_fit(times, positions, 0.3)
    np.testing.assert_allclose(fit.slope, 20.0, atol=1e-8)
    assert [(s.start, s.stop) for s in stretches(times)] == [(0, 60), (60, 120)]


def test_two_dropped_frames_are_a_gap_one_is_bridged_and_jitter_is_none():
    """2.5 median steps is the limit: the fit is on true times, one frame less takes little."""
    even = np.arange(40) / RATE
    assert len(stretches(np.delete(even, [20, 21]))) == 2
    assert len(stretches(np.delete(even, 20))) == 1
    assert len(stretches(np.delete(even, np.arange(4, 40, 5)))) == 1
    jitter = np.arange(40) / RATE + 0.3 / RATE * np.random.default_rng(0).uniform(-1, 1, 40)
    assert len(stretches(jitter)) == 1


def test_two_frames_with_one_time_break_the_trace():
    times = np.arange(30) / RATE
    times[15:] -= 1 / RATE
    assert len(stretches(times)) == 2


def test_stretches_too_short_for_the_fit_have_no_speed():
    times = np.concatenate([np.arange(3), np.arange(10, 50)]) / RATE
    fit = local_fit(times, 20 * times, 0.1)
    assert np.isnan(fit.slope[:3]).all()
    assert np.isfinite(fit.slope[3:]).all()


def test_the_window_grows_with_the_noise_and_shrinks_with_the_speed():
    times = np.arange(300) / RATE
    windows = [choose_window(times, times, noise, 20.0) for noise in (0.001, 0.05, 0.3)]
    assert windows == sorted(windows)
    assert windows[0] < windows[-1]
    assert choose_window(times, times, 0.05, 60.0) < choose_window(times, times, 0.05, 10.0)


def test_white_residuals_are_not_called_correlated_and_slow_ones_are():
    rng = np.random.default_rng(4)
    white = rng.normal(size=2000)
    slow = np.convolve(white, np.ones(5) / np.sqrt(5), mode="same")
    everywhere = np.ones(2000, dtype=bool)
    assert correlation_factor(white, everywhere, 12) < 1.4
    assert correlation_factor(slow, everywhere, 12) > 3.0
