"""Renders small clips with exactly known truth, for the demo and the tests."""

from clipmark.sample.camera import Camera, Tremor
from clipmark.sample.clips import render_clip
from clipmark.sample.motion import Jump, Leg, Lock, Motion, Rear, Roll, RollBack, Spin, Stop
from clipmark.sample.render import Renderer
from clipmark.sample.scene import (
    Board,
    Cover,
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
    "Cover",
    "Encoding",
    "Jump",
    "Leg",
    "Lock",
    "Look",
    "Motion",
    "Plumb",
    "Rear",
    "Renderer",
    "Roll",
    "RollBack",
    "ScaleMark",
    "Scene",
    "Sheet",
    "Spin",
    "Stop",
    "Timing",
    "Tremor",
    "Truck",
    "render_clip",
    "rough_marks",
    "scene_truth",
]
