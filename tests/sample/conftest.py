"""Scenes small enough for tests, and an edge estimator that shares nothing with the package."""

import numpy as np
import pytest

from clipmark.sample import Board, Camera, Look, Motion, Renderer, Scene, Timing, paint

PLAIN = Look(tone="linear", grain_levels=0.0, vignette=0.0, blur_px=0.8)


def area_offsets(luma, points_px, *, upright, reach=6):
    """Mean signed distance (px) and its standard error of a rendered edge from `points_px`.

    On every row or column between the first and last point: the place of a sharp step that holds
    as much light as the profile does, between the plateaus on both sides. Exact for any symmetric
    blur and any place between pixels, on plain surfaces.
    """
    points = np.asarray(points_px, dtype=float)
    image = luma.T if upright else luma
    along, across = (points[:, 1], points[:, 0]) if upright else (points[:, 0], points[:, 1])
    order = np.argsort(along)
    along, across = along[order], across[order]
    slope = (across[-1] - across[0]) / (along[-1] - along[0])
    found = []
    for place in range(int(np.ceil(along[0])) + 8, int(along[-1]) - 8):
        true = np.interp(place, along, across)
        first = round(float(true)) - reach
        if first < 0 or first + 2 * reach + 1 > image.shape[0]:
            continue
        profile = image[first : first + 2 * reach + 1, place].astype(float)
        low, high = profile[:2].mean(), profile[-2:].mean()
        if abs(high - low) < 15:
            continue
        share = (profile - low) / (high - low)
        found.append((first + 2 * reach + 0.5 - share.sum() - true) / np.hypot(1, slope))
    assert len(found) > 60, "the edge must be seen on enough rows to judge it"
    found = np.array(found)
    kept = found[np.abs(found - np.median(found)) < 0.3]  # what crosses the edge: seams, marks
    assert len(kept) > 0.7 * len(found), np.round(np.percentile(found, [5, 25, 50, 75, 95]), 3)
    return float(kept.mean()), float(kept.std() / np.sqrt(len(kept)))


def ridge_offset(luma, points_px, reach=4):
    """Mean offset (px) of a dark upright string from its true place: centroid of its darkness."""
    points = np.asarray(points_px, dtype=float)
    order = np.argsort(points[:, 1])
    found = []
    for row in range(int(points[order[0], 1]) + 3, int(points[order[-1], 1]) - 30):
        true = np.interp(row, points[order, 1], points[order, 0])
        first = round(float(true)) - reach
        profile = luma[row, first : first + 2 * reach + 1].astype(float)
        side = np.r_[0, 1, 2 * reach - 1, 2 * reach]
        dark = np.polyval(np.polyfit(side, profile[side], 1), np.arange(2 * reach + 1)) - profile
        # the window is whole px while the line is not: weigh only near the peak
        found.append((dark * np.arange(2 * reach + 1)).sum() / dark.sum() + first - true)
    return float(np.median(found))


@pytest.fixture(scope="session")
def edge_offsets():
    return area_offsets


@pytest.fixture(scope="session")
def string_offset():
    return ridge_offset


@pytest.fixture
def plain_surfaces(monkeypatch):
    """No texture anywhere, so that an edge's two sides are even and its place can be judged."""
    monkeypatch.setattr(paint, "cloud", lambda a, b, seed, octaves: np.zeros_like(a))


@pytest.fixture(scope="session")
def plain_scene():
    """A small still scene in linear light without grain; keyword arguments go to the camera."""

    def make(board=None, truck=None, motion=None, frames=2, **camera):
        return Scene(
            camera=Camera(**{"width": 960, "height": 540, **camera}),
            board=board or Board(ramp_deg=28.0, depth_mm=1e-3),
            look=PLAIN,
            timing=Timing(frames=frames),
            motion=motion or Motion(),
            truck=truck,
            banner="",
        )

    return make


@pytest.fixture(scope="session")
def luma_of():
    """Noise-free, unrounded luma of a scene's frame."""

    def render(scene, k=0):
        return Renderer(scene).codes(k)[0]

    return render
