"""Three ways down or up a slope, rendered: sliding on locked wheels, rolling freely, driven back.

What the wheels did, what the body did and what moved it are separate facts of each phase.
"""

from fractions import Fraction

import numpy as np
import pytest

import clipmark
from clipmark.sample import (
    Board,
    Camera,
    Leg,
    Lock,
    Look,
    Motion,
    Roll,
    Scene,
    Timing,
    Truck,
    render_clip,
)

# By default the same is simulated in test_crawl_phases.py, and the demo holds two descents.
pytestmark = pytest.mark.slow

DOWN = Truck(faces="down", start_mm=345.0)
WAYS = {
    "locked": (DOWN, 48, Motion(legs=(Leg(0.25, 1.35, 25.0),), locks=(Lock(0.0, 3.0),))),
    "free": (DOWN, 48, Motion(rolls=(Roll(0.3, 0.8, 90.0),))),
    "driven": (DOWN, 78, Motion(legs=(Leg(0.25, 1.05, 30.0), Leg(1.45, 2.3, -30.0)))),
}


@pytest.fixture(scope="module", params=list(WAYS))
def crawled(request, tmp_path_factory):
    """Name, truth and reading of one clip: 480 x 270, 30 frames/s, 1.6 px/mm, rim of 27 px."""
    truck, frames, motion = WAYS[request.param]
    scene = Scene(
        camera=Camera(
            width=480, height=270, view_deg=17, distance_mm=1000, target_mm=(20.0, 160.0)
        ),
        board=Board(ramp_deg=20),
        truck=truck,
        motion=motion,
        timing=Timing(fps=Fraction(30), frames=frames),
        look=Look(grain_levels=1.0),
        sheet=None,
        plumb=None,
    )
    path = tmp_path_factory.mktemp("slope") / f"{request.param}.mp4"
    truth = render_clip(scene, path)
    wheels = [(cx + 2.5, cy - 2.0, rx, ry, turn) for cx, cy, rx, ry, turn in truth["wheels"]]
    with clipmark.open_clip(path) as clip:
        reading = clipmark.measure_crawl(
            clip,
            0,
            patch=truth["patch"],
            scale=truth["hubs_px"],
            scale_mm=truth["wheelbase_mm"],
            scale_u_px=0.1,
            square_within_deg=1.0,
            wheels=wheels,
            wheel_mm=truth["wheel_mm"],
            facing=truth["heading"],
        )
    return request.param, truth, reading


def moves(reading):
    return [phase for phase in reading.phases if phase["moved_by"] is not None]


def test_what_moved_the_truck_is_told(crawled):
    name, _, reading = crawled
    told = [(p["phase"], p["wheels"], p["moved_by"]) for p in moves(reading)]
    assert (
        told[-1]
        == {
            "locked": ("down", "locked", "sliding"),
            "free": ("down", "rolling", "rolling freely"),
            "driven": ("reverse", "rolling", "driven"),
        }[name]
    )
    assert [phase for phase, _, _ in told] == (
        ["down", "reverse"] if name == "driven" else ["down"]
    )


def test_way_and_turn_are_those_of_the_truth(crawled):
    """Travel to 0.1 mm, turn of both wheels to 0.15 deg root mean square."""
    _, truth, reading = crawled
    frames, table = truth["frames"], reading.table
    off = table.s_mm - np.array(frames["s_mm"])[table.frame]
    assert np.std(off) < 0.1
    for number in (1, 2):
        turn = table[f"wheel{number}_deg"] - np.array(frames["wheel_deg"])[table.frame]
        assert np.nanstd(turn) < 0.15
        assert turn.notna().all()


def test_hubs_are_where_they_were_drawn(crawled):
    """0.1 px root mean square, from marks 3 px off."""
    _, truth, reading = crawled
    for number in (1, 2):
        seen = reading.table[[f"hub{number}_x_px", f"hub{number}_y_px"]].to_numpy()
        true = np.array(truth["frames"]["hubs_px"])[
            reading.table.frame, 2 * number - 2 : 2 * number
        ]
        assert np.sqrt(np.mean((seen - true) ** 2)) < 0.1


def test_slip_is_that_of_locked_and_of_rolling_wheels(crawled):
    """Locked: braking 1. Rolling: neither form above 0.03 where it is told."""
    name, _, reading = crawled
    table = reading.table
    moving = table.v_mm_s.abs() > 15
    if name == "locked":
        assert (table.braking1[moving] > 0.97).all()
        assert reading.slip[0]["braking"] == pytest.approx(1.0, abs=0.02)
    else:
        told = table.slip1.fillna(table.braking1)[moving]
        assert np.sqrt(np.nanmean(told**2)) < 0.03


def test_each_phase_has_its_own_figures(crawled):
    """Ways within their intervals; a stop before a reverse is commanded, and the truck held."""
    name, truth, reading = crawled
    true = [phase["distance_mm"] for phase in truth["motion"]["phases"] if phase["kind"] != "held"]
    for phase, distance in zip(moves(reading), true, strict=True):
        reach = phase["distance_u95_mm"] + 0.2
        assert phase["distance_mm"] == pytest.approx(abs(distance), abs=reach)
    held = [phase for phase in reading.phases if phase["phase"] == "held"]
    assert len(held) == (1 if name == "driven" else 0)
    for phase in held:
        assert abs(phase["roll_off_mm"]) < 0.1
        assert [stall["commanded"] for stall in reading.stalls] == [True]
