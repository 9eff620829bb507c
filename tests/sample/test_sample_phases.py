"""Legs, free rolls and jumps add up to phases whose truth has a closed form."""

import math

import numpy as np
import pytest

from clipmark.sample import (
    Board,
    Jump,
    Leg,
    Lock,
    Motion,
    Roll,
    Scene,
    Stop,
    Timing,
    Truck,
    scene_truth,
)

DOWN_AND_BACK = Motion(legs=(Leg(0.305, 1.805, 30.0), Leg(3.005, 4.605, -25.0)), length_s=6.0)
DOWNHILL = {"board": Board(ramp_deg=20.0), "truck": Truck(faces="down", start_mm=420.0)}


def motion_truth(motion, frames=301, **scene):
    return scene_truth(Scene(motion=motion, timing=Timing(frames=frames), **scene))["motion"]


def integral(speed, first_s, last_s, steps=400_000):
    times = np.linspace(first_s, last_s, steps + 1)
    value = speed(times)
    return float(((value[1:] + value[:-1]) / 2).sum() * ((last_s - first_s) / steps))


def test_a_leg_goes_its_speed_times_its_span_less_one_rise():
    assert float(DOWN_AND_BACK.travel(2.5)) == pytest.approx(30.0 * (1.5 - 0.2), abs=1e-7)
    back = float(DOWN_AND_BACK.travel(5.0) - DOWN_AND_BACK.travel(2.5))
    assert back == pytest.approx(-25.0 * (1.6 - 0.2), abs=1e-7)


def test_down_stop_and_back_up_are_told_as_phases():
    phases = motion_truth(DOWN_AND_BACK, **DOWNHILL)["phases"]
    assert [p["kind"] for p in phases] == ["held", "down", "held", "reverse", "held"]
    edges = [p["start_s"] for p in phases] + [phases[-1]["end_s"]]
    # a raised cosine leaves the dense grid's first steps under what counts as standing
    assert edges == pytest.approx([0.0, 0.305, 1.805, 3.005, 4.605, 5.0], abs=5e-4)
    assert [p["distance_mm"] for p in phases] == pytest.approx([0, 39.0, 0, -35.0, 0], abs=1e-5)
    assert [p["moved_by"] for p in phases] == [None, "driven", None, "driven", None]
    assert [p["wheels"] for p in phases] == [
        "standing", "rolling", "standing", "rolling", "standing",
    ]  # fmt: skip
    assert phases[1]["first_frame"] == 19
    assert phases[1]["last_frame"] == 108


def test_the_way_ahead_is_up_down_or_along_as_the_board_lies():
    for board, faces, kind in (
        (Board(ramp_deg=20.0), "up", "up"),
        (Board(ramp_deg=20.0), "down", "down"),
        (Board(ramp_deg=0.0), "up", "along"),
    ):
        motion = Motion(speed_mm_s=10.0)
        phases = motion_truth(motion, board=board, truck=Truck(faces=faces))["phases"]
        assert [p["kind"] for p in phases] == [kind]
        assert not phases[0]["from_rest"], "it was already moving when the clip began"


def test_locked_sliding_free_rolling_and_driven_reverse_are_told_apart():
    slid = Motion(legs=(Leg(0.3, 2.3, 30.0),), locks=(Lock(0.2, 2.2),))
    rolled = Motion(rolls=(Roll(0.3, 1.5, -30.0),))
    told = [
        (phase["kind"], phase["moved_by"], phase["wheels"])
        for motion in (slid, rolled, Motion(legs=(Leg(0.3, 2.3, -30.0),)))
        for phase in motion_truth(motion, **DOWNHILL)["phases"]
        if phase["kind"] != "held"
    ]
    assert told == [
        ("down", "sliding", "locked"),
        ("reverse", "rolling freely", "rolling"),
        ("reverse", "driven", "rolling"),
    ]


def test_a_free_roll_goes_half_the_acceleration_times_time_squared_and_is_caught():
    motion = Motion(rolls=(Roll(0.5, 1.2, -40.0),))
    t = np.linspace(0.5, 1.7, 30)
    assert motion.travel(t) == pytest.approx(-20.0 * (t - 0.5) ** 2, abs=1e-7)
    assert float(motion.speed(1.8)) == pytest.approx(0.0, abs=1e-12)
    told = motion_truth(motion)
    # caught over 0.1 s by a raised cosine: half of 48 mm/s for so long
    assert told["roll_off_mm"] == pytest.approx(20.0 * 1.2**2 + 48.0 * 0.05, abs=1e-5)
    assert told["rollback_mm"] == pytest.approx(told["roll_off_mm"], abs=1e-4)


def test_nothing_rolled_off_where_nothing_rolls():
    assert motion_truth(DOWN_AND_BACK)["roll_off_mm"] is None


def test_the_start_jump_is_the_peak_over_the_steady_speed_after_it():
    motion = Motion(speed_mm_s=30.0, start_s=0.4, rise_s=0.1, jump=Jump(0.6, 0.15))
    told = motion_truth(motion)
    t = np.linspace(0.4, 0.9, 200_001)
    peak = float(motion.speed(t).max())
    steady = integral(motion.speed, 0.9, 1.4) / 0.5
    # the grid of phases knows the start to a step of 0.2 ms
    assert told["start_peak_mm_s"] == pytest.approx(peak, rel=1e-6)
    assert told["start_steady_mm_s"] == pytest.approx(steady, rel=2e-4)
    assert told["start_jump"] == pytest.approx(peak / steady, rel=2e-4)
    decayed = 30.0 * (1 + 0.6 * 0.15 * (math.exp(-0.5 / 0.15) - math.exp(-1.0 / 0.15)) / 0.5)
    assert steady == pytest.approx(decayed, rel=1e-9)


def test_each_driven_leg_jumps_and_without_a_jump_the_ratio_is_one():
    legs = DOWN_AND_BACK.legs
    with_jump = motion_truth(Motion(legs=legs, jump=Jump(0.5, 0.2)))["phases"]
    assert all(p["start_jump"] > 1.1 for p in with_jump if p["moved_by"] == "driven")
    without = motion_truth(DOWN_AND_BACK)["phases"]
    ratios = [p["start_jump"] for p in without if p["moved_by"] == "driven"]
    assert ratios == pytest.approx([1.0, 1.0], abs=1e-3)


def test_a_start_that_the_clip_does_not_show_has_no_jump():
    told = motion_truth(Motion(speed_mm_s=30.0))
    assert told["start_jump"] is None
    assert told["start_delay_s"] is None
    short = motion_truth(Motion(legs=(Leg(0.3, 1.1, 30.0),)))
    assert short["start_jump"] is None, "driven for less than a second"


def test_a_stall_does_not_divide_a_phase_and_a_held_phase_is_no_stall():
    motion = Motion(legs=DOWN_AND_BACK.legs, stops=(Stop(0.8, 0.4),), length_s=6.0)
    told = motion_truth(motion, **DOWNHILL)
    assert [p["kind"] for p in told["phases"]] == ["held", "down", "held", "reverse", "held"]
    assert len(told["stalls"]) == 1
    assert 0.8 < told["stalls"][0]["start_s"] < 0.84


def test_travel_of_everything_at_once_is_the_integral_of_speed():
    motion = Motion(
        speed_mm_s=12.0,
        ripple=0.2,
        start_s=0.2,
        stop_s=1.5,
        legs=(Leg(2.0, 3.0, -22.0),),
        rolls=(Roll(3.2, 0.6, 35.0),),
        jump=Jump(0.4, 0.2),
        length_s=6.0,
    )
    for last in (0.9, 2.6, 4.5):
        assert float(motion.travel(last)) == pytest.approx(
            integral(motion.speed, 0.0, last), abs=2e-5
        )
