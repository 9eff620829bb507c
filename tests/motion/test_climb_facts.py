"""Endings of simulated attempts: travel, wheel, nose as series with noise, no pictures."""

import math
import re
from pathlib import Path

import numpy as np
import pytest

from clipmark.motion.climb_facts import read_ending
from clipmark.motion.climb_nose import read_nose
from clipmark.motion.climb_series import ClimbSeries
from clipmark.motion.climb_table import ENDED_BY, OUTCOMES, ended_by, outcome

FPS = 30.0
PAGE = (Path(__file__).parents[2] / "docs" / "climb.md").read_text(encoding="utf-8")


def series(
    speed, surface=None, nose=None, *, finish=None, entered=None, noise=0.05, seed=0, wheel=True
):
    """From speeds (t) in mm/s and a nose (t) in deg, sampled at 30 frames/s over 3 s."""
    rng = np.random.default_rng(seed)
    dense = np.arange(0, 3, 1e-3)
    travel = np.cumsum(np.vectorize(speed)(dense)) * 1e-3
    ran = np.cumsum(np.vectorize(surface or speed)(dense)) * 1e-3
    t = np.arange(0, 3, 1 / FPS)
    at = travel[(t * 1e3).astype(int)] + rng.normal(0, noise, len(t))
    told = ran[(t * 1e3).astype(int)] + rng.normal(0, noise, len(t))
    angle = np.array([(nose or (lambda _: 2.0))(x) for x in t]) + rng.normal(0, 0.1, len(t))
    return ClimbSeries(
        times_s=t,
        travel_mm=at,
        surface_mm=told if wheel else None,
        nose_deg=angle,
        past_mm=None if finish is None else at - finish,
        on_board=None,
        entered=entered,
        noise_mm=noise,
        noise_surface_mm=noise,
    )


def until(stop, speed=60.0, then=0.0):
    return lambda t: speed if 0.2 < t < stop else then if t >= stop else 0.0


def end(which):
    return ended_by(which.front, which.slip, which.wheels)[0]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("speed", "surface", "nose", "seen", "by"),
    [
        (until(1.5), None, None, "stalled", "drive"),
        (until(1.5), until(9.0), None, "spun", "grip"),
        (until(1.5, then=-40), until(1.5), None, "slid", "grip"),
        (until(1.5, then=-40), None, None, "rolled", "drive"),
        (until(1.5), None, lambda t: 2 + 100 * max(t - 1.2, 0) ** 3, "tipped", "balance"),
        (until(9.0), None, None, "moving", None),
        (until(9.0, speed=0.0), None, None, "nothing", None),
        (until(2.7), None, None, "paused", None),
    ],
    ids=["stalled", "spun", "slid", "rolled", "tipped", "moving", "nothing", "paused"],
)
def test_an_attempt_ends_as_it_was_made_to(speed, surface, nose, seen, by, seed):
    found = read_ending(series(speed, surface, nose, seed=seed))
    assert found.seen == seen
    if by is not None:
        assert end(found) == by


def test_the_finish_is_crossed_where_the_travel_says_so():
    """60 mm/s from 0.2 s on: 90 mm are passed at 1.7 s, to 5 ms with 0.05 mm of noise."""
    found = read_ending(series(until(9.0), finish=90.0))
    assert found.seen == "finished"
    assert found.finish_t_s == pytest.approx(1.7, abs=0.005)


def test_a_truck_that_cleared_and_then_tipped_over_cleared():
    nose = lambda t: 2 + 100 * max(t - 2.0, 0) ** 3  # noqa: E731
    assert read_ending(series(until(9.0), nose=nose, finish=90.0)).seen == "finished"


def test_one_that_tipped_before_the_line_did_not_clear_it():
    nose = lambda t: 2 + 100 * max(t - 1.0, 0) ** 3  # noqa: E731
    assert read_ending(series(until(9.0), nose=nose, finish=120.0)).seen == "tipped"


def test_a_touch_of_the_line_by_noise_alone_is_no_crossing():
    """It stands 0.02 mm under the line with 0.05 mm of noise."""
    reach = 60.0 * 1.3
    assert read_ending(series(until(1.5), finish=reach + 0.02)).seen == "stalled"


def test_a_hand_after_the_attempt_was_over_changes_nothing():
    found = read_ending(series(until(1.2), entered=80))
    assert found.seen == "stalled"


def test_a_hand_before_it_was_over_leaves_it_undecided():
    found = read_ending(series(until(9.0), finish=150.0, entered=60))
    assert outcome(found.seen).proposed == "unclear"
    assert found.seen == "entered"


def test_without_a_wheel_going_back_is_told_but_not_how_nor_why():
    found = read_ending(series(until(1.5, then=-40), wheel=False))
    assert found.seen == "went back"
    assert end(found) == "cannot tell"


def test_settling_by_a_few_millimetres_is_a_stall():
    """5 mm back within a quarter of a second, then it stands."""
    speed = lambda t: 60.0 if 0.2 < t < 1.5 else -20.0 if 1.5 <= t < 1.75 else 0.0  # noqa: E731
    found = read_ending(series(speed))
    assert found.seen == "stalled"
    assert sum(back.mm for back in found.backs) == pytest.approx(5.0, abs=0.7)


def test_a_truck_on_its_way_up_again_is_undecided():
    speed = lambda t: 60.0 if t < 1 else -60.0 if t < 1.5 else 40.0 if t > 2.5 else 0.0  # noqa: E731
    assert read_ending(series(speed)).seen == "moving"


def test_a_lift_begins_where_the_angle_passes_its_limit():
    """2 deg usual, limit 6 deg over it: passed at 1.2 + 0.06 ** (1/3) s, to 20 ms."""
    t = np.arange(0, 3, 1 / FPS)
    nose = 2 + 100 * np.maximum(t - 1.2, 0) ** 3
    found = read_nose(t, nose)
    assert found.tipped is not None
    assert found.tipped.t_s == pytest.approx(1.2 + math.cbrt(0.06), abs=0.02)


def test_a_front_that_came_down_did_not_tip_over():
    t = np.arange(0, 3, 1 / FPS)
    found = read_nose(t, 2 + 40 * np.exp(-(((t - 1.5) / 0.2) ** 2)))
    assert found.tipped is None
    assert [lift.came_down for lift in found.lifts] == [True]


def rows_under(title):
    table = next(b for b in PAGE.split(title)[1].split("\n\n") if b.startswith("|"))
    return [
        tuple(cell.strip() for cell in line.strip("|").split("|"))
        for line in table.splitlines()[2:]
    ]


def test_the_page_shows_the_table_of_what_ended_it_row_by_row():
    shown = rows_under("## What ended it")
    assert shown == [(r.front, r.slip, r.wheels, r.ended_by, r.why) for r in ENDED_BY]


def test_the_page_shows_the_table_of_proposals_row_by_row():
    shown = rows_under("## What is proposed")
    assert shown == [(r.seen, r.proposed, r.code, r.words) for r in OUTCOMES]


def test_the_page_names_the_limits_that_the_code_has():
    from clipmark.measure import climb_board
    from clipmark.motion import climb_facts, climb_nose, climb_series

    said = re.sub(r"\s+", " ", PAGE)
    for words in (
        f"{climb_nose.LIFT_DEG:g} deg over its usual place",
        f"rose to {climb_nose.TIP_DEG:g} deg",
        f"faster than {climb_nose.RUNS_AWAY_DEG_S:g} deg/s",
        f"more than {climb_facts.BACK_MM:g} mm under",
        f"more than {climb_facts.SPUN_MM:g} mm ahead",
        f"{climb_series.SLIP_SHARE:.0%} of the longer way".replace("%", " %"),
        f"by less than {climb_facts.GRIP_SHARE:.0%}".replace("%", " %"),
        f"moved from {climb_board.LEAST_MOVED_DEG:g} deg",
        f"{climb_facts.GIVE_UP_S:g} s |",
    ):
        assert words in said, words
