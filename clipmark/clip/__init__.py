"""Recorded clips: index, exact frames, time, rotation, pixel aspect, health of the file."""

from typing import TYPE_CHECKING

__all__ = [
    "Clip",
    "Finding",
    "Frame",
    "FramePass",
    "Health",
    "Limits",
    "check",
    "open_clip",
    "run_guarded",
]

if TYPE_CHECKING:
    from clipmark.clip.clip import Clip, open_clip
    from clipmark.clip.findings import Finding
    from clipmark.clip.frame import Frame
    from clipmark.clip.guarded import Limits, run_guarded
    from clipmark.clip.health import Health, check
    from clipmark.clip.passes import FramePass

_HOMES = {
    "Clip": "clip",
    "Finding": "findings",
    "Frame": "frame",
    "FramePass": "passes",
    "Health": "health",
    "Limits": "guarded",
    "check": "health",
    "open_clip": "clip",
    "run_guarded": "guarded",
}


def __getattr__(name: str) -> object:
    """Load a part of the room when it is first used: a guarded worker starts at once."""
    if name not in _HOMES:
        raise AttributeError(f"module 'clipmark.clip' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(f"clipmark.clip.{_HOMES[name]}"), name)
