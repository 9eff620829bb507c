"""The angle of a followed board in every frame of drawn clips, held against the drawn one."""

import math
from dataclasses import replace

import numpy as np
import pytest

import clipmark
from clipmark.errors import MarkError
from clipmark.marks import Span
from clipmark.measure.angle_series import angle_series, line_follower
from clipmark.measure.view import Picture
from clipmark.motion.line_follow_pass import feed_both_ways
from tests.motion.drawn import write
from tests.motion.drawn_line import Scene

FPS, ANCHOR = 30, 10
TILTS = Scene(
    lambda t: 6 + 22 * t,
    size=(800, 560),
    hinge_px=(110.0, 440.0),
    length_px=560.0,
    thick_px=26.0,
    focal_px=900.0,
    table_px=500.0,
    seed=301,
)


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    """Track, reading and series of one encoded clip, with what was true."""
    path = tmp_path_factory.mktemp("series") / "tilt.mp4"
    return measured(TILTS, path, np.arange(24) / FPS)


def measured(scene, path, times):
    write(path, [scene.picture(t) for t in times], times)
    wide = math.degrees(2 * math.atan(scene.size[0] / 2 / scene.focal_px))
    ramp = scene.line(times[ANCHOR]).ravel() + np.array([1.0, -1.5, -1.0, 1.5])
    with clipmark.open_clip(path) as clip:
        reading = clipmark.measure_angle(
            clip,
            ANCHOR,
            ramp=ramp,
            level=(60, scene.table_px, scene.size[0] - 60, scene.table_px),
            view_angle_deg=wide,
            square_within_deg=1.0,
        )
        frame = clip.frame(ANCHOR)
        levels = (float(clip.black_level), float(clip.white_level))
        picture = Picture(frame.luma, levels, float(clip.pixel_aspect))
        follower = line_follower(reading, picture, frame)
        prints = feed_both_ways(clip, ANCHOR, Span(0, len(times) - 1), [follower])
    assert prints[ANCHOR] == reading.fingerprint
    track = follower.track()
    true = np.array([scene.angle_deg(t) for t in times])
    return track, reading, angle_series(track, reading, picture.aspect), true


def test_a_platform_is_read_in_every_frame_to_four_hundredths_of_a_degree(tilted):
    _, _, series, true = tilted
    assert series.seen.all()
    error = series.angle_deg - true
    assert float(np.sqrt(np.mean(error**2))) < 0.04


def test_the_truth_lies_within_what_is_stated(tilted):
    _, _, series, true = tilted
    error = series.angle_deg - true
    assert np.mean(np.abs(error) < 1.96 * series.u_deg) >= 0.9
    own = error - error.mean()
    assert np.mean(np.abs(own) < 2.5 * series.u_random_deg) >= 0.9


def test_what_frames_share_is_at_least_what_the_reading_does_not_know(tilted):
    _, reading, series, _ = tilted
    at_anchor = series.u_shared_deg[ANCHOR]
    assert at_anchor == pytest.approx(reading.values["ramp"].u, rel=0.25)
    assert np.all(series.u_shared_deg >= 0.7 * reading.values["ramp"].u)


def test_at_its_own_frame_the_series_is_the_reading(tilted):
    _, reading, series, _ = tilted
    off = abs(series.angle_deg[ANCHOR] - reading.ramp_deg)
    assert off < 4 * series.u_random_deg[ANCHOR]


def test_a_camera_that_rolls_is_taken_out(tilted):
    """A picture turned clockwise shows every angle too small by as much."""
    track, reading, series, _ = tilted
    roll = np.radians(np.linspace(0, 0.5, len(series.t_s)))
    out = angle_series(track, reading, 1.0, camera_turn_rad=roll)
    np.testing.assert_allclose(out.angle_deg - series.angle_deg, np.degrees(roll), atol=1e-9)


def test_a_reading_of_another_frame_is_refused(tilted):
    track, reading, _, _ = tilted
    with pytest.raises(MarkError, match=r"was read on frame 11; read it on the frame"):
        angle_series(track, replace(reading, frame=11), 1.0)
