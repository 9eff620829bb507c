"""First motion by the unstable-turning model, and the gap: the mechanics, the fit, its interval."""

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from clipmark.motion.lift_off_fit import fit_onset
from clipmark.motion.lift_off_gap import crossing_of
from clipmark.motion.lift_off_model import even_extra_turn_deg, extra_turn_deg
from clipmark.motion.tilt_events import BOTH_WHEELS, find_events
from tests.motion.tilt_runs import rigid_turn, simulate


def test_the_model_is_the_rigid_body_on_its_edge_as_far_as_it_is_used():
    """Integrated with the full sine; the linear model is off by less than 0.5 % below 8 deg."""
    since = np.linspace(0, 0.5, 200)
    for rate, k in ((0.25, 9.0), (2.0, 10.0), (5.0, 7.0)):
        exact = rigid_turn(since, rate, k)
        small = (exact > 0.05) & (exact < 8.0)
        found = even_extra_turn_deg(since, rate, k)
        assert np.abs(found[small] / exact[small] - 1).max() < 0.005


def test_it_begins_with_the_third_power_of_time():
    found = even_extra_turn_deg(np.array([0.01, 0.02]), 2.0, 10.0)
    assert found[1] / found[0] == pytest.approx(8.0, rel=0.02)
    assert found[0] == pytest.approx(2.0 * 10.0**2 * 0.01**3 / 6, rel=0.01)


def test_a_platform_that_is_even_between_frames_is_solved_exactly():
    t = np.arange(0, 1.5, 1 / 30)
    found = extra_turn_deg(t, 40 + 3 * t, [0.5123], [9.0])[:, 0]
    even = even_extra_turn_deg(t - 0.5123, 3.0, 9.0)
    assert np.abs(found - even)[even < 60].max() < 1e-9


def test_a_platform_that_stops_lets_the_truck_go_on_tipping():
    t = np.arange(0, 1.5, 1 / 60)
    tilt = np.minimum(40 + 3 * t, 41.8)  # stops 0.1 s after the onset
    found = extra_turn_deg(t, tilt, [0.5], [9.0])[:, 0]
    assert found[t > 1.2].min() > 20 * found[np.searchsorted(t, 0.7)] > 0


def test_the_fit_finds_the_least_squares_optimum():
    """Against a reference: SciPy's optimiser on the same model, from the true values."""
    rng = np.random.default_rng(11)
    t = np.arange(0, 2.6, 1 / 60)
    onset, k, rate = 2.13, 9.4, 1.5
    tilt = 40 + rate * t
    turn = 2 + 0.05 * rate * t + even_extra_turn_deg(t - onset, rate, k)
    use = even_extra_turn_deg(t - onset, rate, k) < 6
    t, tilt, turn = t[use], tilt[use], turn[use] + rng.normal(0, 0.04, int(use.sum()))

    def misses(p):
        lean = p[2] + p[3] * (t - t[0]) + p[4] * (t - t[0]) ** 2
        return turn - lean - even_extra_turn_deg(t - p[0], rate, p[1])

    best = least_squares(misses, [onset, k, 2.0, 0.08, 0.0], x_scale=[0.1, 5, 1, 0.1, 0.1])
    jacobian = best.jac
    u = math.sqrt(np.linalg.inv(jacobian.T @ jacobian)[0, 0]) * 0.04
    found = fit_onset(t, tilt, turn, [], quiet_until_s=1.4, between_s=(0.5, 2.45))
    assert found is not None
    # What the fit does not take for certain (springs may go on leaning or not) costs a little.
    assert abs(found.t_s - best.x[0]) < u
    assert 0.8 * u < found.u_t_s < 2.5 * u


def _runs(count, seed):
    """Onset and gap of simulated runs: error, and whether the interval holds the truth."""
    rng = np.random.default_rng(seed)
    onset, gap = [], []
    for number in range(count):
        run = simulate(rng, with_tyre=number % 2 == 0)
        facts = find_events(run.series, 1.0, 2.0, "1 mm", "2 mm")
        first = facts.of(BOTH_WHEELS, "first")
        assert first is not None
        onset.append((first.tilt_deg - run.balance_deg, _holds(first, run.balance_deg)))
        by_gap = facts.of(BOTH_WHEELS, "gap")
        if number % 2 == 0:
            assert by_gap is not None
            frames = (by_gap.t_s - run.gap_s) * run.fps
            gap.append((frames, _holds(by_gap, run.gap_deg)))
    return np.array(onset), np.array(gap)


def _holds(seen, truth):
    own = 1.96 * seen.u_tilt_deg
    low = seen.tilt_deg - math.hypot(seen.tilt_deg - seen.low_deg, own)
    high = seen.tilt_deg + math.hypot(seen.high_deg - seen.tilt_deg, own)
    return low <= truth <= high


def test_first_motion_and_gap_are_found_in_simulated_runs():
    onset, gap = _runs(16, 3)
    assert np.sqrt(np.mean(onset[:, 0] ** 2)) <= 0.12
    assert np.sqrt(np.mean(gap[:, 0] ** 2)) <= 0.5
    # 95 % of 16: fewer than 12 happens once in 1,000 times.
    assert onset[:, 1].sum() >= 12


@pytest.mark.slow
@pytest.mark.timeout(3000)
def test_intervals_of_the_lift_off_angle_hold_the_truth_in_95_of_100_runs():
    onset, gap = _runs(2000, 2027)
    assert 0.92 <= onset[:, 1].mean() <= 0.98
    assert 0.92 <= gap[:, 1].mean() <= 0.98
    assert np.sqrt(np.mean(onset[:, 0] ** 2)) <= 0.12
    assert np.sqrt(np.mean(gap[:, 0] ** 2)) <= 0.5


def test_lean_on_springs_is_no_lift_off():
    """Slow and reversible: the platform goes up and down again, and the body with it."""
    t = np.arange(0, 20, 1 / 30)
    tilt = 40 - np.abs(t - 10) * 2
    rng = np.random.default_rng(4)
    turn = 0.1 * tilt + rng.normal(0, 0.05, len(t))
    way = 0.01 * tilt + rng.normal(0, 0.03, len(t))
    facts = find_events(_series(t, tilt + rng.normal(0, 0.02, len(t)), turn, way), 1, 2, "", "")
    assert facts.seen == ()
    assert {item.said for item in facts.missing} == {"not reached"}


def _series(t, tilt, turn, way, slide=None):
    from clipmark.motion.tilt_events import TiltSeries

    return TiltSeries(t, tilt, turn, (way,), (np.zeros(len(t)) if slide is None else slide,))


def test_a_slide_is_told_from_tipping():
    t = np.arange(0, 5, 1 / 30)
    rng = np.random.default_rng(6)
    still = rng.normal(0, 0.03, (3, len(t)))
    slide = 400 * np.maximum(t - 4.0, 0) ** 2 + still[2]
    series = _series(t, 35 + t + still[0], still[1], still[1], slide)
    facts = find_events(series, 1.0, 2.0, "1 mm", "2 mm")
    assert [item.event for item in facts.seen] == ["slide"]
    assert facts.seen[0].t_s == pytest.approx(4.0 + math.sqrt(2 / 400), abs=0.01)


def test_a_truck_held_after_first_motion_is_said_to_be_held():
    t = np.arange(0, 5, 1 / 60)
    rng = np.random.default_rng(7)
    turn = np.minimum(even_extra_turn_deg(t - 3.5, 1.0, 9.5), 5.0)
    noise = rng.normal(0, 0.03, (3, len(t)))
    series = _series(t, 38 + t + noise[0], turn + noise[1], 1.7 * turn + noise[2])
    facts = find_events(series, 1.0, 2.0, "1 mm", "2 mm")
    assert facts.of("topple") is None
    assert any("a hand or the strap held it" in note for note in facts.notes)
    first = facts.of(BOTH_WHEELS, "first")
    assert first is not None
    assert first.t_s == pytest.approx(3.5, abs=0.05)


def test_a_truck_that_moves_from_the_first_frame_on_has_no_first_motion():
    t = np.arange(0, 1, 1 / 60)
    rng = np.random.default_rng(8)
    turn = even_extra_turn_deg(t + 0.25, 1.0, 9.5)
    use = turn < 30
    noise = rng.normal(0, 0.03, (3, len(t)))
    tilt = 38 + t + noise[0]
    series = _series(t[use], tilt[use], (turn + noise[1])[use], (1.7 * turn + noise[2])[use])
    facts = find_events(series, 1.0, 2.0, "1 mm", "2 mm")
    assert facts.of(BOTH_WHEELS, "first") is None
    assert any("from the first frames on" in note for note in facts.notes)


def test_a_wheel_that_comes_down_was_lifted_at_the_start():
    t = np.arange(0, 4, 1 / 30)
    rng = np.random.default_rng(9)
    noise = rng.normal(0, 0.03, (3, len(t)))
    way = np.where(t < 1, 3.0, 0.0) + noise[2]
    facts = find_events(_series(t, 20 + t + noise[0], noise[1], way), 1.0, 2.0, "1 mm", "2 mm")
    assert any("lifted already" in note for note in facts.notes)
    assert {m.event: m.said for m in facts.missing}["first uphill wheel unloads"] == "cannot tell"


def test_a_platform_that_jerks_is_named():
    t = np.arange(0, 4, 1 / 60)
    rng = np.random.default_rng(10)
    turn = even_extra_turn_deg(t - 3.0, 1.0, 9.5)
    use = turn < 20
    tilt = 38 + t + 0.1 * np.sin(2 * np.pi * 3 * t)
    noise = rng.normal(0, 0.02, (3, len(t)))
    series = _series(
        t[use], (tilt + noise[0])[use], (turn + noise[1])[use], (1.7 * turn + noise[2])[use]
    )
    facts = find_events(series, 1.0, 2.0, "1 mm", "2 mm")
    assert any("turned unevenly" in note for note in facts.notes)


def test_a_gap_that_was_hidden_when_it_opened_is_not_told():
    t = np.arange(0, 4, 1 / 30)
    way = np.maximum(t - 2, 0) * 3 + np.random.default_rng(1).normal(0, 0.02, len(t))
    way[(t > 1.9) & (t < 2.8)] = np.nan
    assert crossing_of(t, 30 + t, way, 1.0) is None
