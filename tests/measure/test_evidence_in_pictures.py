"""Everything that shows the plane, drawn by a camera of the tests' own and read from the picture.

A pinhole turned against a wall: printed tags, a sheet, two strings, two level edges and a board.
The picture is the wall seen through the wall-to-picture homography, two samples to a pixel.
"""

import math

import av
import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.errors import MarkError
from clipmark.geometry.lens import Lens
from clipmark.marks import Sheet
from clipmark.measure.angle import measure_angle
from clipmark.measure.tags import Tags

WIDTH, HEIGHT, F_PX, DISTANCE = 960, 540, 1000.0, 1200.0
LENS = Lens(
    "ordinary", F_PX, F_PX, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, (0.0,) * 5, (WIDTH, HEIGHT),
    np.diag([1.0, 1, 1, 1, 1e-8, 0, 0, 0, 0]),
)  # fmt: skip
YAW_DEG, PITCH_DEG, RAMP_DEG = 9.0, -6.0, 33.0
SAMPLES = 2  # per pixel, each way
TAGS_MM = {3: (-420.0, 120.0), 7: (330.0, -250.0)}  # top left corners, x right, y down
TAG_MM = 90.0
SHEET_MM = (150.0, 60.0, 297.0, 210.0)  # left, top, width, height


def wall_to_picture(points_mm):
    a, b = math.radians(YAW_DEG), math.radians(PITCH_DEG)
    yaw = np.array([[math.cos(a), 0, -math.sin(a)], [0, 1, 0], [math.sin(a), 0, math.cos(a)]])
    pitch = np.array([[1, 0, 0], [0, math.cos(b), math.sin(b)], [0, -math.sin(b), math.cos(b)]])
    space = np.atleast_2d(points_mm) @ (pitch @ yaw)[:, :2].T + [0, 0, DISTANCE]
    return F_PX * space[:, :2] / space[:, 2:] + [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]


def wall(x, y, string_turn_deg=0.0):
    """Reflectance of the wall at positions, mm."""
    value = 0.55 + 0.05 * np.sin(x / 41.0) * np.cos(y / 37.0)
    left, top, width, height = SHEET_MM
    value = np.where((x > left) & (x < left + width) & (y > top) & (y < top + height), 0.95, value)
    for number, (x0, y0) in TAGS_MM.items():
        cells = cv2.aruco.generateImageMarker(
            cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), number, 6
        )
        near = (np.abs(x - x0 - TAG_MM / 2) < 65) & (np.abs(y - y0 - TAG_MM / 2) < 65)
        value = np.where(near, 0.95, value)
        column = np.floor((x - x0) / TAG_MM * 6).astype(int)
        row = np.floor((y - y0) / TAG_MM * 6).astype(int)
        inside = (column >= 0) & (column < 6) & (row >= 0) & (row < 6)
        ink = cells[row.clip(0, 5), column.clip(0, 5)] > 0
        value = np.where(inside, np.where(ink, 0.95, 0.06), value)
    for x0, turn in ((-460.0, string_turn_deg), (100.0, 0.0)):
        off = (x - x0) * math.cos(math.radians(turn)) + (y + 200) * math.sin(math.radians(turn))
        value = np.where((np.abs(off) < 1.6) & (y > -260) & (y < 240), 0.08, value)
    for y0 in (-285.0, 290.0):
        value = np.where(np.abs(y - y0) < 9, 0.2, value)
    a = math.radians(RAMP_DEG)
    up = (x + 200) * math.sin(a) + (y + 20) * math.cos(a)  # positive below the board's top edge
    along = (x + 200) * math.cos(a) - (y + 20) * math.sin(a)
    return np.where((up > 0) & (up < 28) & (np.abs(along) < 220), 0.2, value)


def picture(string_turn_deg=0.0):
    step = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    u = (np.arange(WIDTH)[:, None] + step).ravel()
    v = (np.arange(HEIGHT)[:, None] + step).ravel()
    corners = np.array([[-500.0, -300], [500, -300], [500, 300], [-500, 300]], dtype=np.float32)
    seen = wall_to_picture(corners).astype(np.float32)
    back = np.linalg.inv(cv2.getPerspectiveTransform(corners, seen).astype(np.float64))
    rays = np.stack(np.broadcast_arrays(u[None, :], v[:, None], 1.0), axis=-1) @ back.T
    fine = wall(rays[..., 0] / rays[..., 2], rays[..., 1] / rays[..., 2], string_turn_deg)
    small = fine.reshape(HEIGHT, SAMPLES, WIDTH, SAMPLES).mean(axis=(1, 3))
    return 16 + 219 * cv2.GaussianBlur(small, (0, 0), 0.7)


def write(path, pictures, fps=30):
    rng = np.random.default_rng(3)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "14"}
        for number, drawn in enumerate(pictures):
            noisy = np.clip(np.round(drawn + rng.normal(0, 1.5, drawn.shape)), 16, 235)
            planes = np.concatenate(
                [noisy.astype(np.uint8), np.full((HEIGHT // 2, WIDTH), 128, np.uint8)]
            )
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    drawn = picture()
    with open_clip(write(tmp_path_factory.mktemp("wall") / "wall.mp4", [drawn] * 4)) as clip:
        yield clip


def rough(*ends_mm):
    """A line marked a few px off its true ends."""
    (x1, y1), (x2, y2) = wall_to_picture(np.array(ends_mm))
    return (x1 + 2.0, y1 - 1.5, x2 - 1.0, y2 + 2.0)


A = math.radians(RAMP_DEG)
EDGE = np.array([-200.0, -20.0]) + np.outer([-190, 190], [math.cos(A), -math.sin(A)])
RAMP = rough(*EDGE)
PLUMBS = [rough([-460, -170], [-460, 90]), rough([100, -240], [100, 40])]
LEVELS = [rough([-380, -276], [300, -276]), rough([-300, 281], [380, 281])]
LEFT, TOP, SIDE_MM, DOWN_MM = SHEET_MM
CORNERS = wall_to_picture(
    [[LEFT, TOP], [LEFT + SIDE_MM, TOP], [LEFT + SIDE_MM, TOP + DOWN_MM], [LEFT, TOP + DOWN_MM]]
) + np.array([[2, 1], [-2, 2], [1, -2], [-1, 2]])
SHEET = Sheet.from_values(CORNERS.tolist(), (SIDE_MM, DOWN_MM))
EVIDENCE = {
    "tags": {"plumb": PLUMBS[1], "tags": Tags("4x4_50", TAG_MM)},
    "sheet": {"plumb": PLUMBS[1], "sheet": SHEET},
    "sheet and tags": {"plumb": PLUMBS[1], "sheet": SHEET, "tags": Tags("4x4_50", TAG_MM)},
    "sheet and four lines": {"plumb": PLUMBS, "level": LEVELS, "sheet": SHEET},
    "four lines": {"plumb": PLUMBS, "level": LEVELS, "square_within_deg": 15.0},
    "one plumb and one level": {
        "plumb": PLUMBS[1], "level": LEVELS[1], "square_within_deg": 12.0,
    },
}  # fmt: skip


def read(clip, what):
    """With few draws: ends of intervals good to 3 % of their length."""
    return measure_angle(
        clip, 1, ramp=RAMP, lens=LENS, draws=3000, budget_draws=0, **EVIDENCE[what]
    )


OFTEN = ("tags", "sheet and four lines", "one plumb and one level")
KINDS = [what if what in OFTEN else pytest.param(what, marks=pytest.mark.slow) for what in EVIDENCE]


@pytest.mark.parametrize("what", KINDS)
def test_the_board_s_angle_lies_in_the_interval_that_each_kind_of_evidence_states(still, what):
    reading = read(still, what)
    ramp = reading.values["ramp"]
    assert ramp.low95 <= RAMP_DEG <= ramp.high95


@pytest.mark.parametrize(("what", "within_deg"), [("sheet and four lines", 0.05)])
def test_evidence_of_the_plane_leaves_little_of_a_view_askew(still, what, within_deg):
    """Against the level edge as both are shown the board is off by more than half a degree."""
    reading = read(still, what)
    ramp, level = wall_to_picture(EDGE), wall_to_picture([[-300, 281], [380, 281]])
    ramp_shown, level_shown = (
        math.degrees(math.atan2(a[1] - b[1], b[0] - a[0])) for a, b in (ramp, level)
    )
    assert abs(ramp_shown - level_shown - RAMP_DEG) > 0.5
    assert reading.ramp_deg == pytest.approx(RAMP_DEG, abs=within_deg)


@pytest.mark.slow
def test_lines_that_speak_for_the_plane_say_more_than_one_of_each(still):
    both = read(still, "one plumb and one level")
    four = read(still, "four lines")
    assert four.ramp_u95_deg < both.ramp_u95_deg / 4


def test_what_was_declared_can_be_declared_again_from_the_reading(still):
    settings = read(still, "sheet and tags").settings
    assert Tags.from_dict(settings["tags"]) == Tags("4x4_50", TAG_MM)
    assert settings["sheet"]["size_mm"] == [SIDE_MM, DOWN_MM]
    assert settings["square_within_deg"] is None


@pytest.mark.parametrize(
    ("tags", "sentence"),
    [
        (
            Tags("5x5_50", 90.0),
            "no tag of the dictionary 5x5_50 is seen in this picture; check the dictionary's name, "
            "that the tags are in view with their white border, and the light",
        ),
    ],
)
def test_tags_that_are_not_there_are_refused(still, tags, sentence):
    with pytest.raises(MarkError) as refused:
        measure_angle(still, 1, ramp=RAMP, plumb=PLUMBS[1], lens=LENS, tags=tags)
    assert str(refused.value) == sentence


@pytest.mark.slow
def test_a_swinging_plumb_line_is_told_and_its_swing_is_in_the_interval(tmp_path):
    """A quarter of a degree to either side in 1.4 s; the board is read where the bob is far out."""
    pictures = [picture(0.25 * math.sin(2 * math.pi * (k - 0.5) / 14)) for k in range(9)]
    path = write(tmp_path / "swing.mp4", pictures, fps=10)
    with open_clip(path) as clip:
        told = {"ramp": RAMP, "lens": LENS, "sheet": SHEET, "draws": 3000, "budget_draws": 50}
        swung = measure_angle(clip, 4, plumb=PLUMBS[0], **told)
        hung = measure_angle(clip, 4, plumb=PLUMBS[1], **told)
    (note,) = [note for note in swung.warnings if "swings" in note]
    assert note.startswith("the plumb line swings: within 0.4 s of this frame it turns by 0.")
    ramp = swung.values["ramp"]
    assert ramp.low95 <= RAMP_DEG <= ramp.high95
    assert abs(ramp.estimate - RAMP_DEG) > 0.15
    assert not [note for note in hung.warnings if "swings" in note]
