"""A side tilt and a climb come back from the journal and the clip to the last digit."""

import pytest

from clipmark.audit.replay import replay_attempt
from clipmark.clip import open_clip
from clipmark.measure.tilt import measure_tilt
from clipmark.sample import Leg, Motion
from tests.cli.test_tilt_verb import film
from tests.measure import climb_scenes

pytestmark = pytest.mark.slow  # of the tilt a run without a join is in tests/cli/test_tilt_verb.py


def readings(event, attempt):
    return [item.reading for item in replay_attempt(event, attempt).readings]


def test_a_side_tilt_joined_with_the_other_side(event, keep, tmp_path):
    left, right = film("left", tmp_path), film("right", tmp_path)
    with open_clip(left.path) as clip:
        other = measure_tilt(clip, left.frame, **left.marks, square_within_deg=0.5)
    with open_clip(right.path) as clip:
        found = measure_tilt(
            clip, right.frame, **right.marks, square_within_deg=0.5, track_mm=108.0,
            join=other.to_dict(),
        )  # fmt: skip
    assert found.joined is not None
    (again,) = readings(event, keep(event, right.path, "tilt", found.to_dict()))
    assert (again.outcome, again.sentence) == (
        "equal",
        "The tilt reading comes back to the last digit.",
    )


def test_a_climb(event, keep, tmp_path):
    attempt = climb_scenes.Attempt(
        Motion(legs=(Leg(0.2, 5.0, 150.0),)), seconds=1.1, fps=20, finish_mm=190.0, fine=1
    )
    shot = climb_scenes.shoot(attempt, tmp_path / "cleared.mp4")
    (again,) = readings(event, keep(event, shot.path, "climb", shot.read().to_dict()))
    assert again.outcome == "equal", again.sentence
