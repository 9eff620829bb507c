"""Blur of an edge against closed forms and the slanted-edge way of ISO 12233 (from memory).

The figures are those of a Gaussian edge: ``mtf50 s``, the rise from 10 to 90 %, the width of the
line spread, and with square pixels the root of ``exp(-2 pi^2 s^2 f^2) sinc(f) = 1/2``, recomputed
with SciPy. The edge leans by 5 deg, as that standard has it, and is rendered without noise.
"""

import numpy as np
import pytest
from scipy.special import ndtr

from clipmark.geometry.edge_fit import fit_edge
from clipmark.geometry.edge_spread import (
    edge_profile,
    mtf50_of_profile,
    mtf50_of_spread,
    mtf50_with_pixel,
    optical_part,
    rise_of_spread,
)
from clipmark.geometry.tone import luma_from_light

MTF50_TIMES_S, RISE_OVER_S = 0.187390625, 2.563103131
WITH_PIXEL = {0.5: 0.323088, 0.7: 0.247107, 1.0: 0.179964, 1.5: 0.122665, 2.0: 0.092732}
LEAN_DEG, SIZE, FINE = 5.0, 200, 8


def slanted(s: float, *, integrated: bool, tone: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A leaning edge in luma, 16 bits deep, and its two ends; pixels integrate or sample."""
    n = FINE if integrated else 1
    part = (np.arange(n) + 0.5) / n - 0.5
    x = (np.arange(SIZE)[:, None] + part).ravel()
    a, middle = np.radians(90 - LEAN_DEG), (SIZE - 1) / 2 + 0.3
    across = (x[None, :] - middle) * np.sin(a) + (x[:, None] - middle) * np.cos(a)
    light = 0.1 + 0.5 * ndtr(across / s)
    light = light.reshape(SIZE, n, SIZE, n).mean(axis=(1, 3))
    reach = 80 * np.array([np.cos(a), -np.sin(a)])
    ends = np.array([middle + reach, middle - reach])
    return luma_from_light(light, tone) * 60000, ends


def found_spread(luma: np.ndarray, ends: np.ndarray) -> float:
    return fit_edge(luma, ends, kind="step", black=0, white=60000).blur_px


@pytest.mark.parametrize("s", WITH_PIXEL)
def test_closed_forms_of_a_gaussian_edge(s):
    assert mtf50_of_spread(s) * s == pytest.approx(MTF50_TIMES_S, abs=1e-6)
    assert rise_of_spread(s) / s == pytest.approx(RISE_OVER_S, abs=1e-6)
    assert mtf50_with_pixel(s) == pytest.approx(WITH_PIXEL[s], abs=1e-6)


@pytest.mark.parametrize("tone", [0.0, 1.0])
@pytest.mark.parametrize("s", WITH_PIXEL)
def test_spread_of_a_rendered_edge_is_found_to_2_percent(s, tone):
    """Through a straight tone curve and through that of IEC 61966-2-1."""
    luma, ends = slanted(s, integrated=False, tone=tone)
    assert found_spread(luma, ends) == pytest.approx(s, rel=0.02)


@pytest.mark.parametrize("s", WITH_PIXEL)
def test_pixels_that_integrate_add_a_twelfth_to_its_square(s):
    luma, ends = slanted(s, integrated=True)
    assert optical_part(found_spread(luma, ends)) == pytest.approx(s, rel=0.02)


@pytest.mark.parametrize("s", WITH_PIXEL)
def test_slanted_edge_halves_contrast_where_the_closed_form_says(s):
    """The way of the standard on the same pictures, with pixels that integrate: 2 %."""
    luma, ends = slanted(s, integrated=True)
    profile = edge_profile(luma, ends, black=0, white=60000)
    assert mtf50_of_profile(profile) == pytest.approx(WITH_PIXEL[s], rel=0.02)


def test_an_edge_along_the_rows_of_pixels_has_no_slanted_profile():
    assert edge_profile(np.zeros((50, 80)), np.array([[5, 20], [70, 20]]), black=0, white=1) is None
