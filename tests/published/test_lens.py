"""The ordinary lens model against published parameters and equations.

D. C. Brown, Photogramm. Eng. 37 (1971) 855-866; A. E. Conrady, MNRAS 79 (1919) 384-390; form and
coefficient order as in the OpenCV documentation, module calib3d. Parameters: OpenCV sample file
left_intrinsics.yml. Pixels recomputed independently with cv2.projectPoints, equal to 1e-9 px.
"""

import numpy as np
import pytest

from clipmark.geometry.lens import Lens

LENS = Lens(
    "ordinary",
    535.915733961632,
    535.915733961632,
    342.28315473308373,
    235.57082909788173,
    (
        -0.2663726090966068,
        -0.03858889892230465,
        0.0017831947042852964,
        -0.0002812210044111547,
        0.23839153080878486,
    ),
    (640, 480),
)
RAYS = np.array([[0, 0], [0.2, 0], [-0.2, 0.1], [0.4, -0.3], [-0.55, -0.4], [0.6, 0.42]])
PIXELS = np.array(
    [
        [342.283154733, 235.570829098],
        [448.301207628, 235.609054782],
        [236.476868836, 288.517986382],
        [542.340337973, 85.738593925],
        [79.583372703, 45.009120257],
        [626.44156125, 435.050908958],
    ]
)
STRAIGHT = RAYS * [LENS.fx, LENS.fy] + [LENS.cx, LENS.cy]


def test_distorted_pixels_are_the_published_ones():
    """Forward to 1e-8 px; the figures are printed to 1e-9."""
    assert LENS.distort(STRAIGHT) == pytest.approx(PIXELS, abs=1e-8)


def test_undistorting_comes_back():
    """1e-6 px is asked; Newton's method reaches 1e-9."""
    assert LENS.undistort(LENS.distort(STRAIGHT)) == pytest.approx(STRAIGHT, abs=1e-9)
