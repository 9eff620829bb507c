"""What two readings of one clip share is told from where their marks lay."""

import math

import numpy as np
import pytest

from clipmark import open_clip
from clipmark.audit.shared import (
    CORNERS,
    budget_of,
    compare_values,
    nearest_turn,
    own_budget,
    shared_sources,
)
from clipmark.geometry import plane_fit
from clipmark.measure.angle import measure_angle
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model
from tests.audit import study_kit as kit
from tests.cli.conftest import HEIGHT, WIDTH, encode

RAMP, PLUMB, HUBS = (
    "ramp line in the picture", "plumb line in the picture", "hub centres in the picture",
)  # fmt: skip


def made(ramp_deg, **more):
    return as_model(Reading, kit.reading(ramp_deg, **more), "the reading")


def test_lens_and_level_are_shared_and_the_marked_line_is_not():
    one, other = made(34.0), made(34.1, mark=3.0)
    assert shared_sources(one, other, "ramp_deg") == {"lens", "plumb line itself"}
    assert [row.source for row in own_budget(one, other, "ramp_deg")] == [RAMP]


def test_the_same_mark_on_the_same_frame_is_shared_too():
    """Both took it over from the stand; on another frame the fit sees other noise."""
    assert RAMP in shared_sources(made(34.0), made(34.0), "ramp_deg")
    assert RAMP not in shared_sources(made(34.0), made(34.0, frame=11), "ramp_deg")


def test_readings_of_two_clips_share_nothing():
    assert not shared_sources(made(34.0), made(34.0, clip="d" * 64), "ramp_deg")


def test_a_comparison_leaves_out_what_is_shared():
    found = compare_values(made(34.0), made(34.25, mark=3.0), "ramp_deg")
    k = 2.021  # Student t of 40 degrees of freedom
    assert found.expanded == pytest.approx(math.sqrt(2) * k * 0.05, rel=1e-3)
    assert found.verdict == "at odds"
    assert compare_values(made(34.0), made(34.1), "chassis_deg") is None


def test_a_reading_without_a_budget_is_not_compared():
    told = kit.reading(34.0)
    del told["result"]["budget"]
    bare = as_model(Reading, told, "the reading")
    assert budget_of(bare, "ramp_deg") is None
    assert compare_values(bare, made(34.0), "ramp_deg") is None
    assert not shared_sources(bare, made(34.0), "ramp_deg")


def test_an_angle_is_compared_around_the_whole_circle():
    """179.9 and -179.9 deg are 0.2 deg apart; lengths have no turn."""
    found = compare_values(made(179.9), made(-179.9, mark=3.0), "ramp_deg")
    assert found.difference == pytest.approx(-0.2)
    assert nearest_turn(359.0, 1.0, "chassis_deg") == pytest.approx(-1.0)
    assert nearest_turn(359.0, 1.0, "distance_mm") == 359.0


def test_another_string_is_another_error():
    """A plumb line marked 60 px further on is another thing, so its own lean is not shared."""
    other = kit.reading(34.0, mark=3.0)
    other["result"]["lines"]["plumb"]["marked"] = [[621.0, 40.0, 623.0, 300.0]]
    told = as_model(Reading, other, "the reading")
    assert shared_sources(made(34.0), told, "ramp_deg") == {"lens"}


def test_the_name_of_sheet_corners_is_that_of_the_plane():
    assert CORNERS == plane_fit.CORNERS


def read(clip, **changed):
    """Taken as marked and with few draws: neither changes which sources there are."""
    marks = {
        "ramp": (100, 320, 520, 96),
        "plumb": (561, 40, 563, 300),
        "hubs": (258, 186, 372, 118),
    }
    found = measure_angle(
        clip, 2, **(marks | changed), view_angle_deg=40.0, edge_fit=False, draws=200,
        budget_draws=100,
    )  # fmt: skip
    return Reading.from_measured("angle", found.to_dict())


def test_of_real_readings_only_what_was_marked_anew_is_a_readings_own(tmp_path):
    """Ramp and hubs marked a little otherwise, the plumb line taken over as it was."""
    path = tmp_path / "grey.mp4"
    encode(path, [np.full((HEIGHT, WIDTH), 120.0)] * 3)
    with open_clip(path) as clip:
        one = read(clip)
        other = read(clip, ramp=(110, 313, 500, 108), hubs=(259, 186, 371, 118))
        anew = read(clip, plumb=(562, 60, 562, 290))
    own = {row.source for row in own_budget(one, other, "chassis_to_ramp_deg")}
    assert own == {RAMP, HUBS}
    shared = shared_sources(one, other, "ramp_deg")
    assert {PLUMB, "plumb line itself", plane_fit.PROMISE} <= shared
    assert RAMP not in shared
    assert PLUMB not in shared_sources(one, anew, "ramp_deg")
    assert RAMP in shared_sources(one, anew, "ramp_deg")
