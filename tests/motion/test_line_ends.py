"""A line without a straight edge, followed by its ends: pictures turned by known angles."""

import math

import cv2
import numpy as np
import pytest
from skimage import data

from clipmark.errors import FollowError
from clipmark.motion.line_ends import EndsFollower

LINE = np.array([[150.0, 210.0], [360.0, 195.0]])
ABOUT = (230.0, 260.0)
SIGMA = 1.5


def same(points):
    return np.asarray(points, dtype=float)


@pytest.fixture(scope="module")
def ground():
    """A photograph without a straight edge along the line (scikit-image's gravel)."""
    return cv2.GaussianBlur(data.gravel()[:420, :512].astype(np.float32), (0, 0), 0.9)


def turned(ground, deg, rng, shift=(0.0, 0.0)):
    """The ground turned clockwise as seen about a point, shifted, with noise."""
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    x, y = ABOUT
    matrix = np.array([[c, -s, x - c * x + s * y + shift[0]], [s, c, y - s * x - c * y + shift[1]]])
    out = cv2.warpAffine(ground, matrix, (512, 420), flags=cv2.INTER_LANCZOS4, borderMode=4)
    seen = np.clip(np.rint(out + rng.normal(0, SIGMA, out.shape)), 16, 235).astype(np.uint8)
    return seen, LINE @ matrix[:, :2].T + matrix[:, 2]


def follower(luma, line=LINE):
    return EndsFollower(
        luma, line, "chassis line", ordinal=0, t_s=0.0, aspect=1.0, noise=SIGMA,
        to_straight=same, from_straight=same,
    )  # fmt: skip


@pytest.fixture(scope="module")
def followed(ground):
    rng = np.random.default_rng(5)
    turns = np.linspace(0, 40, 60)
    pictures = [turned(ground, deg, rng, (0.02 * deg, -0.05 * deg)) for deg in turns]
    by_ends = follower(pictures[0][0])
    for k, (luma, _) in enumerate(pictures):
        by_ends.feed(k, k / 30, luma)
    return turns, np.array([ends for _, ends in pictures]), by_ends.track()


def test_the_turn_is_that_of_the_picture(followed):
    turns, _, track = followed
    assert track.seen.all()
    wrong = np.degrees(track.turn_rad) - turns
    assert np.sqrt(np.mean(wrong**2)) < 0.04


def test_the_ends_are_carried_to_where_they_went(followed):
    _, ends, track = followed
    assert np.abs(track.ends_px - ends).max() < 0.3


def test_turns_lie_within_their_stated_intervals(followed):
    turns, _, track = followed
    wrong = np.degrees(track.turn_rad) - turns
    assert np.mean(np.abs(wrong) <= 1.96 * np.degrees(track.u_turn_rad)) >= 0.95


def test_an_end_that_is_covered_is_told_and_found_again(ground):
    rng = np.random.default_rng(6)
    by_ends = follower(turned(ground, 0, rng)[0])
    for k in range(30):
        luma, _ = turned(ground, 0.3 * k, rng)
        if 10 <= k < 16:
            luma[120:300, 300:460] = 90
        by_ends.feed(k, k / 30, luma)
    track = by_ends.track()
    assert not track.seen[10:16].any()
    assert set(track.reasons[10:16]) == {"hidden"}
    assert track.seen[17:].all()


def test_an_end_without_texture_is_refused_by_name():
    flat = np.full((420, 512), 110, dtype=np.uint8)
    with pytest.raises(FollowError, match="first end of the chassis line has too little texture"):
        follower(flat)


def test_a_line_too_short_for_two_patches_is_refused(ground):
    luma, _ = turned(ground, 0, np.random.default_rng(1))
    with pytest.raises(FollowError, match="30 px long, too short to be followed by its ends"):
        follower(luma, np.array([[100.0, 100.0], [130.0, 100.0]]))
