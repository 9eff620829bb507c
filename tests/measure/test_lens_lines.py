"""How a lens bends, from straight edges in a drawn picture: bend at the corner 2, 5, 11 and 20 %.

The pictures are drawn by the lens's own formula (`tests/measure/straight_scene.py`), 640 x 360 px
with noise, and the marks are 1.5 px off.
"""

import math

import numpy as np
import pytest
from scipy.stats import binom

from clipmark.errors import FitError, MarkError
from clipmark.geometry.camera import camera_from_lens
from clipmark.geometry.lens import Lens
from clipmark.geometry.straight_lines import STRAIGHT_U
from clipmark.marks import Point
from clipmark.measure.lens_lines import lens_from_lines
from clipmark.measure.straight_marks import StraightMark
from tests.measure.straight_scene import DrawnClip, Scene

MARK_SD_PX = 1.5


def marks_of(scene, rng, which=range(5)):
    ends = scene.ends()
    return [
        StraightMark(tuple(Point(*end) for end in ends[index] + rng.normal(0, MARK_SD_PX, (2, 2))))
        for index in which
    ]


def bend_from(scene, seed, which=range(5)):
    rng = np.random.default_rng(seed)
    clip = DrawnClip(scene.draw(rng))
    return lens_from_lines(clip, 0, marks_of(scene, rng, which), view_angle_deg=65)


def assert_recovered(scene, found):
    """Within the stated uncertainty (95 %), which is to be a twentieth of what is assumed."""
    value = found.corner_bend_percent
    assert abs(value.estimate - 100 * scene.corner_bend) < value.u95
    assert value.u95 < 0.4


@pytest.mark.slow
def test_a_barrel_of_11_percent_is_recovered_from_five_edges():
    scene = Scene(bend=-0.09, middle=(3.0, -2.0))
    found = bend_from(scene, 3)
    assert_recovered(scene, found)
    # the edges ran up to 9 px off their chords, and are straight to a few hundredths under the lens
    assert max(line.bow_px for line in found.lines) > 8
    assert max(line.rms_px for line in found.lines) < 0.1
    assert found.warnings == ()
    result = found.to_dict()
    assert result["focal"] == "view angle"
    assert result["image_size"] == [640, 360]
    assert result["corner_bend_u95_percent"] == pytest.approx(found.corner_bend_percent.u95)
    lens = Lens.from_dict(result)  # what is written is a lens file
    camera = camera_from_lens(lens, 640, 360)
    assert camera.source == "view angle"
    assert {group.name for group in camera.groups} == {"view angle", "lens"}


@pytest.mark.slow
@pytest.mark.parametrize("bend", [-0.0196, -0.0475, -0.128, 0.02])
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_weak_and_strong_bends_are_recovered(bend, seed):
    scene = Scene(bend=bend, middle=(-4.0, 3.0))
    assert_recovered(scene, bend_from(scene, seed))


@pytest.mark.slow
def test_a_full_size_picture_with_a_strong_barrel_is_recovered():
    scene = Scene(width=1920, height=1080, bend=-0.128, middle=(10.0, -8.0), blur_px=1.4)
    found = bend_from(scene, 5)
    assert_recovered(scene, found)
    assert max(line.bow_px for line in found.lines) > 40


@pytest.mark.slow
def test_stated_uncertainty_holds_the_truth_in_100_drawn_pictures():
    """Lens, middle, bow of each thing, blur, noise, marks and choice of edges drawn anew."""
    trials, held = 100, 0
    for trial in range(trials):
        rng = np.random.default_rng([21, trial])
        scene = Scene(
            bend=rng.uniform(-0.128, 0.02),
            middle=tuple(rng.normal(0, 0.01 * 640, 2)),
            bows=tuple(rng.normal(0, STRAIGHT_U, 5)),
            blur_px=rng.uniform(0.6, 1.5),
            noise=rng.uniform(1.0, 4.0),
        )
        which = rng.permutation(5)[: rng.integers(3, 6)]
        value = bend_from(scene, [22, trial], which).corner_bend_percent
        held += abs(value.estimate - 100 * scene.corner_bend) <= 1.96 * value.u
    low, high = binom.ppf([0.025, 0.975], trials, [0.93, 0.97])
    assert low <= held <= high


def test_a_wavy_edge_is_refused():
    scene = Scene(width=400, height=225, bend=-0.0475, wave_px=2.0)
    with pytest.raises(FitError) as refusal:
        bend_from(scene, 4, which=(0, 2))
    # how wavy it is found to be depends on the picture's noise
    assert str(refusal.value).startswith("straight line 1 is not straight: under the lens that ")
    assert str(refusal.value).endswith(
        "px (rms) off a straight line; leave it out, or mark another thing"
    )


FLAT = DrawnClip(np.full((360, 640), 120, np.uint8))
REFUSED = {
    "none": (
        (),
        "no straight line is marked; mark two or more long straight things near the picture's "
        "sides (--straight)",
    ),
    "short": (
        ("40,40,90,40",),
        "straight line 1 is 50 px long, too short to show how the lens bends; mark things of at "
        "least 110 px, better right across the picture",
    ),
    "outside": (
        ("40,40,640,40",),
        "straight line 1 has a point at (640, 40), outside the picture of 640 x 360 px; mark it "
        "inside",
    ),
    "turning back": (
        ("40,40,600,40", "40,300,500,320,300,310,600,300"),
        "straight line 2 turns back between its ends; mark its points in order, from one end to "
        "the other",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_marks_that_cannot_mean_a_straight_thing_are_refused(case):
    texts, sentence = REFUSED[case]
    with pytest.raises(MarkError) as refusal:
        lens_from_lines(FLAT, 0, [StraightMark.parse(text) for text in texts])
    assert str(refusal.value) == sentence


def test_a_straight_line_is_read_with_points_between_and_a_frame():
    mark = StraightMark.parse("12:10,20,300,25,600,21")
    assert mark.frame == 12
    assert mark.points == (Point(10, 20), Point(300, 25), Point(600, 21))
    with pytest.raises(MarkError) as refusal:
        StraightMark.parse("10,20,300")
    assert str(refusal.value) == (
        "the straight line '10,20,300' cannot be read: write its ends as x1,y1,x2,y2, with more "
        "points along it in between if wanted, or FRAME:x1,y1,x2,y2"
    )


@pytest.mark.slow
def test_one_edge_marked_twice_and_lines_through_the_middle_are_refused():
    rng = np.random.default_rng(6)
    scene = Scene(bend=-0.0475)
    clip = DrawnClip(scene.draw(rng))
    top, _, _, right, inside = marks_of(scene, rng)
    with pytest.raises(FitError) as refusal:
        lens_from_lines(clip, 0, [top, right, top])
    assert str(refusal.value) == (
        "straight lines 1 and 3 lie on the same edge; mark each edge once, and another thing for "
        "the second"
    )
    with pytest.raises(FitError) as refusal:
        lens_from_lines(clip, 0, [inside])
    assert str(refusal.value).startswith("the lines show too little of how the lens bends: ")


@pytest.mark.slow
def test_without_a_view_angle_the_focal_length_stays_a_wide_guess():
    rng = np.random.default_rng(7)
    scene = Scene(bend=-0.0475)
    found = lens_from_lines(DrawnClip(scene.draw(rng)), 0, marks_of(scene, rng, (0, 1, 2)))
    assert found.lens.focal == "assumed"
    assert math.sqrt(found.lens.covariance[0, 0]) > 0.1 * found.lens.fx
    assert found.warnings == (
        "straight lines do not tell the focal length: it stays a wide guess; give the view angle "
        "(--view-angle), or put a sheet in the plane of motion",
    )
