"""Whether the camera has moved is told from the picture, by how much, and how surely.

Known truth: pictures of the sample clips warped by a known shift, roll and scale, resampled with
a kernel that the code under test does not use, with noise of its own and a foreground that moves
otherwise. The stated uncertainty is tested, not only the value.
"""

import math

import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.marks import Line, Sheet
from clipmark.measure.camera_moved import compare_clips, compare_pictures
from clipmark.sample.media import sample_media_folder

CLIPS = ("siskin-climb", "dipper-creep", "siskin-stall", "whinfell-creep-varying")


@pytest.fixture(scope="module")
def pictures() -> dict[str, np.ndarray]:
    """First frames, 8 bits."""
    found = {}
    for name in CLIPS:
        with open_clip(sample_media_folder() / f"{name}.mp4") as clip:
            found[name] = np.ascontiguousarray(clip.frame(0).luma.astype(np.uint8))
    return found


def moved(
    picture: np.ndarray,
    shift: tuple[float, float],
    roll_deg: float,
    scale: float = 1.0,
    *,
    foreground: bool = True,
    noise: float = 1.5,
    seed: int = 1,
) -> tuple[np.ndarray, np.ndarray]:
    """The picture as a camera moved so would see it, and the true matrix.

    The content turns counter-clockwise by `roll_deg` about the middle. A fifth of the picture, the
    foreground, moves by 40 px more.
    """
    rng = np.random.default_rng(seed)
    height, width = picture.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    turn = math.radians(roll_deg)
    form = scale * np.array(
        [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
    )  # y points down
    matrix = np.column_stack([form, middle + shift - form @ middle])
    flags = cv2.INTER_LANCZOS4
    # What comes into view at the rim was not in the reference picture.
    outside = rng.normal(110, 30, (height // 8, width // 8)).astype(np.float32)
    outside = cv2.resize(outside, (width, height), interpolation=cv2.INTER_CUBIC)
    seen = cv2.warpAffine(
        picture.astype(np.float32), matrix, (width, height), flags=flags, borderValue=-1.0
    )
    seen = np.where(seen < 0, outside, seen)
    if foreground:
        x, y, w, h = width // 3, height // 3, int(width * 0.45), int(height * 0.45)
        away = picture[y : y + h, x : x + w].astype(np.float32)
        seen[y - 20 : y - 20 + h, x + 35 : x + 35 + w] = away
    seen = seen + rng.normal(0, noise, seen.shape)
    return np.clip(seen, 0, 255).astype(np.uint8), matrix


@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize(
    ("shift", "roll_deg", "scale"),
    [((3.3, -1.7), 0.0, 1.0), ((-12.4, 8.9), 0.35, 1.0), ((25.0, 6.0), -1.2, 1.01)],
)
def test_a_known_move_is_recovered_within_its_uncertainty(pictures, name, shift, roll_deg, scale):
    """Four standard uncertainties: beyond them lies one normal value in 16,000."""
    seen, _ = moved(pictures[name], shift, roll_deg, scale)
    found = compare_pictures(pictures[name], seen)
    assert found.state == "moved", found.sentence
    assert np.hypot(*np.subtract(found.shift_px, shift)) < 4 * found.u_shift_px
    assert abs(found.roll_deg - roll_deg) < 4 * found.u_roll_deg
    assert abs(found.scale - scale) < 4 * found.u_scale
    assert found.u_shift_px < 0.5
    assert found.u_roll_deg < 0.05


@pytest.mark.slow
def test_errors_lie_within_the_stated_uncertainty_also_of_carried_lines(pictures):
    """Errors over stated u, in 10 moves, half of them without roll: their rms is below 1.

    Most of u is what pictures of one camera err by alike, which these have none of: so it is
    larger than the errors here, but not ten times.
    """
    shifts, rolls, turns = [], [], []
    rng = np.random.default_rng(7)
    for number in range(10):
        name = CLIPS[1 + number % 3]  # the 720p ones, for time
        shift, roll_deg = tuple(rng.uniform(-15, 15, 2)), float(rng.uniform(-1, 1)) * (number % 2)
        seen, matrix = moved(pictures[name], shift, roll_deg, seed=number)
        found = compare_pictures(pictures[name], seen)
        assert found.state == "moved"
        shifts += [np.subtract(found.shift_px, shift) / found.u_shift_px]
        rolls += [(found.roll_deg - roll_deg) / found.u_roll_deg]
        line = Line(*rng.uniform(0, 700, 4))
        true = np.array(line.as_tuple()).reshape(2, 2) @ matrix[:, :2].T + matrix[:, 2]
        off_deg = found.carried_line(line).shown_deg - Line(*true.ravel()).shown_deg
        turns += [off_deg / found.carry_u_deg(line)]
    for ratios in (shifts, rolls, turns):
        assert 0.1 < np.sqrt(np.mean(np.square(ratios))) < 1.0


def test_a_camera_that_was_carried_away_and_put_back_is_found(pictures):
    """150 px and 6 deg: too far to be followed, but the same things are seen."""
    seen, _ = moved(pictures["siskin-climb"], (150.0, -60.0), 6.0)
    found = compare_pictures(pictures["siskin-climb"], seen)
    assert found.state == "moved"
    assert np.hypot(*np.subtract(found.shift_px, (150.0, -60.0))) < 4 * found.u_shift_px
    assert abs(found.roll_deg - 6.0) < 4 * found.u_roll_deg


@pytest.mark.parametrize("name", CLIPS)
def test_a_camera_that_stood_still_is_the_same(pictures, name):
    seen, _ = moved(pictures[name], (0.0, 0.0), 0.0)
    found = compare_pictures(pictures[name], seen)
    assert found.state == "same", found.sentence
    assert found.sentence.startswith("The camera stands as it did")


def test_a_later_frame_of_the_same_clip_is_the_same_although_the_truck_has_moved():
    with open_clip(sample_media_folder() / "siskin-stall.mp4") as clip:
        found = compare_clips(clip, 0, clip, clip.frame_count - 1)
    assert found.state == "same", found.sentence


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("siskin-stall", "dipper-creep"),
        ("siskin-stall", "whinfell-creep-varying"),
        ("dipper-creep", "whinfell-creep-varying"),
    ],
)
def test_of_another_scene_it_says_that_it_cannot_tell(pictures, one, other):
    found = compare_pictures(pictures[one], pictures[other])
    assert found.state == "cannot tell"
    assert found.sentence.startswith("It cannot be told whether the camera has moved: ")
    assert found.sentence.endswith("; mark the stand again on this clip.")


def test_of_pictures_of_another_size_it_says_so(pictures):
    found = compare_pictures(pictures["siskin-climb"], pictures["siskin-stall"])
    assert found.sentence == (
        "It cannot be told whether the camera has moved: the pictures have different sizes "
        "(1920 x 1080 and 1280 x 720 px); mark the stand again on this clip."
    )


def test_of_a_picture_without_texture_it_cannot_tell():
    grey = np.full((720, 1280), 90, dtype=np.uint8)
    assert compare_pictures(grey, grey).state == "cannot tell"


def test_marks_are_carried_over_with_the_picture(pictures):
    """The true place of every mark is known from the warp; half a pixel is what a mark is worth."""
    shift, roll_deg = (14.0, -9.0), 0.8
    seen, matrix = moved(pictures["siskin-climb"], shift, roll_deg)
    found = compare_pictures(pictures["siskin-climb"], seen)
    line = Line(113.1, 772.2, 801.3, 746.8)
    true = np.array(line.as_tuple()).reshape(2, 2) @ matrix[:, :2].T + matrix[:, 2]
    assert np.abs(np.array(found.carried_line(line).as_tuple()) - true.ravel()).max() < 0.5
    turned = found.carried_line(line).shown_deg - line.shown_deg
    assert turned == pytest.approx(roll_deg, abs=0.02)  # counter-clockwise as seen
    sheet = Sheet.from_values([100, 100, 400, 110, 390, 300, 95, 290], (297, 210), 0.3)
    carried = found.carried_sheet(sheet)
    assert (carried.width_mm, carried.height_mm, carried.side_u_mm) == (297, 210, 0.3)
    place = np.array([100.0, 100.0]) @ matrix[:, :2].T + matrix[:, 2]
    assert np.hypot(carried.corners[0].x - place[0], carried.corners[0].y - place[1]) < 0.5


def test_the_uncertainty_of_the_roll_adds_to_that_of_the_level(pictures):
    """JCGM 100:2008, equation 10: independent, so in quadrature; and a roll that was not undone."""
    picture = pictures["siskin-stall"]
    found = compare_pictures(picture, moved(picture, (9.0, 0.0), 0.5)[0])
    assert found.level_u_deg(0.03) == pytest.approx(np.hypot(0.03, found.u_roll_deg))
    same = compare_pictures(picture, moved(picture, (0.0, 0.0), 0.0)[0])
    left = np.hypot(same.u_roll_deg, same.roll_deg)
    assert same.level_u_deg(0.03) == pytest.approx(np.hypot(0.03, left))


def test_of_a_camera_put_aside_so_that_near_things_shift_more_it_cannot_tell(pictures):
    """The lower half of the picture lies 3 px off the upper: no one move carries both."""
    picture = pictures["siskin-climb"]
    near, _ = moved(picture, (3.0, 0.0), 0.0, foreground=False)
    far, _ = moved(picture, (0.0, 0.0), 0.0, foreground=False, seed=2)
    half = len(picture) // 2
    far[half:] = near[half:]
    found = compare_pictures(picture, far)
    assert found.state == "cannot tell"
    assert found.sentence == (
        "It cannot be told whether the camera has moved: fixed things lie 1.0 px (rms) off any one "
        "move of the picture, as when the camera was put elsewhere, and near things have shifted "
        "more than far ones; mark the stand again on this clip."
    )
