"""What covers hide of the truck, frame by frame."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.cover import PlacedCover
from clipmark.sample.scene import Scene

Array = NDArray[np.float64]
Truth = dict[str, Any]
DISC_POINTS = 1500  # shares of a disc are good to about 0.002


def covers_truth(scene: Scene, now: float) -> list[Truth]:
    """Every cover with its ``outline_px`` at the time `now`, flat x, y, ..."""
    placed = [PlacedCover(cover, scene.board) for cover in scene.covers]
    return [
        {
            **asdict(item.cover),
            "outline_px": scene.camera.project(item.outline_mm(now), now).ravel().tolist(),
        }
        for item in placed
    ]


def hidden_truth(scene: Scene, times: Array, patch_mm: tuple[float, float]) -> Truth:
    """Shares from 0 to 1 of what is hidden in each frame.

    ``wheel_hidden`` and ``rim_hidden``: (rear, front) of the whole wheel's disc and of the
    rim's; ``patch_hidden``: whether the body point `patch_mm` is.
    """
    placed = [PlacedCover(cover, scene.board) for cover in scene.covers]
    place, truck = scene.camera.place_mm(), scene.need_truck()
    radii = {"wheel_hidden": truck.wheel_mm / 2, "rim_hidden": truck.rim_radius_mm}
    told: Truth = {"wheel_hidden": [], "rim_hidden": [], "patch_hidden": []}

    def share(points: Array, time: float) -> float:
        hidden = np.zeros(len(points), bool)
        for item in placed:
            hidden |= item.hides(points, place, time)
        return float(hidden.mean())

    for time in (float(t) for t in times):
        hubs = scene.hubs_mm(time)
        for name, radius in radii.items():
            told[name].append([share(hub + _disc(radius), time) for hub in hubs])
        point = scene.body_point_mm(time, *patch_mm)[None, :]
        told["patch_hidden"].append(share(point, time) > 0)
    return told


def _disc(radius: float) -> Array:
    """Points spread evenly over a disc in the plane of motion, shape (n, 3) mm."""
    k = np.arange(DISC_POINTS) + 0.5
    r, angle = radius * np.sqrt(k / DISC_POINTS), k * math.pi * (3.0 - math.sqrt(5.0))
    return np.column_stack([r * np.cos(angle), r * np.sin(angle), np.zeros(DISC_POINTS)])
