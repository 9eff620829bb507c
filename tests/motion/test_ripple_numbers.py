"""Ripple on simulated traces: right in the band, nothing outside it, nothing out of noise."""

import numpy as np
import pytest

from clipmark.motion.ripple import band_ripple, noise_above

BAND = (0.5, 5.0)
NOISE = 0.02
SPEED = 20.0


def trace(rng, amplitude, hz, *, seconds=6.0, uneven=False, noise=NOISE):
    """Times and positions at 20 mm/s times (1 + amplitude sin)."""
    steps = rng.uniform(0.012, 0.022, 2000) if uneven else np.full(2000, 1 / 60)
    times = np.cumsum(steps)
    times = times[times < seconds]
    phase = 2 * np.pi * hz * times + rng.uniform(0, 6.28)
    positions = SPEED * (times - amplitude / (2 * np.pi * hz) * np.cos(phase))
    return times, positions + rng.normal(0, noise, times.size)


@pytest.mark.parametrize("hz", [0.8, 1.3, 2.0, 3.3, 4.5])
@pytest.mark.parametrize("uneven", [False, True])
def test_a_sinusoid_in_the_band_is_measured_as_amplitude_over_root_two(hz, uneven):
    """Mean over 40 traces of 6 s within 1 %, the filter's own response put right."""
    rng = np.random.default_rng(round(10 * hz))
    found = [
        np.sqrt(band_ripple(*trace(rng, 0.1, hz, uneven=uneven), BAND, NOISE, 0.1).variance)
        for _ in range(40)
    ]
    assert np.mean(found) / SPEED == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize("hz", [0.1, 8.0, 12.0])
def test_unevenness_outside_the_band_is_left_out(hz):
    """Less than 5 % of a ripple at 0.1, 8 or 12 Hz is seen in 0.5 to 5 Hz over 12 s."""
    rng = np.random.default_rng(7)
    found = band_ripple(*trace(rng, 0.1, hz, seconds=12.0), BAND, NOISE, 0.1)
    assert np.sqrt(max(found.variance, 0.0)) / SPEED < 0.05 * 0.1 / np.sqrt(2) + 0.003


def test_a_steady_change_of_speed_is_no_ripple():
    """From 10 to 30 mm/s in 6 s."""
    rng = np.random.default_rng(8)
    times = np.arange(0, 6, 1 / 60)
    positions = 10 * times + 20 / 12 * times**2 + rng.normal(0, NOISE, times.size)
    assert not band_ripple(times, positions, BAND, NOISE, 0.2).seen


@pytest.mark.parametrize("seconds", [3.0, 6.0, 15.0])
def test_constant_motion_shows_no_ripple_above_its_noise_floor(seconds):
    """300 traces: called seen in at most 6 % (one-sided 95 %, binomial scatter 1.3 %), noise sized
    by the spectrum itself as the measurement does."""
    rng = np.random.default_rng(round(seconds))
    seen = 0
    for _ in range(300):
        times, positions = trace(rng, 0.0, 1.0, seconds=seconds)
        above = noise_above(times, positions, (2.5, 5.0))
        size = max(NOISE, above[0])
        seen += band_ripple(times, positions, BAND, size, max(above[1], 0.2)).seen
    assert seen <= 0.06 * 300


@pytest.mark.parametrize(("amplitude", "hz"), [(0.02, 2.0), (0.1, 1.0), (0.1, 4.0)])
def test_stated_uncertainty_covers_the_true_ripple(amplitude, hz):
    """250 traces of 5 s: the true variance lies within 1.96 u in 92 % or more (exact binomial for
    95 % reaches down to 92), noise known."""
    rng = np.random.default_rng(round(100 * amplitude + hz))
    true = (amplitude * SPEED) ** 2 / 2
    inside = 0
    for _ in range(250):
        found = band_ripple(*trace(rng, amplitude, hz, seconds=5.0), BAND, NOISE, 0.05)
        inside += abs(found.variance - true) < 1.96 * found.u_variance
    assert inside >= 0.92 * 250


def test_noise_above_the_band_is_that_of_white_positions():
    """Mean over 60 traces within 5 %, also with a strong line at 7 Hz, which is not noise."""
    rng = np.random.default_rng(5)
    plain = [noise_above(*trace(rng, 0.0, 1.0), (2.5, 5.0))[0] for _ in range(60)]
    lined = [noise_above(*trace(rng, 0.05, 7.0), (2.5, 5.0))[0] for _ in range(60)]
    assert np.mean(plain) == pytest.approx(NOISE, rel=0.05)
    assert np.mean(lined) == pytest.approx(NOISE, rel=0.35)


def test_a_span_shorter_than_one_cycle_of_the_band_gives_nothing():
    rng = np.random.default_rng(6)
    assert band_ripple(*trace(rng, 0.1, 2.0, seconds=1.8), BAND, NOISE, 0.1) is None


def test_a_band_beyond_the_frame_rate_gives_nothing():
    rng = np.random.default_rng(6)
    assert band_ripple(*trace(rng, 0.1, 2.0), (0.5, 29.0), NOISE, 0.1) is None
