"""``clipmark lens`` as the shell sees it."""

import json
from pathlib import Path

import cv2
import pytest

from clipmark.cli.app import status_of
from clipmark.measure.lens_file import load_lens

PHOTOS = Path(__file__).parent.parent / "data" / "chessboard"
ASKED = ["--board", "9x6", "--square-mm", "25", "--model", "ordinary"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Eight of the photographs."""
    place = tmp_path_factory.mktemp("photos")
    for path in sorted(PHOTOS.glob("left*.jpg"))[:8]:
        (place / path.name).write_bytes(path.read_bytes())
    return place


@pytest.fixture(scope="module")
def made(folder, tmp_path_factory):
    place = tmp_path_factory.mktemp("out")
    out, picture = place / "lens.json", place / "residuals.png"
    arguments = ["lens", str(folder), *ASKED, "--out", str(out), "--picture", str(picture)]
    return arguments, out, picture


def test_json_is_one_object_that_is_also_the_lens_file(made, capsys):
    arguments, out, picture = made
    assert status_of([*arguments, "--json"]) == 0
    shown = capsys.readouterr()
    told = json.loads(shown.out)
    assert told == json.loads(out.read_text(encoding="utf-8"))
    assert told["model"] == "ordinary"
    assert list(told["distortion"]) == ["k1", "k2", "p1", "p2", "k3"]
    assert told["image_size"] == [640, 480]
    assert told["views"] == len(told["view_list"]) == 8
    assert 0.3 < told["covered"] < 1
    assert len(told["covariance"]) == len(told["parameters"]) == 9
    assert told["fx"] == pytest.approx(533, abs=4)
    assert "only 8 views carry the lens" in shown.err
    assert load_lens(out).fx == told["fx"]
    drawn = cv2.imread(str(picture))
    assert drawn.shape[1] == 1133  # 180 mm at 160 dots an inch
    assert drawn.min() < 60


def test_people_see_the_lens_with_its_uncertainty(made, capsys):
    assert status_of(made[0][:-2]) == 0  # without the picture
    shown = capsys.readouterr().out
    assert "8 of 8 with the board" in shown
    assert "±" in shown
    assert max(map(len, shown.splitlines()[:-2])) <= 80


def test_without_a_board_it_says_what_is_missing(capsys):
    assert status_of(["lens", str(PHOTOS)]) == 2
    assert capsys.readouterr().err == (
        "clipmark lens: the board is not said; give its inner corners (--board), such as 9x6, and "
        "the side of one square in mm (--square-mm)\n"
    )


def test_without_a_source_it_says_so(capsys):
    assert status_of(["lens", *ASKED]) == 2
    assert capsys.readouterr().err == (
        "clipmark lens: no clip or photographs were given; name a clip, or a folder of "
        "photographs\n"
    )


def test_a_model_that_is_none_is_refused(capsys):
    assert status_of(["lens", str(PHOTOS), *ASKED[:4], "--model", "wide"]) == 2
    assert capsys.readouterr().err == (
        "clipmark lens: chessboard: no lens model is called 'wide' (--model); use auto, ordinary "
        "or fisheye\n"
    )


def test_a_picture_that_is_no_png_is_refused_before_anything_is_measured(capsys):
    assert status_of(["lens", str(PHOTOS), *ASKED, "--picture", "x.gif"]) == 2
    assert capsys.readouterr().err == (
        "clipmark lens: the picture 'x.gif' cannot be drawn: its name must end in .png; give it "
        "that\n"
    )


def test_help_shows_an_example(capsys):
    assert status_of(["lens", "--help"]) == 0
    assert "clipmark lens board.mp4 --board 9x6 --square-mm 25" in " ".join(
        capsys.readouterr().out.split()
    )


def test_a_board_that_is_larger_than_was_asked_for_is_refused(folder, capsys):
    """A part of a chessboard is a chessboard: it would be found, and only the count is wrong."""
    assert status_of(["lens", str(folder), "--board", "8x6", "--square-mm", "25"]) == 2
    assert capsys.readouterr().err == (
        f"clipmark lens: {folder.name}: the board has 9 x 6 inner corners, but 8 x 6 were asked "
        "for: only a part of it would be used; give the number of inner corners of the board that "
        "was filmed (--board)\n"
    )
