"""The angle model against a camera written here: signs, facing, and the promise of coverage."""

import math
import zlib

import numpy as np
import pytest
from scipy import stats

from clipmark.geometry.angles import fold_line
from clipmark.geometry.camera import assumed_camera, camera_from_view_angle
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.geometry.viewing import view_from_promise
from clipmark.measure.angle_model import AngleModel, HubsMark
from clipmark.measure.values import Value

WIDTH, HEIGHT = 1920, 1080


def seen(points_mm, yaw_deg=0.0, pitch_deg=0.0, view_deg=67.5, distance_mm=1500.0, k1=0.0,
         centre=(0.0, 0.0)):  # fmt: skip
    """Positions, px, of points (x right, y up, mm) of a turned plane; a pinhole of its own."""
    focal = WIDTH / 2 / math.tan(math.radians(view_deg) / 2)
    points = np.asarray(points_mm, dtype=float)
    x, y = points[:, 0], -points[:, 1]
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    # yaw: the right side goes away from the camera; pitch: the top goes away
    x, z = x * math.cos(yaw), x * math.sin(yaw)
    y, z = y * math.cos(pitch) + z * math.sin(pitch), z * math.cos(pitch) - y * math.sin(pitch)
    u, v = x / (z + distance_mm), y / (z + distance_mm)
    bend = 1 + k1 * (u * u + v * v)
    middle = np.array([(WIDTH - 1) / 2 + centre[0], (HEIGHT - 1) / 2 + centre[1]])
    return np.stack([u * bend * focal, v * bend * focal], axis=1) + middle


def along(start, length, angle_deg, count=9):
    """Points along a line in the plane, mm."""
    a = math.radians(angle_deg)
    steps = np.linspace(0, length, count)[:, None]
    return np.asarray(start) + steps * np.array([[math.cos(a), math.sin(a)]])


def only(line, plumb, u_deg=0.05):
    """The one line that says where level is."""
    name = "plumb line" if plumb else "level line"
    return Reference(name, plumb, line, math.radians(u_deg))


def square_on(ramp_deg, chassis=None, facing=None, plumb=False):
    """A model of exact marks seen square on by a known camera."""
    camera = camera_from_view_angle(WIDTH, HEIGHT, 67.5)
    reference = along((-300, -150), 600, 0) if not plumb else along((-350, -200), 400, 90)
    return AngleModel(
        viewing=view_from_promise(camera, 0.0),
        ramp=LineMark(seen(along((-200, -100), 500, ramp_deg)), 0.0, 0.0),
        references=(only(LineMark(seen(reference), 0.0, 0.0), plumb),),
        chassis=chassis,
        facing=facing,
    )


def hubs_at(angle_deg):
    """Rear and front hub 133 mm apart, the front one in direction `angle_deg` of the rear one."""
    return HubsMark(seen(along((-50, 20), 133, angle_deg, 2)), np.zeros((2, 2, 2)))


@pytest.mark.parametrize("plumb", [False, True])
@pytest.mark.parametrize("ramp_deg", [-60.0, -12.5, 0.0, 30.0, 53.0, 89.0])
def test_a_board_seen_square_on_has_its_own_angle(ramp_deg, plumb):
    estimate = square_on(ramp_deg, plumb=plumb).estimate_rad()
    assert math.degrees(estimate["ramp"]) == pytest.approx(ramp_deg, abs=1e-9)


def test_a_line_marked_from_either_end_is_the_same_line():
    model = square_on(30.0)
    turned = AngleModel(
        model.viewing, LineMark(model.ramp.points_px[::-1], 0.0, 0.0), model.references, None, None,
    )  # fmt: skip
    assert turned.estimate_rad()["ramp"] == pytest.approx(model.estimate_rad()["ramp"], abs=1e-12)


@pytest.mark.parametrize(
    ("ramp_deg", "hubs_deg", "nose_deg", "to_ramp_deg"),
    [
        (30.0, 33.0, 33.0, 3.0),  # facing right, climbing
        (30.0, 180 + 27.0, -27.0, 3.0),  # facing left, coming down: nose up from the board by 3
        (-30.0, 180 - 33.0, 33.0, 3.0),  # board rises to the left, facing left, climbing
        (-30.0, -28.0, -28.0, 2.0),  # board rises to the left, facing right, coming down
        (0.0, 180.0, 0.0, 0.0),  # level, facing left
    ],
)
def test_a_nose_that_is_up_counts_up_whichever_way_the_truck_faces(
    ramp_deg, hubs_deg, nose_deg, to_ramp_deg
):
    estimate = square_on(ramp_deg, hubs_at(hubs_deg)).estimate_rad()
    assert math.degrees(estimate["chassis"]) == pytest.approx(nose_deg, abs=1e-9)
    assert math.degrees(estimate["chassis_to_ramp"]) == pytest.approx(to_ramp_deg, abs=1e-9)


def test_a_truck_past_the_vertical_is_not_folded_back_when_its_facing_is_known():
    """Facing right, tipped over backwards to 120 deg; from the hubs alone it looks like 60."""
    tipped = square_on(40.0, hubs_at(120.0), facing="right").estimate_rad()
    guessed = square_on(40.0, hubs_at(120.0)).estimate_rad()
    assert math.degrees(tipped["chassis"]) == pytest.approx(120.0, abs=1e-9)
    assert math.degrees(guessed["chassis"]) == pytest.approx(60.0, abs=1e-9)


def test_a_rail_counts_as_an_unordered_line_unless_the_facing_is_given():
    rail = LineMark(seen(along((60, 40), 120, 180 - 33.0)), 0.0, 0.0)
    plain = square_on(-30.0, rail).estimate_rad()
    facing = square_on(-30.0, rail, facing="left").estimate_rad()
    assert math.degrees(plain["chassis"]) == pytest.approx(-33.0, abs=1e-9)
    assert math.degrees(plain["chassis_to_ramp"]) == pytest.approx(-3.0, abs=1e-9)
    assert math.degrees(facing["chassis_to_ramp"]) == pytest.approx(3.0, abs=1e-9)


@pytest.mark.parametrize(("hubs_deg", "ramp_deg"), [(33.0, 30.0), (147.0, -30.0), (207.0, 30.0)])
def test_the_level_reference_is_shared_so_it_drops_out_of_chassis_to_ramp(hubs_deg, ramp_deg):
    draws = square_on(ramp_deg, hubs_at(hubs_deg)).draw_rad(1, 4000, "level line itself")
    assert np.std(np.degrees(draws["ramp"])) == pytest.approx(0.05, rel=0.05)
    assert np.std(np.degrees(draws["chassis"])) == pytest.approx(0.05, rel=0.05)
    assert np.ptp(draws["chassis_to_ramp"]) < 1e-12


def test_draws_stay_with_the_estimate_near_the_vertical():
    """A board at 89.99 deg scatters across 90 without wrapping to -90."""
    draws = square_on(89.99).draw_rad(1, 4000)
    assert np.degrees(draws["ramp"]).min() > 89.0


def test_each_source_draws_the_same_whatever_else_runs():
    """A budget line is the same numbers alone or with another source absent."""
    model = square_on(30.0)
    first = model.draw_rad(5, 500, "level line itself")["ramp"]
    again = model.draw_rad(5, 500, "level line itself")["ramp"]
    assert np.array_equal(first, again)


def test_the_same_seed_gives_the_same_interval_to_the_last_digit():
    model = square_on(30.0, hubs_at(33.0))
    one, two = model.draw_rad(7, 1000), model.draw_rad(7, 1000)
    assert all(np.array_equal(one[name], two[name]) for name in one)


@pytest.mark.parametrize(
    ("angle", "folded"), [(91.0, -89.0), (-90.0, 90.0), (90.0, 90.0), (200, 20)]
)
def test_an_unordered_line_folds_into_minus_90_to_90(angle, folded):
    assert math.degrees(fold_line(math.radians(angle))) == pytest.approx(folded)


def plain_reading(rng, plumb):
    """Truth, deg, and model of a reading by one line and a promise, every input drawn anew."""
    view = rng.uniform(50, 85)
    focal = WIDTH / 2 / math.tan(math.radians(view) / 2)
    corner = (WIDTH**2 + HEIGHT**2) / 4 / focal**2
    camera = {
        "yaw_deg": rng.uniform(-3, 3),
        "pitch_deg": rng.uniform(-3, 3),
        "view_deg": view,
        "k1": rng.uniform(-0.02, 0.02) / corner,
        "centre": rng.normal(0, 0.01 * WIDTH, 2),
    }
    truth = rng.uniform(5, 60)
    lean = rng.normal(0, 0.05)
    reference = along((-380, -180), 420, 90 + lean) if plumb else along((-300, -230), 600, lean)
    marks = []
    for points in (along((-220, -150), 480, truth), reference):
        px = seen(points, **camera)
        span = px[-1] - px[0]
        half = np.hypot(*span) / 2
        across = np.array([-span[1], span[0]]) / (2 * half)
        offset, turn = rng.normal(0, 0.03), rng.normal(0, 0.05 / half)
        px = px + (offset + turn * np.linspace(-half, half, len(px)))[:, None] * across
        marks.append(LineMark(px, 0.03, 0.05 / half))
    promise = view_from_promise(assumed_camera(WIDTH, HEIGHT), 3.0)
    return truth, AngleModel(promise, marks[0], (only(marks[1], plumb),), None, None)


def covered(n, plumb, rng, draws=4000):
    """Share of simulated readings whose 95 % interval holds the truth."""
    inside = 0
    for index in range(n):
        truth, model = plain_reading(rng, plumb)
        sample = np.degrees(model.draw_rad(zlib.crc32(b"%d" % index), draws)["ramp"])
        value = Value.from_samples(math.degrees(model.estimate_rad()["ramp"]), sample)
        inside += value.low95 <= truth <= value.high95
    return inside


def meets_promise(inside, n):
    """The exact binomial 95 % interval of the observed rate meets [93, 97] %."""
    interval = stats.binomtest(inside, n).proportion_ci(0.95, "exact")
    return interval.low <= 0.97 and interval.high >= 0.93


@pytest.mark.parametrize(
    "plumb", [pytest.param(False, marks=pytest.mark.slow), True], ids=["level", "plumb"]
)
@pytest.mark.slow
def test_95_percent_intervals_hold_the_truth_with_a_promise_and_no_lens(plumb):
    inside = covered(300, plumb, np.random.default_rng(11 + plumb), draws=2000)
    assert meets_promise(inside, 300), inside


@pytest.mark.slow
@pytest.mark.parametrize("plumb", [False, True], ids=["level", "plumb"])
def test_95_percent_intervals_hold_the_truth_with_a_promise_and_no_lens_over_2000(plumb):
    inside = covered(2000, plumb, np.random.default_rng(21 + plumb))
    assert meets_promise(inside, 2000), inside
