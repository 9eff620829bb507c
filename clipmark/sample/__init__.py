"""Renders small clips with exactly known truth, for the demo and the tests."""

from clipmark.sample.camera import Camera, Tremor
from clipmark.sample.clips import render_clip
from clipmark.sample.motion import Motion, RollBack, Stop
from clipmark.sample.render import Renderer
from clipmark.sample.scene import (
    Board,
    Encoding,
    Look,
    Plumb,
    ScaleMark,
    Scene,
    Sheet,
    Timing,
    Truck,
)
from clipmark.sample.truth import rough_marks, scene_truth

__all__ = [
    "Board",
    "Camera",
    "Encoding",
    "Look",
    "Motion",
    "Plumb",
    "Renderer",
    "RollBack",
    "ScaleMark",
    "Scene",
    "Sheet",
    "Stop",
    "Timing",
    "Tremor",
    "Truck",
    "render_clip",
    "rough_marks",
    "scene_truth",
]
