"""Recorded clips: index, exact frames, time, rotation, pixel aspect, health of the file."""

from clipmark.clip.clip import Clip, open_clip
from clipmark.clip.findings import Finding
from clipmark.clip.frame import Frame
from clipmark.clip.health import Health, check
from clipmark.clip.passes import FramePass

__all__ = ["Clip", "Finding", "Frame", "FramePass", "Health", "check", "open_clip"]
