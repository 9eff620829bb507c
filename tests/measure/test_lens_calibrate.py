"""A lens from rendered boards whose lens is known exactly, and everything that is refused."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from clipmark.errors import LensError
from clipmark.geometry.distortion import pixels_to_rays
from clipmark.measure.lens_board import Sighting, board_of, find_board
from clipmark.measure.lens_calibrate import calibrate_lens, lens_from
from clipmark.measure.lens_views import SeenBoard, SeenBoards, look
from clipmark.sample.board import (
    BoardLook,
    BoardPictures,
    BoardPose,
    PrintedBoard,
    bent_board,
    corners_px,
    pose_path,
    varied_poses,
    write_board_clip,
    write_board_photos,
)
from clipmark.sample.board_camera import BoardCamera, barrel

BOARD = PrintedBoard()
ASKED = board_of("9x6", 25.0)
PLAIN = BoardCamera(640, 480, 520, 523, 324, 236)
ROOMY = {"inset_px": 14.0, "across": (0.3, 0.62)}  # the whole pattern, and its margin


def photos(folder, camera, board=BOARD, count=11, seed=2, look=None, **how):
    poses = varied_poses(board, camera, count, seed, **{**ROOMY, **how})
    write_board_photos(BoardPictures(board, camera, look), poses, folder)
    return folder


def seen_of(camera, board=BOARD, count=10, seed=2, **how):
    """Sightings as if found: the true corners with 0.03 px of noise, nothing drawn."""
    rng = np.random.default_rng(seed)
    boards = []
    for k, pose in enumerate(varied_poses(board, camera, count, seed, **{**ROOMY, **how})):
        true = corners_px(board, camera, pose)
        found = Sighting(true + rng.normal(0, 0.03, true.shape), 25.0, 1.0)
        boards.append(SeenBoard(f"photo {k}", None, found))
    size = (camera.width, camera.height)
    return SeenBoards(size, camera.aspect, tuple(boards), count, None, None)


def truth(camera):
    return np.array([camera.fx, camera.fy, camera.cx, camera.cy, *camera.distortion])


def off_px(lens, camera, reach=0.85):
    """RMS, px, by which directions are off over the picture, a turn of the camera apart."""
    x = np.linspace(0.5 - reach / 2, 0.5 + reach / 2, 9)
    grid = np.stack(np.meshgrid(x * camera.width, x * camera.height), axis=-1).reshape(1, -1, 2)
    rays = []
    for params in (lens.params, truth(camera)):
        ray = pixels_to_rays(grid[0], params[None])[0]
        ray = np.column_stack([ray, np.ones(len(ray))])
        rays.append(ray / np.linalg.norm(ray, axis=1, keepdims=True))
    u, _, vt = np.linalg.svd(rays[0].T @ rays[1])  # the turn between them, after Kabsch
    off = rays[0] @ (u @ vt) - rays[1]
    return camera.fx * float(np.sqrt(np.mean(np.sum(np.square(off), axis=1))))


@pytest.fixture(scope="module")
def strong(tmp_path_factory):
    """Eleven photographs through a lens that pulls the corner in by 20 %."""
    camera = barrel(0.2, PLAIN)
    return camera, photos(tmp_path_factory.mktemp("strong"), camera)


@pytest.fixture(scope="module")
def strong_seen(strong):
    return look([strong[1]], ASKED)


@pytest.fixture(scope="module")
def strong_lens(strong_seen):
    return lens_from(strong_seen, ASKED)


def test_a_barrel_of_20_percent_is_recovered(strong, strong_lens):
    """0.1 px over 85 % of the picture: at a focal length of 520 px that is 0.011 deg."""
    camera, _ = strong
    assert strong_lens.lens.model == "ordinary"
    assert off_px(strong_lens.lens, camera) < 0.1
    u = np.sqrt(np.diag(strong_lens.lens.covariance))
    assert np.abs(strong_lens.lens.params - truth(camera))[:4].max() < 4 * u[:4].max()
    assert u[0] < 0.5


def test_angles_through_a_lens_of_20_percent_are_good_to_0_03_deg(strong, strong_lens):
    """500 pairs of lines, 120 px and longer, in 85 % of the picture, square to the camera."""
    camera, _ = strong
    rng = np.random.default_rng(4)
    half = np.array([camera.width, camera.height]) * 0.85 / 2
    ends = (np.array([319.5, 239.5]) + rng.uniform(-half, half, (1400, 2, 2))).reshape(-1, 2)
    leans = []
    for params in (strong_lens.lens.params, truth(camera)):
        rays = pixels_to_rays(ends, params[None])[0].reshape(-1, 2, 2)
        step = rays[:, 1] - rays[:, 0]
        leans.append(np.degrees(np.arctan2(step[:, 1], step[:, 0])))
    long = np.hypot(*np.diff(ends.reshape(-1, 2, 2), axis=1)[:, 0].T) >= 120
    off = np.sin(np.radians(leans[0] - leans[1]))[long][:1000].reshape(-1, 2)
    assert len(off) == 500
    apart_deg = np.degrees(np.diff(off, axis=1))
    assert np.sqrt(np.mean(np.square(apart_deg))) <= 0.03


def test_a_fisheye_is_told_from_an_ordinary_lens():
    camera = BoardCamera(640, 480, 290, 290, 318, 242, (0.03, -0.012, 0.004, -0.001), "fisheye")
    found = lens_from(seen_of(camera, count=10, across=(0.3, 0.55)), ASKED)
    assert found.lens.model == "fisheye"
    assert off_px(found.lens, camera, reach=0.8) < 0.15


def test_the_lens_belongs_to_the_square_picture():
    """Pixels 4:3 wide: the lens is that of the picture 640 px wide that is stored in 480."""
    camera = BoardCamera(480, 480, 520, 523, 324, 236, (-0.1, 0, 0, 0, 0), pixel_aspect=(4, 3))
    found = lens_from(seen_of(camera), ASKED, model="ordinary")
    assert found.lens.image_size == (640, 480)
    assert found.lens.params[:4] == pytest.approx(truth(camera)[:4], abs=0.5)


@pytest.mark.slow
def test_a_fisheye_is_recovered_from_pictures(tmp_path):
    camera = BoardCamera(640, 480, 290, 290, 318, 242, (0.03, -0.012, 0.004, -0.001), "fisheye")
    found = calibrate_lens([photos(tmp_path, camera, across=(0.3, 0.55))], ASKED)
    assert found.lens.model == "fisheye"
    assert off_px(found.lens, camera, reach=0.8) < 0.15


@pytest.mark.slow
def test_markers_let_a_board_leave_the_picture(tmp_path):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    markers = np.array([cv2.aruco.generateImageMarker(dictionary, i, 6) for i in range(17)]) > 0
    board = PrintedBoard(inner=(6, 4), square_mm=30, markers=markers, marker_mm=22)
    camera = barrel(0.1, PLAIN)
    folder = photos(tmp_path, camera, board, count=7, inset_px=-60.0, across=(0.5, 0.8))
    asked = board_of("6x4", 30.0, "4x4_50", 22.0)
    found = calibrate_lens([folder], asked, model="ordinary")
    assert min(len(view.corners_px) for view in found.used) < 24
    assert off_px(found.lens, camera) < 0.2


def test_a_clip_is_calibrated_from_frames_it_picks_itself(tmp_path):
    camera = barrel(0.1, BoardCamera(400, 300, 325, 325, 202, 147))
    poses = pose_path(varied_poses(BOARD, camera, 8, 3, **ROOMY), 48)
    clip = tmp_path / "board.mp4"
    write_board_clip(BoardPictures(BOARD, camera, BoardLook(supersample=1)), poses, clip)
    done = []
    found = calibrate_lens(
        [clip], ASKED, model="ordinary", progress=lambda k, n: done.append((k, n))
    )
    assert done[-1] == (48, 48)
    assert all(0 <= view.frame < 48 for view in found.used)
    assert found.clip_sha256 is not None
    assert off_px(found.lens, camera) < 0.2


def test_wrong_squares_scale_the_board_and_not_the_lens(strong_seen, strong_lens):
    twice = lens_from(strong_seen, board_of("9x6", 50.0), model="ordinary")
    assert np.allclose(twice.lens.params, strong_lens.lens.params, rtol=1e-4, atol=1e-6)


def test_a_slight_bend_is_told_and_allowed_for():
    camera = barrel(0.1, PLAIN)
    seen = seen_of(camera, bent_board(BOARD, 1.2), 12)
    found = lens_from(seen, ASKED, model="ordinary")
    assert found.bend_mm == pytest.approx(1.2, abs=0.15)
    assert any("the board is bent: it leaves its plane by 1." in w for w in found.warnings)
    assert off_px(found.lens, camera) < 0.15


def test_a_bent_board_is_refused_with_its_bend():
    seen = seen_of(barrel(0.1, PLAIN), bent_board(BOARD, 5.0))
    with pytest.raises(LensError) as e:
        lens_from(seen, ASKED, model="ordinary")
    assert re.fullmatch(
        r"the board is bent: it leaves its plane by (4\.[5-9]|5\.\d) mm over 200 mm, and 2\.0 mm "
        "is the most that can be put right; glue it to something stiff and flat, and film it again",
        str(e.value),
    )


def test_a_spoiled_view_is_left_out(strong_seen, strong_lens):
    boards = list(strong_seen.boards)
    rng = np.random.default_rng(1)
    wrong = boards[4].sighting.corners_px + rng.normal(0, 6.0, (54, 2))
    boards[4] = replace(boards[4], sighting=replace(boards[4].sighting, corners_px=wrong))
    found = lens_from(replace(strong_seen, boards=tuple(boards)), ASKED, model="ordinary")
    assert found.left_out == (boards[4].name,)
    assert np.allclose(found.lens.params[:4], strong_lens.lens.params[:4], atol=0.5)


def test_another_count_of_squares_is_named(strong):
    with pytest.raises(LensError) as e:
        calibrate_lens([strong[1] / f"board{k:02d}.png" for k in (1, 2)], board_of("7x5", 25.0))
    assert str(e.value) == (
        "no board with 7 x 5 inner corners was found in 2 pictures, but one with 9 x 6 inner "
        "corners was; give the number of inner corners of the board that was filmed (--board)"
    )


def test_no_board_at_all_is_said(tmp_path):
    cv2.imwrite(str(tmp_path / "wall.png"), np.full((240, 320), 120, np.uint8))
    with pytest.raises(LensError) as e:
        calibrate_lens([tmp_path], ASKED)
    assert str(e.value) == (
        "no board with 9 x 6 inner corners was found in 1 picture; show the whole board with its "
        "white margin, sharp and evenly lit, and check the numbers (--board)"
    )


def test_too_few_views_are_refused(strong_seen):
    with pytest.raises(LensError) as e:
        lens_from(replace(strong_seen, boards=strong_seen.boards[:4], looked_at=30), ASKED)
    assert str(e.value) == (
        "the board was found in 4 of 30 pictures, but at least 6 different views are needed; film "
        "it longer, or take more photographs"
    )


@pytest.mark.parametrize(
    ("tilt_deg", "said"),
    [
        (25.0, "the board is seen from one side only: all views lean the same way, by about 2"),
        (1.0, "the views are too similar: the two most different show the board only "),
    ],
)
def test_a_board_held_the_same_way_throughout_is_refused(strong_seen, tilt_deg, said):
    """Only its place changes, by little; found corners are taken from the truth."""
    camera = barrel(0.1, PLAIN)
    turn = cv2.Rodrigues(np.array([0.0, np.radians(tilt_deg), 0.0]))[0]
    rng = np.random.default_rng(3)
    alike = []
    for k, seen in enumerate(strong_seen.boards[:8]):
        pose = BoardPose(turn, np.array([5.0 * k - 20, 4.0 * k - 16, 420.0 + 6 * k]))
        corners = corners_px(BOARD, camera, pose) + rng.normal(0, 0.03, (54, 2))
        alike.append(replace(seen, sighting=replace(seen.sighting, corners_px=corners)))
    with pytest.raises(LensError) as e:
        lens_from(replace(strong_seen, boards=tuple(alike)), ASKED, model="ordinary")
    assert str(e.value).startswith(said)
    assert str(e.value).endswith("tilt it to the left, right, up and down by 20 to 40 deg")


def test_a_blurred_board_is_refused(strong_seen):
    """As measured in one picture with a blur of 3.4 px, for all of them."""
    camera = BoardCamera(320, 240, 260, 260, 160, 120)
    pose = varied_poses(BOARD, camera, 1, 2, across=(0.6, 0.62), tilt_deg=(5, 10))[0]
    soft = BoardPictures(BOARD, camera, BoardLook(blur_px=3.4)).luma([pose]).astype(np.uint8)
    sighting = find_board(soft, ASKED)
    assert sighting.blur_px == pytest.approx(3.4, rel=0.25)
    blurred = tuple(replace(b, sighting=sighting) for b in strong_seen.boards)
    with pytest.raises(LensError) as e:
        lens_from(replace(strong_seen, boards=blurred), ASKED)
    assert re.fullmatch(
        r"the board is blurred: its edges are spread over 1\d % of a square \(standard deviation\)"
        r", and only 0 of 11 views are sharp enough; hold it still at each place, in better light, "
        r"and let the camera focus",
        str(e.value),
    )


def test_a_board_too_small_in_the_picture_is_refused(strong_seen):
    """The sightings of a board whose squares are 5 px wide."""
    tiny = [replace(b, sighting=replace(b.sighting, square_px=5.0)) for b in strong_seen.boards]
    with pytest.raises(LensError) as e:
        lens_from(replace(strong_seen, boards=tuple(tiny)), ASKED)
    assert str(e.value) == (
        "the board is too small in the picture: its squares are 5.0 px wide, and 8 px are needed; "
        "hold it nearer, or print larger squares"
    )


def test_photographs_of_two_sizes_are_refused(tmp_path):
    for name, shape in (("a.png", (240, 320)), ("b.png", (320, 240))):
        cv2.imwrite(str(tmp_path / name), np.full(shape, 120, np.uint8))
    with pytest.raises(LensError) as e:
        calibrate_lens([tmp_path], ASKED)
    assert str(e.value) == (
        "b.png has 240 x 320 px, but a.png has 320 x 240: a lens file belongs to one size of "
        "picture, held one way up; take out the odd ones"
    )


def test_photographs_that_are_none_are_refused(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"not a picture")
    with pytest.raises(LensError) as e:
        calibrate_lens([tmp_path], ASKED)
    assert str(e.value) == (
        "none of the 1 photographs can be read as a picture, the first being a.jpg; copy them from "
        "the camera again"
    )


def test_a_folder_without_photographs_is_refused(tmp_path):
    with pytest.raises(LensError, match=r"holds no photographs \(JPEG, PNG, TIFF, BMP or WebP\)"):
        calibrate_lens([tmp_path], ASKED)


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (("9by6", 25.0), "the board '9by6' (--board) is not two whole numbers; give its inner"),
        (("2x6", 25.0), "a board of 2x6 inner corners (--board) cannot be used; it must have 3"),
        (("9x6", 0.0), "squares of 0 mm (--square-mm) cannot be; measure one side of a printed"),
        (("7x5", 30.0, "4x4_50"), "a board with markers needs the side of a marker (--marker-mm)"),
        (("7x5", 30.0, "nought", 20.0), "no marker dictionary is called 'nought' (--charuco)"),
        (("12x12", 30.0, "4x4_50", 20.0), "a board of 12x12 inner corners needs 84"),
        (("9x6", 25.0, None, 20.0), "a marker size (--marker-mm) was given without a dictionary"),
    ],
)
def test_what_is_no_board_is_refused(how, said):
    with pytest.raises(LensError) as e:
        board_of(*how)
    assert str(e.value).startswith(said)


def test_empty_corners_of_the_picture_are_named():
    seen = seen_of(barrel(0.1, PLAIN), inset_px=130.0, across=(0.3, 0.4))
    found = lens_from(seen, ASKED, model="ordinary")
    assert found.cover.share < 0.6
    assert found.cover.empty == ("top left", "top right", "bottom right", "bottom left")
    corners = "the picture's top left, top right, bottom right and bottom left corners; there it is"
    assert any(corners in warning for warning in found.warnings)
