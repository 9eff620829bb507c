"""SPARC and LDLJ against published, recomputed and closed-form values.

S. Balasubramanian et al., IEEE Trans. Biomed. Eng. 59 (2012) 2126-2136 and J. NeuroEng. Rehabil. 12
(2015) 112: definitions, defaults, and the three values of the authors' own example (`GAUSS`). The
sampled profiles were recomputed from the same definition, so they hold to the digits given; the
closed forms of the minimum-jerk and raised-cosine profiles are derived independently of it.
"""

import numpy as np
import pytest
from scipy.integrate import quad

from clipmark.motion.smoothness import dlj, ldlj, sparc

DIGITS = 1e-5
GAUSS = {"sparc": -1.41403, "dlj": -335.74684, "ldlj": -5.81636}
# T s, Hz, samples: SPARC, DLJ, LDLJ
MINIMUM_JERK = {
    (1, 30, 31): (-1.400413, -190.7381, -5.250901),
    (1, 100, 101): (-1.405829, -200.66428, -5.301633),
    (1, 1000, 1001): (-1.402426, -204.38999, -5.32003),
    (2, 50, 101): (-1.405829, -200.66428, -5.301633),
    (5, 30, 151): (-1.402541, -202.05149, -5.308523),
    (5, 100, 501): (-1.402426, -203.97917, -5.318018),
    (10, 30, 301): (-1.402541, -203.43016, -5.315323),
    (10, 240, 2401): (-1.402541, -204.62926, -5.3212),
}
# spacing s, samples: SPARC, LDLJ
TWO_PULSES = {
    (0.5, 151): (-1.63111, -6.37301),
    (1.0, 201): (-2.244545, -8.084273),
    (1.5, 251): (-3.119025, -8.738325),
}
# T s, Hz: SPARC
CONSTANT = {
    (1, 100): -2.401988,
    (2, 100): -2.401198,
    (5, 100): -2.386218,
    (10, 100): -2.386186,
    (10, 30): -2.420115,
}
# amplitude at 2 Hz: SPARC, LDLJ
RIPPLE = {
    0.0: (-2.386186, None),
    0.05: (-2.38626, -12.54977),
    0.1: (-3.178381, -13.843195),
    0.2: (-3.283992, -15.055765),
    0.4: (-3.54707, -16.134228),
}


def minimum_jerk(duration_s, rate_hz, samples):
    s = np.arange(samples) / rate_hz / duration_s
    return np.where((s >= 0) & (s <= 1), 30 * s**2 * (1 - s) ** 2 / duration_s, 0.0)


def two_pulses(spacing_s, samples):
    t = np.arange(samples) / 100

    def pulse(t):
        return np.where((t >= 0) & (t <= 1), 30 * t**2 * (1 - t) ** 2, 0.0)

    return pulse(t) + pulse(t - spacing_s)


def rippled(amplitude, hz=2.0):
    return 1 + amplitude * np.sin(2 * np.pi * hz * np.arange(1000) / 100)


def test_the_authors_own_example():
    """A Gaussian bump, 200 samples at 100 Hz."""
    speed = np.exp(-5 * np.arange(-1, 1, 0.01) ** 2)
    assert sparc(speed, 0.01) == pytest.approx(GAUSS["sparc"], abs=DIGITS)
    assert dlj(speed, 0.01) == pytest.approx(GAUSS["dlj"], rel=DIGITS)
    assert ldlj(speed, 0.01) == pytest.approx(GAUSS["ldlj"], abs=DIGITS)


@pytest.mark.parametrize("key", MINIMUM_JERK, ids=str)
def test_sampled_minimum_jerk(key):
    duration_s, rate_hz, samples = key
    speed, step_s = minimum_jerk(duration_s, rate_hz, samples), 1 / rate_hz
    of_arc, of_jerk, of_log = MINIMUM_JERK[key]
    assert sparc(speed, step_s) == pytest.approx(of_arc, abs=DIGITS)
    assert dlj(speed, step_s) == pytest.approx(of_jerk, rel=DIGITS)
    assert ldlj(speed, step_s) == pytest.approx(of_log, abs=DIGITS)


def test_minimum_jerk_in_closed_form():
    """720 A^2 / T^5 over a peak of 1.875 A / T is 204.8, and samples come within order 1/N."""
    integral = quad(lambda s: (60 - 360 * s + 360 * s**2) ** 2, 0, 1)[0]
    assert integral == pytest.approx(720)
    assert np.log(720) == pytest.approx(6.579251, abs=1e-6)
    assert integral / 1.875**2 == pytest.approx(204.8)
    for samples in (101, 1001, 10001):
        speed = minimum_jerk(1, samples - 1, samples)
        assert speed.max() == pytest.approx(1.875)
        assert dlj(speed, 1 / (samples - 1)) == pytest.approx(-204.8, rel=2.1 / samples)
    assert ldlj(speed, 1e-4) == pytest.approx(-5.322034, abs=1e-3)


@pytest.mark.parametrize("samples", [101, 501, 1001, 2401])
def test_sparc_of_minimum_jerk_in_closed_form(samples):
    """Within 0.5 %, for the bins of the spectrum rarely meet the threshold; 64 times finer bins
    come within 0.02 %, so that nothing else is amiss."""
    speed, step_s = minimum_jerk(1, samples - 1, samples), 1 / (samples - 1)
    assert sparc(speed, step_s) == pytest.approx(-1.408176, rel=0.005)
    assert sparc(speed, step_s, pad_level=10) == pytest.approx(-1.408176, rel=2e-4)


def test_the_spectrum_of_minimum_jerk_in_closed_form():
    """It falls to 0.05 at 1.668439 / T, and its largest side lobe, 0.041105, lies just under the
    threshold, so that noise can lift it over: the value of SPARC jumps there."""
    speed = minimum_jerk(1, 2000, 2001)

    def heights(frequencies):
        waves = np.exp(-2j * np.pi * np.outer(frequencies, np.arange(2001) / 2000))
        return np.abs(waves @ speed) / 2000

    near, beyond = np.linspace(1.6, 1.7, 1001), np.linspace(2, 4, 2001)
    assert heights(np.linspace(0, 1.6, 33)).min() > 0.05
    assert near[np.argmax(heights(near) < 0.05)] == pytest.approx(1.668439, abs=2e-4)
    assert heights(beyond).max() == pytest.approx(0.041105, abs=1e-6)


def test_raised_cosine_in_closed_form():
    """Peak 2, jerk (2 pi)^2 cos: 2 pi^4 = 194.818 and its logarithm."""
    t = np.arange(20001) / 20000
    speed = 1 - np.cos(2 * np.pi * t)
    assert 2 * np.pi**4 == pytest.approx(194.818182, abs=1e-6)
    assert dlj(speed, 1 / 20000) == pytest.approx(-194.818182, rel=2e-4)
    assert ldlj(speed, 1 / 20000) == pytest.approx(-5.272067, abs=2e-4)


@pytest.mark.parametrize("key", TWO_PULSES, ids=str)
def test_two_pulses_are_less_smooth_the_farther_apart(key):
    of_arc, of_log = TWO_PULSES[key]
    assert sparc(two_pulses(*key), 0.01) == pytest.approx(of_arc, abs=DIGITS)
    assert ldlj(two_pulses(*key), 0.01) == pytest.approx(of_log, abs=DIGITS)


@pytest.mark.parametrize("key", CONSTANT, ids=str)
def test_even_speed_is_ruled_by_the_ends_of_the_window(key):
    """Near -2.4, worse than one smooth pulse, and without jerk at all."""
    duration_s, rate_hz = key
    speed = np.ones(duration_s * rate_hz)
    assert sparc(speed, 1 / rate_hz) == pytest.approx(CONSTANT[key], abs=DIGITS)
    assert dlj(speed, 1 / rate_hz) == 0
    assert ldlj(speed, 1 / rate_hz) is None


@pytest.mark.parametrize("amplitude", RIPPLE)
def test_even_speed_with_ripple_at_2_hz(amplitude):
    of_arc, of_log = RIPPLE[amplitude]
    assert sparc(rippled(amplitude), 0.01) == pytest.approx(of_arc, abs=DIGITS)
    if of_log is None:
        assert ldlj(rippled(amplitude), 0.01) is None
    else:
        assert ldlj(rippled(amplitude), 0.01) == pytest.approx(of_log, abs=DIGITS)


@pytest.mark.parametrize("hz", [2.0, 3.3, 5.0, 8.0])
def test_sparc_is_blind_to_5_percent_ripple(hz):
    """At 2 Hz and faster it moves the value by less than 0.0015, a hundredth of what the length
    of the span does: SPARC is no grade for creeping."""
    assert abs(sparc(rippled(0.05, hz), 0.01) - sparc(rippled(0.0), 0.01)) < 0.0015
    assert abs(sparc(np.ones(100), 0.01) - sparc(np.ones(1000), 0.01)) > 0.015


def test_the_duration_is_that_of_n_steps():
    """At 31 samples (N - 1) steps would take a tenth off the jerk."""
    speed, step_s = minimum_jerk(1, 30, 31), 1 / 30
    jerk = np.diff(speed, 2) / step_s**2
    shorter = (30 * step_s) ** 3 / speed.max() ** 2 * np.sum(jerk**2) * step_s
    assert -dlj(speed, step_s) / shorter == pytest.approx((31 / 30) ** 3)
