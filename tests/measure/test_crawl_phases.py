"""Phases of simulated crawls: found, named, measured, and what moved the truck in each."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.measure.crawl_phases import read_phases
from tests.measure import crawl_moves as kit

Leg, Filmed = kit.Leg, kit.Filmed
STAND = Leg(0.6)


def phases_of(legs, seed=0, **how):
    """Scene, trace, stands and phases of one simulated clip."""
    scene = kit.film(Filmed(tuple(legs), **how), np.random.default_rng(seed))
    trace, stands = kit.read(scene)
    return scene, trace, stands, read_phases(trace, scene.path, scene.wheels)


def names(phases):
    return [phase.phase for phase in phases]


@pytest.mark.parametrize(
    ("speed", "fps"),
    [
        pytest.param(12.0, 60.0, marks=pytest.mark.slow),
        (30.0, 30.0),
        pytest.param(55.0, 60.0, marks=pytest.mark.slow),
    ],
)
def test_down_held_and_reverse_are_found_with_edges_within_20_ms(speed, fps):
    """Means over four clips; single ones within 50 ms."""
    legs = [STAND, Leg(1.6, speed), Leg(1.0), Leg(1.5, -0.8 * speed), STAND]
    off = []
    for seed in range(4):
        scene, _, _, found = phases_of(legs, seed, fps=fps)
        assert names(found) == ["standing", "down", "held", "reverse", "standing"]
        off.append([phase.until_s for phase in found[:-1]] - np.array(scene.edges[1:-1]))
    assert np.abs(np.mean(off, axis=0)).max() < 0.02
    assert np.abs(off).max() < 0.05


def test_a_stall_in_a_move_stays_a_stall_and_a_stop_before_a_reverse_does_not():
    """One stall in the way down, whose speed falls below a tenth 0.045 s after it begins to; the
    stop is a phase."""
    legs = [Leg(2.5, 25.0, stalls=((1.0, 0.4),)), Leg(1.0), Leg(1.5, -20.0), STAND]
    _, _, stands, found = phases_of(legs)
    assert names(found) == ["down", "held", "reverse", "standing"]
    assert len(stands.standing.stalls) == 1
    assert stands.standing.stalls[0].start_s == pytest.approx(1.045, abs=0.02)


@pytest.mark.parametrize("drift", [0.5, 1.5])
def test_creep_while_held_is_roll_off_and_no_move(drift):
    """Over 2 s of holding: its way within the interval, widened by 0.1 mm for the edges."""
    legs = [Leg(1.5, 30.0), Leg(2.0, drift=drift), Leg(1.5, -25.0), STAND]
    _, _, _, found = phases_of(legs)
    assert names(found) == ["down", "held", "reverse", "standing"]
    held = found[1]
    assert held.drift_mm_s.estimate == pytest.approx(drift, abs=held.drift_mm_s.u95 + 0.1)


def test_a_roll_back_in_a_stop_is_no_reverse():
    legs = [Leg(1.5, 25.0), Leg(1.2, back_mm=2.5), Leg(1.5, 25.0)]
    _, _, _, found = phases_of(legs)
    assert "reverse" not in names(found)


@pytest.mark.parametrize(
    ("leg", "lean", "wheels", "by"),
    [
        pytest.param(Leg(1.5, 25.0, slip=0.0), -20.0, "locked", "sliding", marks=pytest.mark.slow),
        (Leg(1.1, 0.0, gain=110.0, fall=0.06), -20.0, "rolling", "rolling freely"),
        pytest.param(Leg(1.8, 25.0), 20.0, "rolling", "driven", marks=pytest.mark.slow),
        pytest.param(Leg(2.0, 25.0), -20.0, "rolling", "driven", marks=pytest.mark.slow),
        pytest.param(Leg(1.5, 15.0, slip=2.0), -20.0, "spinning", "driven", marks=pytest.mark.slow),
        pytest.param(Leg(1.5, 25.0), 0.0, "rolling", "not told", marks=pytest.mark.slow),
    ],
)
def test_what_moved_the_truck_is_told(leg, lean, wheels, by):
    """Five clips each: never a wrong word, and the right one in four at least ("not told" in the
    other)."""
    right = 0
    for seed in range(5):
        _, _, _, found = phases_of([STAND, leg, STAND], seed, lean=lean)
        move = next(phase for phase in found if phase.moved_by is not None)
        assert move.wheels == wheels
        assert move.moved_by in (by, "not told")
        right += move.moved_by == by
    assert right >= 4


def test_one_wheel_locked_and_the_other_rolling_are_named_each():
    _, _, _, found = phases_of([STAND, Leg(1.5, 25.0), STAND], slips=(0.0, 1.0))
    move = next(phase for phase in found if phase.moved_by is not None)
    assert move.wheels == "wheel 1 locked, wheel 2 rolling"
    assert move.moved_by == "not told"


@pytest.mark.slow
def test_a_driven_move_that_starts_slowly_is_no_free_roll():
    """A soft rise of 0.5 s in a move of 1.2 s, downhill: 6 clips, never called rolling freely."""
    for seed in range(6):
        _, _, _, found = phases_of([STAND, Leg(1.2, 30.0, rise=0.5), STAND], seed, lean=-20.0)
        assert "rolling freely" not in [phase.moved_by for phase in found]


@settings(max_examples=12, deadline=None)
@given(
    seconds=st.lists(st.floats(0.05, 1.5), min_size=1, max_size=5),
    speeds=st.lists(st.sampled_from([-30.0, 0.0, 4.0, 40.0]), min_size=5, max_size=5),
    gap=st.floats(0.0, 1.0),
    seed=st.integers(0, 1000),
)
def test_whatever_the_trace_phases_cover_it_without_gaps(seconds, speeds, gap, seed):
    """Short, odd and interrupted traces: each known instant lies in one phase, nothing fails."""
    legs = [Leg(s, v, rise=min(0.1, s / 3), fall=min(0.1, s / 3)) for s, v in zip(
        seconds, speeds, strict=False)]  # fmt: skip
    if sum(seconds) < 0.4:
        return
    _, trace, _, found = phases_of(legs, seed, gaps=((gap, gap + 0.1),))
    assert found[0].first == 0
    assert found[-1].last == len(trace.times_s) - 1
    for before, after in pairwise(found):
        assert after.first == before.last + 1
