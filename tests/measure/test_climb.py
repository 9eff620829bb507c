"""One rendered attempt, cleared, with all marks and with hardly any; what is refused."""

import pytest

import clipmark
from clipmark.errors import MarkError
from clipmark.sample import Leg, Motion
from tests.measure import climb_scenes as kit


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """640 x 360, 20 frames/s, 1.1 s: from rest up to 150 mm/s, over the line after about 0.8 s."""
    attempt = kit.Attempt(
        Motion(legs=(Leg(0.2, 5.0, 150.0),)), seconds=1.1, fps=20, finish_mm=190.0, fine=1
    )
    return kit.shoot(attempt, tmp_path_factory.mktemp("climb") / "cleared.mp4")


@pytest.fixture(scope="module")
def reading(shot):
    return shot.read()


def test_a_truck_over_the_line_is_proposed_as_cleared_within_a_frame(shot, reading):
    assert (reading.proposed, reading.reason_code) == ("cleared", "cleared")
    assert abs(reading.finish_t_s - shot.finish_t_s()) < 1 / 20
    assert reading.to_dict()["finish_point"] == "contact point of the rear-most tyre"


def test_the_finish_lies_within_its_interval(shot, reading):
    out = reading.to_dict()
    assert out["finish_t_low95_s"] < shot.finish_t_s() < out["finish_t_high95_s"]


def test_a_board_that_stood_is_said_to_have_stood_at_its_true_angle(reading):
    moved = reading.to_dict()["board_moved"]
    assert moved["moved"] is False
    assert moved["ramp_decided_deg"] == pytest.approx(38.0, abs=moved["ramp_decided_u95_deg"])
    assert moved["ramp_decided_frame"] == reading.to_dict()["decided_frame"]


def test_with_patch_and_ramp_alone_the_rest_is_said_to_be_missing(shot):
    """No finish, no wheels, no level, no scale: lengths in px, no angle, nothing proposed."""
    bare = shot.read(
        ("hubs", "wheels", "wheel_mm", "finish", "plumb", "scale", "scale_mm")
    ).to_dict()
    assert bare["proposed"] == "unclear"
    assert bare["reason"].startswith("no finish line was marked")
    assert bare["progress_mm"] is None
    assert bare["progress_px"] > 50
    assert bare["ramp"] is None
    told = " ".join(bare["warnings"])
    for missing in ("(--finish)", "(--hubs)", "(--wheel)", "(--level", "(--scale"):
        assert missing in told


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mode": "sideways"}, "give climb or descend"),
        ({"ramp": (100, 300, 500, 295)}, "up and down cannot be told"),
        ({"finish": (150, 300, 300, 180)}, "runs along the ramp line"),
        ({"give_up_s": -1.0}, "without progress"),
    ],
)
def test_marks_that_cannot_mean_what_they_say_are_refused(shot, change, words):
    with clipmark.open_clip(shot.path) as clip, pytest.raises(MarkError, match=words):
        clipmark.measure_climb(clip, 0, **{**shot.options, **change})


def test_a_proposal_is_no_verdict(reading):
    """Nothing that is printed is called a verdict."""
    assert not any("verdict" in key for key in reading.to_dict())


def test_a_camera_held_by_hand_does_not_move_the_board(tmp_path):
    attempt = kit.Attempt(
        Motion(legs=(Leg(0.2, 5.0, 150.0),)), seconds=1.1, fps=20, fine=1, tremor_deg=0.15
    )
    moved = kit.shoot(attempt, tmp_path / "by_hand.mp4").read().to_dict()["board_moved"]
    assert moved["moved"] is False
    assert abs(moved["by_deg"]) < 0.1  # the picture rolls by five times as much
