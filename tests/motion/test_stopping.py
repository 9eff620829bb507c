"""Coming to a stand: the way from where the speed begins to fall, and when the truck stood."""

import numpy as np
import pytest

from clipmark.motion.stopping import fit_start, fit_stop

FALLS = {  # speed over a fall from 1 to 0, and the way it takes in units of its length
    "even": (lambda x: 1 - x, 1 / 2),
    "soft": (lambda x: 0.5 + 0.5 * np.cos(np.pi * x), 1 / 2),
    "fast first": (lambda x: (1 - x) ** 2, 1 / 3),
}


def run(rng, shape, fall_s, *, speed=25.0, fps=60, noise=0.015, stands_s=2.0):
    """Positions of a run that stands at `stands_s`; times, mm."""
    fine = np.arange(0, 3, 1e-4)
    x = np.clip((fine - stands_s + fall_s) / fall_s, 0, 1)
    way = np.cumsum(speed * FALLS[shape][0](x)) * 1e-4
    times = np.arange(0, 3, 1 / fps)
    return times, np.interp(times, fine, way) + rng.normal(0, noise, len(times))


@pytest.mark.parametrize("shape", ["even", "soft"])
@pytest.mark.parametrize(
    "fall_s",
    [
        pytest.param(0.03, marks=pytest.mark.slow),
        0.12,
        pytest.param(0.4, marks=pytest.mark.slow),
    ],
)
def test_the_stopping_way_lies_in_its_interval(shape, fall_s):
    """24 runs of each, at 95 %: fewer than 19 inside has a chance of 0.2 %; never off by 0.7 mm."""
    rng = np.random.default_rng(3)
    true, inside = 25.0 * fall_s * FALLS[shape][1], 0
    for _ in range(24):
        found = fit_stop(*run(rng, shape, fall_s), 2.0, 0.015)
        assert found is not None
        assert abs(found.distance - true) < 0.7
        inside += abs(found.distance - true) <= 1.96 * found.u_distance
    assert inside >= 19


@pytest.mark.parametrize("shape", list(FALLS))
def test_the_truck_stands_when_it_stands(shape):
    """Within 20 ms on the mean of 12 runs for falls of a fifth of a second; a fall that ends in
    a long tail is the least sharp, 40 ms."""
    rng = np.random.default_rng(5)
    off = [fit_stop(*run(rng, shape, 0.2), 2.0, 0.015).stands_s - 2.0 for _ in range(12)]
    assert abs(np.mean(off)) < (0.04 if shape == "fast first" else 0.02)


def test_a_start_is_a_stop_seen_backwards():
    """Same run in reverse: it leaves rest within 20 ms of the truth."""
    times, way = run(np.random.default_rng(8), "soft", 0.15)
    backwards = fit_start(3 - times[::-1], way[::-1] * -1, 1.0, 0.015)
    assert backwards is not None
    assert backwards.leaves_s == pytest.approx(1.0, abs=0.02)


def test_nothing_is_told_where_too_little_is_seen():
    times, way = run(np.random.default_rng(9), "even", 0.1)
    few = (times > 1.95) & (times < 2.05)
    assert fit_stop(times[few], way[few], 2.0, 0.015) is None
