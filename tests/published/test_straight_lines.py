"""The bend of a real lens from straight rows alone, against its published calibration.

OpenCV sample data: every second of 13 photographs of a printed board and left_intrinsics.yml (Apache-2.0, see
tests/data/chessboard/LICENCE.md). Used are the rows of nine corners only: that they are straight,
not where they lie on the board. The corners reach 206 px from the middle (95 of 100), so the bends
are compared at 200 px, where the published one is -4.03 %. OpenCV's calibration itself moves
between -4.0 and -4.2 % there as more or fewer terms are fitted; besides, all rows lie on one board,
whose own bow they share, though each counts as bowed on its own: 0.2 mm on its 200 mm bows a row of
240 px by 0.24 px, as does a bend of 0.6 % for rows 100 px from the middle. So 0.5 % is asked.
"""

import cv2
import numpy as np
import pytest

from clipmark.geometry.distortion import undistort_many
from clipmark.geometry.straight_lines import EdgePoints, fit_bend
from tests.published.test_chessboard import CORNER_U_PX, PHOTOS, published_lens

COMPARED_AT_PX = 200.0


@pytest.fixture(scope="module")
def rows():
    lines = []
    for path in PHOTOS[::2]:
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert seen, path.name
        corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), (3, 50, 1e-4))
        for row in corners.reshape(6, 9, 2).astype(float):
            along = (row[-1] - row[0]) / np.hypot(*(row[-1] - row[0]))
            normals = np.tile([along[1], -along[0]], (9, 1))
            lines.append(EdgePoints(row, normals, np.full(9, CORNER_U_PX)))
    return lines


@pytest.fixture(scope="module")
def found(rows):
    return fit_bend(rows, (640.0, 480.0), published_lens().fx, start=(-0.1, 0.0))


def bend_at(params, radius_px):
    """Displacement over straight radius where the picture's radius is `radius_px`."""
    straight = np.linspace(radius_px, 1.3 * radius_px, 20_001)
    s = (straight / params[0]) ** 2
    bent = straight * (1 + s * (params[4] + s * (params[5] + s * params[8])))
    return radius_px / np.interp(radius_px, bent, straight) - 1


def off_straight_px(rows, params):
    """Rms distance of all corners from straight rows under a lens."""
    squares = 0.0
    for row in rows:
        straight = undistort_many(row.points, params[None])[0]
        squares += np.linalg.svd(straight - straight.mean(axis=0))[1][1] ** 2
    return np.sqrt(squares / (9 * len(rows)))


def test_the_bend_where_the_corners_lie_is_the_published_one(found):
    published = bend_at(published_lens().params, COMPARED_AT_PX)
    assert published == pytest.approx(-0.0403, abs=1e-4)
    assert bend_at(found.params, COMPARED_AT_PX) == pytest.approx(published, abs=0.005)


def test_rows_are_as_straight_as_corners_are_found_and_straighter_than_as_published(rows, found):
    none = published_lens().params * np.array([1, 1, 1, 1, 0, 0, 0, 0, 0])
    own, published, bent = (
        off_straight_px(rows, lens) for lens in (found.params, published_lens().params, none)
    )
    assert own < CORNER_U_PX
    assert own < published < 0.2
    assert bent > 5 * own
