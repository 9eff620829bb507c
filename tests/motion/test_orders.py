"""Ripple by order on simulated runs of a wheel 54 mm across, 60 frames a second."""

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from clipmark.motion.orders import least_power, no_orders_reason, orders

RADIUS = 27.0
NOISE = 0.02
TURN_NOISE = np.radians(0.05)
TWO_LINES = {6.0: 0.05, 28.0: 0.04}


def run(rng, lines, *, seconds=35.0, rate_hz=60.0, speed=20.0, slow=0.0, way=1, turn_noise=None):
    """Times, positions and turn of a wheel that rolls with lines of relative amplitude.

    The speed is 20 mm/s over the turn, times (1 + sum a cos(n theta)), times (1 + slow x) with x
    from -1 to 1 over the way; both positions and turn carry noise.
    """
    turn = np.linspace(0, 1.6 * speed * seconds / RADIUS, 80_000)
    relative = 1 + slow * np.linspace(-1, 1, turn.size)
    for n, amplitude in lines.items():
        relative = relative * (1 + amplitude * np.cos(n * turn + rng.uniform(0, 2 * np.pi)))
    passed = cumulative_trapezoid(RADIUS / (speed * relative), turn, initial=0)
    times = np.arange(0, seconds, 1 / rate_hz)
    true = np.interp(times, passed, turn)
    noisy = rng.normal(0, TURN_NOISE if turn_noise is None else turn_noise, times.size)
    return times, way * (RADIUS * true + rng.normal(0, NOISE, times.size)), way * true + noisy


def near(found, order):
    """The line within 0.1 per turn, alone; None when there is none."""
    lines = [line for line in found.lines if abs(line.per_turn - order) < 0.1]
    return lines[0] if len(lines) == 1 else None


def share_of_truth(count, seed, lines, **how):
    """Share of runs with each line found, and of lines whose interval holds the truth."""
    rng = np.random.default_rng(seed)
    seen = held = 0
    for _ in range(count):
        found = orders(*run(rng, lines, **how), NOISE)
        for order, amplitude in lines.items():
            line = near(found, order)
            if line is not None:
                seen += 1
                held += abs(line.ripple - amplitude / np.sqrt(2)) < 1.96 * line.u_ripple
    return seen / count / len(lines), held / max(seen, 1)


def invented(count, seed, **how):
    """Share of even runs in which a line was said to stand out."""
    rng = np.random.default_rng(seed)
    return np.mean([bool(orders(*run(rng, {}, **how), NOISE).lines) for _ in range(count)])


def test_lines_at_6_and_28_are_found_and_nothing_else():
    """6 runs: both within 0.1 per turn, their ripple within 5 % of the truth."""
    rng = np.random.default_rng(1)
    for _ in range(6):
        found = orders(*run(rng, TWO_LINES), NOISE)
        assert len(found.lines) == 2
        for order, amplitude in TWO_LINES.items():
            assert near(found, order).ripple == pytest.approx(amplitude / np.sqrt(2), rel=0.05)


@pytest.mark.slow
def test_lines_at_6_and_28_lie_in_their_intervals():
    """200 runs of 4.1 turns, 92 % or more."""
    seen, held = share_of_truth(200, 2, TWO_LINES)
    assert seen == 1
    assert held >= 0.92


@pytest.mark.slow
def test_even_motion_shows_no_line():
    """25 runs; at 1 % a false line in three or more of them has a chance of 0.2 %."""
    assert invented(25, 3) * 25 <= 2


@pytest.mark.slow
def test_even_motion_shows_a_line_in_one_run_of_a_hundred_at_most():
    """200 runs: six or more false ones have a chance of 1.6 % at a true rate of 1 %."""
    assert invented(200, 4) * 200 <= 5


def test_a_mesh_between_whole_orders_is_found_where_it_is():
    """13.4 per turn over 4 turns: two orders of the whole ones would share it."""
    rng = np.random.default_rng(5)
    found = orders(*run(rng, {13.4: 0.06}), NOISE)
    (line,) = found.lines
    assert line.per_turn == pytest.approx(13.4, abs=3 * line.u_per_turn)
    assert line.u_per_turn < 0.02
    assert not found.stands_out.any()


def test_a_strong_line_has_no_false_harmonics():
    """30 % at 12 per turn: the way over time has harmonics, the speed over the turn has none."""
    rng = np.random.default_rng(6)
    (line,) = orders(*run(rng, {12.0: 0.3}), NOISE).lines
    assert line.ripple == pytest.approx(0.3 / np.sqrt(2), rel=0.02)


def test_slow_change_of_speed_is_no_order():
    """From 14 to 26 mm/s over the run; a line in it keeps its order and its share of the speed."""
    rng = np.random.default_rng(7)
    assert not orders(*run(rng, {}, slow=0.3), NOISE).lines
    (line,) = orders(*run(rng, {28.0: 0.05}, slow=0.3), NOISE).lines
    assert line.per_turn == pytest.approx(28, abs=0.1)
    assert line.ripple == pytest.approx(0.05 / np.sqrt(2), rel=0.06)


def test_the_wheel_and_not_the_way_over_the_turn_is_looked_at():
    """Of a wheel that rolls, way over turn is a straight line to the last digit."""
    rng = np.random.default_rng(8)
    times, _, turn = run(rng, {28.0: 0.1}, turn_noise=0.0)
    (line,) = orders(times, RADIUS * turn, turn, 1e-3).lines
    assert line.ripple == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


def test_reverse_is_measured_as_ahead_is():
    ahead = orders(*run(np.random.default_rng(9), TWO_LINES), NOISE)
    back = orders(*run(np.random.default_rng(9), TWO_LINES, way=-1), NOISE)
    assert [line.ripple for line in back.lines] == pytest.approx(
        [line.ripple for line in ahead.lines], rel=0.02
    )
    assert back.mean_speed_mm_s == pytest.approx(20.0, rel=0.01)


def test_the_whole_orders_stand_in_a_table():
    """6 and 28 stand out, each with the ripple of its line; the rest lies below what would."""
    found = orders(*run(np.random.default_rng(10), TWO_LINES), NOISE)
    assert found.per_turn[found.stands_out].tolist() == [6, 28]
    assert found.ripple[5] == near(found, 6).ripple
    rest = ~found.stands_out
    assert np.all(found.ripple[rest] < found.least_ripple[rest])


def test_the_highest_order_is_what_the_frame_rate_can_show():
    """45 % of 60 frames over 0.118 turns a second is 229 per turn; at half the rate, half of it."""
    rng = np.random.default_rng(11)
    assert orders(*run(rng, {}), NOISE).highest == pytest.approx(229, rel=0.02)
    assert orders(*run(rng, {}, rate_hz=30), NOISE).highest == pytest.approx(115, rel=0.02)
    assert orders(*run(rng, {}), NOISE, highest=40.0).per_turn[-1] == 40


def test_the_longest_stretch_without_a_gap_is_used():
    """The wheel covered for 3 s: the 26 s after it serve, not the 6 s before."""
    times, way, turn = run(np.random.default_rng(12), TWO_LINES)
    turn[(times > 6) & (times < 9)] = np.nan
    found = orders(times, way, turn, NOISE)
    assert times[found.first] == pytest.approx(9, abs=0.02)
    assert times[found.last] == times[-1]
    assert near(found, 6) is not None


def test_a_change_of_direction_ends_the_stretch():
    rng = np.random.default_rng(13)
    times, way, turn = run(rng, TWO_LINES, seconds=25)
    back, turned = way[-1] - (way[:400] - way[0]), turn[-1] - (turn[:400] - turn[0])
    later = times[-1] + (1 + np.arange(400)) / 60
    joined = [np.concatenate(pair) for pair in ((times, later), (way, back), (turn, turned))]
    found = orders(*joined, NOISE)
    assert joined[0][found.last] == pytest.approx(25, abs=0.2)
    assert near(found, 28) is not None


@pytest.mark.slow
def test_errors_that_go_together_in_time_are_no_lines():
    """Positions that wander by 0.05 mm over 0.1 s, noise stated too small: 20 even runs."""
    rng = np.random.default_rng(14)
    false = 0
    for _ in range(20):
        times, way, turn = run(rng, {})
        wander = np.convolve(rng.normal(0, 0.12, times.size + 5), np.ones(6) / 6, "valid")
        false += bool(orders(times, way + wander, turn, NOISE).lines)
    assert false <= 3


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({"seconds": 12.0}, "needs 2 turns"),
        ({"turn_noise": np.nan}, "no wheel is seen to turn"),
    ],
)
def test_too_little_to_tell_is_said(how, says):
    trace = run(np.random.default_rng(15), {}, **how)
    assert orders(*trace, NOISE) is None
    assert says in no_orders_reason(*trace, NOISE)


def test_a_wheel_that_spins_on_the_spot_has_no_ripple_of_speed():
    times, way, turn = run(np.random.default_rng(16), {})
    still = way * 0
    assert orders(times, still, turn, NOISE) is None
    assert "travels only" in no_orders_reason(times, still, turn, NOISE)


def test_a_bound_for_one_order_is_that_of_chi_square():
    """Nearly no width: exp(-z) = 0.01; a wider search needs more."""
    assert least_power(4.0, 6.0, 6.0) == pytest.approx(np.log(100))
    assert least_power(4.0, 1.0, 200.0) > least_power(4.0, 1.0, 30.0) > np.log(100)
