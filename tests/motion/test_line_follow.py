"""A line followed through drawn clips: where it is, how surely, and when it is not seen."""

import math
import time

import numpy as np
import pytest

import clipmark
from clipmark.errors import FollowError
from clipmark.marks import Span
from clipmark.motion.line_follow import LineFollower
from clipmark.motion.line_follow_pass import feed_both_ways
from tests.motion.drawn import write
from tests.motion.drawn_line import Scene

FPS = 30


def follow(scene, times, anchor, path=None):
    """Track, true turn (rad) and true ends (px) of the board's top edge."""
    pictures = [scene.picture(t) for t in times]
    rough = scene.line(times[anchor]) + np.array([[1.5, -1.0], [-1.0, 1.5]])
    if path is None:
        follower = started(scene, pictures[anchor], rough, anchor, times[anchor])
        for k in (*range(anchor, len(times)), *range(anchor - 1, -1, -1)):
            follower.feed(k, times[k], pictures[k])
    else:
        with clipmark.open_clip(write(path, pictures, times)) as clip:
            luma = clip.frame(anchor).luma
            follower = started(scene, luma, rough, anchor, times[anchor])
            feed_both_ways(clip, anchor, Span(0, len(times) - 1), [follower])
    true = np.radians([scene.angle_deg(times[anchor]) - scene.angle_deg(t) for t in times])
    return follower.track(), true, np.array([scene.line(t) for t in times])


def started(scene, luma, rough, anchor, t_s):
    return LineFollower(
        luma,
        rough,
        ordinal=anchor,
        t_s=t_s,
        to_straight=scene.to_straight,
        from_straight=scene.from_straight,
    )


def u_of(track):
    """Of a turn against the anchor frame, rad."""
    return np.hypot(track.u_turn_rad, track.anchor_u_turn_rad)


def test_a_table_that_tilts_is_followed_both_ways_through_an_encoded_clip(tmp_path):
    """Twenty degrees, H.264, a bent lens, strong texture on both sides: every frame is seen,
    and the turn is right to a fifteenth of a degree on an edge of only 300 px."""
    scene = Scene(lambda t: 8 + 18 * t, k1=-0.12, seed=101)
    track, true, ends = follow(scene, np.arange(34) / FPS, 16, tmp_path / "tilt.mp4")
    assert track.seen.all()
    assert track.ordinals.tolist() == list(range(34))
    error = np.degrees(track.turn_rad - true)
    assert float(np.sqrt(np.mean(error**2))) < 0.07
    assert np.mean(np.abs(track.turn_rad - true) < 1.96 * u_of(track)) > 0.85
    assert float(np.abs(track.ends_px - ends).max()) < 3.0  # along it, it is known to some px


def test_a_hand_over_the_board_is_told_and_the_edge_is_picked_up_again():
    scene = Scene(
        lambda t: 10 + 6 * t,
        hand=lambda t: (250.0, 210.0, 210.0) if 0.4 < t < 0.75 else None,
        seed=102,
    )
    times = np.arange(40) / FPS
    track, true, _ = follow(scene, times, 2)
    under = (times > 0.4) & (times < 0.75)
    assert not track.seen[under].any()
    assert {track.reasons[k] for k in np.flatnonzero(under)} == {"covered"}
    assert track.seen[times < 0.4].all()
    assert track.seen[times > 0.85].all()
    assert np.all(np.abs(track.turn_rad - true)[track.seen] < 4 * u_of(track)[track.seen])


def test_a_hand_that_passes_never_makes_a_wrong_line():
    """Half covered, the rest speaks for the line with its larger uncertainty, or nothing does."""
    scene = Scene(lambda t: 9 + 8 * t, hand=lambda t: (620 - 640 * t, 190.0, 150.0), seed=103)
    track, true, _ = follow(scene, np.arange(48) / FPS, 0)
    seen = track.seen
    assert 0 < np.sum(~seen) < 40
    assert np.all(np.abs(track.turn_rad - true)[seen] < 4 * u_of(track)[seen])


def test_the_lower_edge_of_a_thin_board_is_never_taken():
    """Seven px lie between both edges, less than the board moves while it is covered."""
    scene = Scene(
        lambda t: 8 + 9 * t,
        thick_px=7.0,
        hand=lambda t: (260.0, 210.0, 210.0) if 0.4 < t < 0.6 else None,
        seed=104,
    )
    track, true, _ = follow(scene, np.arange(36) / FPS, 3)
    assert track.seen.sum() > 20
    across = np.abs(track.offset_px - offset_of(scene, np.arange(36) / FPS, 3))[track.seen]
    assert float(across.max()) < 1.0
    assert float(np.degrees(np.abs(track.turn_rad - true)[track.seen]).max()) < 0.3


def offset_of(scene, times, anchor):
    """True distance across, where the line's middle is now, from the anchor's middle."""
    straight = np.array([scene.to_straight(scene.line(t)) for t in times])
    middles = straight.mean(axis=1)
    along = straight[:, 1] - straight[:, 0]
    along /= np.hypot(*along.T)[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return np.sum(across * (middles - middles[anchor]), axis=1)


def test_light_that_halves_does_not_move_the_line():
    scene = Scene(lambda t: 20.0, light=lambda t: 1.0 - 0.55 * min(t, 1.0), seed=105)
    track, true, _ = follow(scene, np.arange(34) / FPS, 0)
    assert track.seen.all()
    assert np.all(np.abs(track.turn_rad - true) < 4 * u_of(track))
    assert track.contrast[-1] == pytest.approx(0.45, abs=0.06)


def test_a_jump_that_no_table_makes_is_lost_first():
    """Six degrees from one frame to the next are a cut or a knock, not a motion to be drawn on."""
    scene = Scene(lambda t: 15.0 if t < 0.5 else 21.0, seed=106)
    times = np.arange(20) / FPS
    track, _, _ = follow(scene, times, 4)
    first = int(np.flatnonzero(times >= 0.5)[0])
    assert not track.seen[first]
    assert track.reasons[first] != ""


def test_a_line_that_leaves_the_picture_is_said_to():
    scene = Scene(lambda t: 12.0, hinge_px=(70.0, 260.0), strip=lambda t: 0.0, seed=107)
    picture = scene.picture(0.0)
    follower = started(scene, picture, scene.line(0.0), 0, 0.0)
    for k in range(1, 24):  # the camera tips down
        follower.feed(k, k / FPS, np.roll(picture, 9 * k, axis=0))
    track = follower.track()
    assert track.seen[0]
    assert not track.seen[-1]
    assert "left the picture" in track.reasons


def test_texture_without_an_edge_is_refused():
    scene = Scene(lambda t: 25.0, board_level=100.0, seed=1)
    with pytest.raises(FollowError, match="edge"):
        started(scene, scene.picture(0.0), scene.line(0.0), 0, 0.0)


def test_a_line_too_short_is_refused_with_what_is_needed():
    scene = Scene(lambda t: 25.0)
    ends = scene.line(0.0)
    with pytest.raises(FollowError) as refusal:
        started(scene, scene.picture(0.0), [ends[0], ends[0] + (12.0, 5.0)], 0, 0.0)
    assert str(refusal.value) == (
        "the line to be followed is 13 px long, and at least 30 px is needed; mark its ends "
        "further apart"
    )


@pytest.mark.slow
def test_stated_uncertainty_holds_the_truth_in_95_of_100_frames(tmp_path):
    """Twenty boards that swing, seeds that nothing was tuned on."""
    inside, squares = [], []
    for seed in range(200, 220):
        a, b, start = np.random.default_rng(seed).uniform([8, 2, 0], [40, 9, 6])

        def angle(t, a=a, b=b, start=start):
            return a + b * math.sin(3 * t + start)

        scene = Scene(angle, seed=seed, k1=-0.08, sigma=2.0)
        track, true, _ = follow(scene, np.arange(36) / FPS, 12, tmp_path / f"{seed}.mp4")
        error = (track.turn_rad - true)[track.seen]
        inside.extend(np.abs(error) < 1.96 * u_of(track)[track.seen])
        squares.extend(np.degrees(error) ** 2)
    assert 0.90 <= float(np.mean(inside)) <= 0.98
    assert math.sqrt(float(np.mean(squares))) < 0.06


@pytest.mark.slow
def test_a_line_costs_a_small_part_of_decoding(tmp_path):
    """Both timed in one run on one clip of 1080p, decoded by one thread."""
    scene = Scene(lambda t: 8 + 6 * t, size=(1920, 1080), length_px=1200.0, hinge_px=(300.0, 900.0))
    times = np.arange(40) / 60
    path = write(tmp_path / "cost.mp4", [scene.picture(t) for t in times], times)
    with clipmark.open_clip(path) as clip:
        follower = started(scene, clip.frame(0).luma, scene.line(0.0), 0, 0.0)
        decoding, following = 0.0, []
        began = time.process_time()
        for frame in clip.frames(0, 39, threads=1):
            luma = frame.luma
            decoding += time.process_time() - began
            began = time.process_time()
            follower.feed(frame.ordinal, frame.time_s, luma)
            following.append(time.process_time() - began)
            began = time.process_time()
    each = float(np.median(following))
    print(f"a frame: {1e3 * decoding / 40:.2f} ms decoding, {1e3 * each:.2f} ms following")
    assert follower.track().seen.all()
    assert each < 0.25 * decoding / 40
