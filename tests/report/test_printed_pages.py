"""What is printed is to scale, and is found again by a camera's eye.

Pages are read back from the written files and rasterised at 200 dots per inch, 7.874 px to the mm.
A corner is found to about 0.05 px in such a picture, so distances over the whole board must agree
with the declared mm to 0.1 px, which is 0.013 mm.
"""

import cv2
import numpy as np
import pytest

from clipmark.errors import FolderError, MarkError
from clipmark.measure.tag_dictionaries import dictionary
from clipmark.report.print_board import board_page
from clipmark.report.print_page import Ink, write_page
from clipmark.report.print_tags import tags_page
from tests.report.printed_kit import PX_PER_MM, rasterise, read_pdf, read_svg

READ = {".pdf": read_pdf, ".svg": read_svg}
WITHIN_PX = 0.1


def printed(page, tmp_path, ending):
    path = tmp_path / f"page{ending}"
    write_page(page, path)
    return READ[ending](path)


def assert_to_scale(corners_px, places_mm, within_px=WITHIN_PX):
    """Corners lie as their places in mm do, up to where the board lies on the page."""
    expected = np.asarray(places_mm)[:, :2] * PX_PER_MM
    off = corners_px - expected
    assert np.abs(off - off.mean(axis=0)).max() < within_px


@pytest.mark.parametrize("ending", READ)
def test_a_chessboard_is_found_with_its_corners_to_scale(tmp_path, ending):
    page, spec = board_page("A4", 9, 6)
    assert spec.square_mm == 25
    picture = rasterise(printed(page, tmp_path, ending))
    found, corners = cv2.findChessboardCorners(picture, (9, 6))
    assert found
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    corners = cv2.cornerSubPix(picture, corners, (9, 9), (-1, -1), stop).reshape(-1, 2)
    if corners[0, 0] > corners[-1, 0]:
        corners = corners[::-1]
    places = [(25.0 * column, 25.0 * row) for row in range(6) for column in range(9)]
    assert_to_scale(corners, places)


@pytest.mark.parametrize("ending", READ)
def test_a_board_with_tags_is_found_as_the_board_of_the_same_numbers(tmp_path, ending):
    page, spec = board_page("A4", 9, 6, dictionary="4x4_50")
    board = cv2.aruco.CharucoBoard(
        (10, 7), spec.square_mm, spec.marker_mm, dictionary(spec.dictionary)
    )
    picture = rasterise(printed(page, tmp_path, ending))
    corners, ids, _, markers = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    assert len(corners) == 54
    assert len(markers) == 35
    assert_to_scale(corners.reshape(-1, 2), board.getChessboardCorners()[ids.ravel()])


@pytest.mark.parametrize(
    ("name", "ids", "paper"),
    [("4x4_50", (7,), "A4"), ("apriltag_36h11", (0, 586, 3), "A4-portrait")],
)
def test_tags_are_found_by_their_ids_with_their_sides_to_scale(tmp_path, name, ids, paper):
    page, spec = tags_page(paper, name, ids)
    picture = rasterise(printed(page, tmp_path, ".pdf"))
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found, found_ids, _ = cv2.aruco.ArucoDetector(dictionary(name), settings).detectMarkers(picture)
    assert sorted(found_ids.ravel()) == sorted(ids)
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * spec.tag_mm
    for corners in found:
        # corner 1 is the top left one, then clockwise; unlike where four squares meet, a lone
        # corner is refined with a bias of up to 0.2 px, by how the dots cut its two sides
        assert_to_scale(corners[0], square, within_px=0.25)


def test_a_tags_black_border_has_exactly_its_declared_side():
    page, spec = tags_page("A4", "4x4_50", (7,), tag_mm=80)
    tag = np.array(page.marks[0].boxes)
    assert spec.tag_mm == 80
    ends = tag[:, :2] + tag[:, 2:]
    np.testing.assert_allclose(ends.max(axis=0) - tag[:, :2].min(axis=0), 80, atol=1e-9)


@pytest.mark.parametrize("ending", READ)
@pytest.mark.parametrize("paper", ["A2", "A3-portrait", "A4", "A5-portrait"])
def test_a_page_has_its_papers_size_and_rulers_of_100_mm_both_ways(tmp_path, paper, ending):
    page, _ = board_page(paper, 6, 4)
    read = printed(page, tmp_path, ending)
    # 4 decimals of a point are 0.00004 mm
    np.testing.assert_allclose(read.size_mm, (page.width_mm, page.height_mm), atol=1e-4)
    thin = np.array([box[:4] for box in read.boxes if abs(min(box[2:4]) - 0.12) < 0.01])
    for across, ticks in ((0, thin[thin[:, 2] < 1]), (1, thin[thin[:, 3] < 1])):
        middles = np.sort(ticks[:, across] + ticks[:, 2 + across] / 2)
        np.testing.assert_allclose(np.diff(middles), np.ones(100), atol=2e-4)


@pytest.mark.parametrize("ending", READ)
def test_a_page_says_what_it_is_and_how_to_use_it(tmp_path, ending):
    read = printed(board_page("A4", 9, 6)[0], tmp_path, ending)
    words = " ".join(read.words)
    assert "9 x 6 inner corners, squares 25 mm." in words
    assert "Print at 100 %, not fitted to the page." in words
    assert "Both rulers must then measure 100 mm with a steel rule." in words
    assert "clipmark lens CLIP --board 9x6 --square-mm 25 --out lens.json" in words


def test_a_pdf_asks_the_printer_not_to_scale_it(tmp_path):
    write_page(board_page("A4", 9, 6)[0], tmp_path / "board.pdf")
    assert b"/PrintScaling /None" in (tmp_path / "board.pdf").read_bytes()


def test_a_pdfs_table_of_places_points_at_its_objects(tmp_path):
    path = tmp_path / "board.pdf"
    write_page(board_page("A4", 9, 6)[0], path)
    data = path.read_bytes()
    start = int(data.split(b"startxref\n")[1].split(b"\n")[0])
    rows = data[start:].split(b"\n")
    assert rows[0] == b"xref"
    for number, row in enumerate(rows[3:10], start=1):
        assert data[int(row[:10]) :].startswith(b"%d 0 obj" % number)


@pytest.mark.parametrize("paper", ["A2", "A3", "A4", "A4-portrait", "A5", "A6-portrait"])
def test_nothing_reaches_into_the_margin_that_printers_leave(paper):
    for page in (board_page(paper, 6, 4)[0], tags_page(paper, "4x4_50", (0, 1))[0]):
        boxes = np.array(
            [box for mark in page.marks if isinstance(mark, Ink) for box in mark.boxes]
        )
        assert boxes[:, :2].min() > 4.2
        assert (boxes[:, 0] + boxes[:, 2]).max() < page.width_mm - 4.2
        assert (boxes[:, 1] + boxes[:, 3]).max() < page.height_mm - 4.2


REFUSED = {
    "squares too large": (
        lambda: board_page("A4", 9, 6, square_mm=30),
        "9 x 6 inner corners with squares of 30 mm do not fit on A4; squares of up to 25 mm do "
        "(--square-mm), or take a larger sheet",
    ),
    "too many corners": (
        lambda: board_page("A6", 60, 40),
        "a board of 60 x 40 inner corners does not fit on A6: its squares would be 1.5 mm, but at "
        "least 3 mm are needed; take a larger sheet or fewer corners",
    ),
    "too few corners": (
        lambda: board_page("A4", 9, 2),
        "a board of 9 x 2 inner corners tells too little of a lens; print one of at least 3 x 3, "
        "such as 9x6",
    ),
    "tag over its square": (
        lambda: board_page("A4", 9, 6, dictionary="4x4_50", marker_mm=24),
        "a tag of 24 mm does not fit a square of 25 mm with white around it; give up to 21.2 mm "
        "(--marker-mm)",
    ),
    "dictionary too small": (
        lambda: board_page("A2", 13, 9, dictionary="4x4_50"),
        "a board of 13 x 9 inner corners has 70 tags, but the dictionary 4x4_50 holds 50; take a "
        "larger one (--charuco), or fewer corners",
    ),
    "no such tag": (
        lambda: tags_page("A4", "4x4_50", (50,)),
        "the dictionary 4x4_50 has no tag 50: its ids run from 0 to 49; give one of these, or a "
        "larger dictionary",
    ),
    "one tag twice": (
        lambda: tags_page("A4", "4x4_50", (3, 3)),
        "tag 3 is asked for twice; in one scene each tag may be there only once, so give "
        "different ids",
    ),
    "tags too large": (
        lambda: tags_page("A4", "4x4_50", (0, 1), tag_mm=150),
        "2 tags of 150 mm do not fit on A4; tags of up to 91 mm do (--tag-mm), or take a larger "
        "sheet or fewer tags",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_printed_is_refused_with_what_can(case):
    make, sentence = REFUSED[case]
    with pytest.raises(MarkError) as refusal:
        make()
    assert str(refusal.value) == sentence


def test_an_unknown_dictionary_is_refused_with_the_names_there_are():
    with pytest.raises(MarkError) as refusal:
        dictionary("5x5")
    sentence = str(refusal.value)
    assert sentence.startswith("there is no dictionary of tags called '5x5'; give one of 4x4_100, ")
    assert "apriltag_36h11" in sentence


def test_a_file_that_is_neither_pdf_nor_svg_or_has_no_place_is_refused(tmp_path):
    page, _ = board_page("A4", 9, 6)
    with pytest.raises(MarkError) as refusal:
        write_page(page, tmp_path / "board.png")
    assert str(refusal.value) == (
        "the page to print cannot be written as 'board.png'; end its name in .pdf or .svg"
    )
    with pytest.raises(FolderError, match=r"cannot be written \(No such file or directory\)"):
        write_page(page, tmp_path / "nowhere" / "board.pdf")
