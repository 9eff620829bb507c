"""References marked once as a stand, and used for another clip from the command line."""

import cv2
import numpy as np
import pytest

from tests.cli.conftest import RAMP_DEG, draw, encode

ANGLE = ["--frame", "2", "--ramp", "100,320,520,96"]
PLUMB = ["--plumb", "561,40,563,300"]
GIVEN = ["--entry", "dipper", "--test", "ladder", "--by", "M. Fell"]


def textured(seed=5):
    """What stands behind: a wall with patches, so that a camera can be told to have moved."""
    rng = np.random.default_rng(seed)
    fine = cv2.GaussianBlur(rng.normal(0, 1, (360, 640)), (0, 0), 2.0)
    return 8.0 * fine / fine.std()


def write(path, picture, seed):
    rng = np.random.default_rng(seed)
    encode(path, [picture + rng.normal(0, 1.5, picture.shape) for _ in range(8)])
    return path


def without_string(picture):
    """The string taken down: its columns filled from beside it."""
    gone = picture.copy()
    left, right = picture[:, 554:555], picture[:, 570:571]
    share = np.linspace(0, 1, 15)[None, :]
    gone[:, 555:570] = left * (1 - share) + right * share
    return gone


@pytest.fixture(scope="module")
def scene():
    return draw() + textured()


@pytest.fixture
def event(clipmark, tmp_path, scene):
    """An event folder with the stand "north", marked on a clip that shows the string."""
    folder = tmp_path / "event"
    assert clipmark("start", folder).status == 0
    marked = write(tmp_path / "marked.mp4", scene, 1)
    ran = clipmark(
        "angle", marked, *ANGLE, *PLUMB, "--level-u", "0.08", "--into", folder, *GIVEN,
        "--save-stand", "north", "--json",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    assert ran.json["saved_stand"]["id"] == "north"
    return folder


def read(clipmark, clip, event, *more):
    return clipmark("angle", clip, *ANGLE, "--into", event, *GIVEN, "--stand", "north", *more,
                    "--json")  # fmt: skip


def held(reading):
    return reading["ramp_low95_deg"] <= RAMP_DEG <= reading["ramp_high95_deg"]


def test_a_stand_gives_level_to_a_clip_that_no_longer_shows_the_string(
    clipmark, tmp_path, scene, event
):
    later = write(tmp_path / "later.mp4", without_string(scene), 2)
    ran = read(clipmark, later, event, "--square-within", "0.1")
    assert ran.status == 0, ran.err
    assert held(ran.json)
    assert ran.json["stand"]["state"] == "same"
    assert ran.json["settings"]["level_u_deg"] == 0.08
    assert "a move of more than" in ran.err
    assert not [note for note in ran.json["warnings"] if "swings" in note]


def test_a_camera_that_was_turned_has_the_stand_carried_over(clipmark, tmp_path, scene, event):
    """Shifted by 4 and 3 px and rolled by 0.4 deg: read by the carried string alone."""
    turn = cv2.getRotationMatrix2D((319.5, 179.5), 0.4, 1.0)
    turn[:, 2] += [4.0, 3.0]
    moved = cv2.warpAffine(
        without_string(scene),
        turn,
        (640, 360),
        flags=cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REFLECT,
    )
    later = write(tmp_path / "moved.mp4", moved, 3)
    ran = read(clipmark, later, event, "--square-within", "0.1")
    assert ran.status == 0, ran.err
    assert held(ran.json)
    assert ran.json["stand"]["state"] == "moved"
    assert "The camera has moved since the stand was marked" in ran.err


def test_what_is_typed_wins_over_what_the_stand_says(clipmark, tmp_path, scene, event):
    later = write(tmp_path / "typed.mp4", scene, 4)
    ran = read(clipmark, later, event, *PLUMB, "--level-u", "0.2")
    assert ran.json["settings"]["level_u_deg"] == 0.2


def test_another_scene_is_refused_and_nothing_is_saved(clipmark, tmp_path, event):
    other = write(tmp_path / "other.mp4", draw()[:, ::-1] + textured(9), 5)
    ran = read(clipmark, other, event)
    assert ran.status == 2
    assert ran.out == ""
    assert ran.err.startswith(
        "clipmark angle: the stand north cannot be used for other.mp4: It cannot be told whether "
        "the camera has moved: "
    )
    assert ran.err.endswith("a sheet (--sheet) or a scale mark (--scale).\n")
    assert len(clipmark("attempts", event, "--json").json["attempts"]) == 1


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (
            ["--stand", "north"],
            "--stand names a stand, but not of which event; add --into FOLDER",
        ),
        (
            ["--save-stand", "north"],
            "--save-stand names a stand, but not of which event; add --into FOLDER",
        ),
    ],
)
def test_a_stand_without_its_event_is_refused(clipmark, drawn_clip, more, sentence):
    ran = clipmark(*drawn_clip.angle, "--plumb", drawn_clip.plumb, *more)
    assert ran.status == 2
    assert ran.err.endswith(sentence + "\n")


def test_references_of_one_stand_are_not_kept_as_another(clipmark, drawn_clip, event):
    ran = clipmark(
        *drawn_clip.angle, "--into", event, *GIVEN, "--stand", "north", "--save-stand", "south"
    )
    assert ran.status == 2
    assert "they were not marked on this clip" in ran.err


def test_a_crawl_takes_its_lengths_from_the_stand(clipmark, tmp_path, scene):
    """The sheet of the stand gives mm to a clip for which none is typed."""
    event = tmp_path / "event"
    assert clipmark("start", event).status == 0
    marked = write(tmp_path / "marked.mp4", scene, 1)
    kept = clipmark(
        "angle", marked, *ANGLE, *PLUMB, "--sheet", "40,40,240,40,240,180,40,180",
        "--sheet-size", "200x140", "--no-edge-fit", "--into", event, *GIVEN,
        "--save-stand", "north", "--json",
    )  # fmt: skip
    assert kept.status == 0, kept.err
    later = write(tmp_path / "later.mp4", scene, 7)
    ran = clipmark(
        "crawl", later, "--frame", "2", "--patch", "300,100,80,60", "--into", event, *GIVEN,
        "--stand", "north", "--json",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    assert ran.json["settings"]["scale_from"] == "sheet"
    assert ran.json["settings"]["mm_per_px"] == pytest.approx(1.0, abs=0.02)
    assert ran.json["stand"]["id"] == "north"


def test_a_stand_that_is_not_there_is_refused_with_those_that_are(clipmark, tmp_path, scene, event):
    later = write(tmp_path / "later.mp4", scene, 6)
    ran = clipmark("angle", later, *ANGLE, "--into", event, *GIVEN, "--stand", "south", "--json")
    assert ran.status == 2
    assert "there is no stand 'south' in event (those there are: north)" in ran.err
