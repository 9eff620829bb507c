"""The motion truth is what the speed integrates to."""

import math

import numpy as np
import pytest

from clipmark.sample import Motion, RollBack, Stop

BUSY = Motion(
    speed_mm_s=25.0,
    ripple=0.3,
    ripple_hz=3.1,
    stops=(Stop(1.0, 0.5), Stop(2.2, 0.35)),
    roll_backs=(RollBack(1.1, 0.3, 2.5),),
    start_s=0.2,
    stop_s=3.5,
    length_s=5.0,
)


def integral_mm(motion, last_s, steps=400_000):
    """Trapezoids on a grid of its own, ten times as fine as the renderer's."""
    times = np.linspace(0.0, last_s, steps + 1)
    speed = motion.speed(times)
    return float(((speed[1:] + speed[:-1]) / 2).sum() * (last_s / steps))


@pytest.mark.parametrize("last_s", [0.37, 1.21, 2.5, 4.0])
def test_travel_is_the_integral_of_speed(last_s):
    # kinks at the ends of the speed ramps leave the trapezoids a few 1e-6 mm
    assert float(BUSY.travel(last_s)) == pytest.approx(integral_mm(BUSY, last_s), abs=1e-5)


def test_travel_of_a_rippled_creep_has_its_closed_form():
    motion = Motion(speed_mm_s=20.0, ripple=0.25, ripple_hz=2.0)
    t = np.linspace(0, 5, 77)
    omega = 2 * math.pi * 2.0
    exact = 20.0 * (t + 0.25 * (1 - np.cos(omega * t)) / omega)
    assert motion.travel(t) == pytest.approx(exact, abs=1e-8)


def test_the_truck_stands_still_inside_a_stop():
    inside = np.linspace(2.25, 2.5, 50)
    assert np.ptp(BUSY.travel(inside)) < 1e-9


def test_a_roll_back_goes_back_by_its_distance():
    motion = Motion(stops=(), roll_backs=(RollBack(0.5, 0.4, 3.0),))
    assert float(motion.travel(2.0)) == pytest.approx(-3.0, abs=1e-8)


def test_stalls_begin_and_end_where_speed_passes_a_tenth_of_the_median():
    motion = Motion(speed_mm_s=30.0, stops=(Stop(0.8, 0.5, 0.04), Stop(2.0, 0.1, 0.03)))
    stalls = motion.stalls(0.0, 3.0)
    assert len(stalls) == 1, "the second stop is shorter than 0.15 s"
    # raised cosine: (1 + cos(pi u)) / 2 = 0.1
    share = math.acos(-0.8) / math.pi
    assert stalls[0]["start_s"] == pytest.approx(0.8 + 0.04 * share, abs=3e-4)  # dense grid 0.2 ms
    assert stalls[0]["end_s"] == pytest.approx(1.3 - 0.04 * share, abs=3e-4)
    assert stalls[0]["s_mm"] == pytest.approx(integral_mm(motion, 1.05), abs=1e-5)


def test_standing_before_the_start_and_after_the_end_is_no_stall():
    motion = Motion(speed_mm_s=30.0, start_s=0.5, stop_s=2.5, stops=(Stop(1.2, 0.4),))
    assert [round(stall["start_s"], 1) for stall in motion.stalls(0.0, 4.0)] == [1.2]


def test_a_steady_creep_has_no_stalls_and_a_standing_truck_none_either():
    assert Motion(speed_mm_s=12.0, ripple=0.5).stalls(0.0, 4.0) == []
    assert Motion().stalls(0.0, 4.0) == []


def test_the_stated_ripple_is_the_spread_of_speed_over_its_mean():
    motion = Motion(speed_mm_s=20.0, ripple=0.2, ripple_hz=2.0)
    speed = motion.speed(np.arange(0, 4, 1e-4))
    assert speed.std() / speed.mean() == pytest.approx(0.2 / math.sqrt(2), rel=1e-6)
