"""What the container says of its pictures beside the frames, and what is odd about that."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import av.container
import av.video.stream

from clipmark.clip.admit import Source
from clipmark.clip.findings import Finding
from clipmark.clip.timing import rate_text

if TYPE_CHECKING:
    from clipmark.clip.clip import Clip

_HDR_TRANSFERS = {16, 18}  # SMPTE ST 2084 (PQ) and ARIB STD-B67 (HLG)
_PROGRESSIVE = {0, 1}  # AV_FIELD_UNKNOWN, AV_FIELD_PROGRESSIVE
_CAPTURE_TAG = "com.android.capture.fps"


@dataclass(frozen=True)
class StreamFacts:
    """What the container states.

    Attributes
    ----------
    pixel_aspect : Fraction
        Width over height of one stored pixel.
    rates : tuple of Fraction
        Rates the container states, frames per second.
    capture_fps : Fraction or None
        Recording rate by the camera's own tag.
    interlaced, hdr : bool
        By the stream's header.
    codec, format : str
        FFmpeg's names.
    """

    pixel_aspect: Fraction
    rates: tuple[Fraction, ...]
    capture_fps: Fraction | None
    interlaced: bool
    hdr: bool
    codec: str
    format: str


def read_facts(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> StreamFacts:
    """Read the facts from an opened container."""
    context = stream.codec_context
    aspect = stream.sample_aspect_ratio
    rates = (stream.guessed_rate, stream.average_rate)
    return StreamFacts(
        pixel_aspect=Fraction(aspect) if aspect else Fraction(1),
        rates=tuple(Fraction(rate) for rate in rates if rate),
        capture_fps=_capture_rate({**stream.metadata, **container.metadata}),
        interlaced=int(context.field_order) not in _PROGRESSIVE,
        hdr=int(context.color_trc) in _HDR_TRANSFERS,
        codec=str(context.name),
        format=str(container.format.name),
    )


def _capture_rate(metadata: dict[str, str]) -> Fraction | None:
    """The camera's recording rate, if it is tagged and a number."""
    try:
        value = float(metadata.get(_CAPTURE_TAG, ""))
    except ValueError:
        return None
    return Fraction(str(value)) if math.isfinite(value) and value > 0 else None


def source_findings(
    clip: Clip, stated: StreamFacts, source: Source, undecodable: int
) -> list[Finding]:
    """What is odd about file and pictures; times are told by the timeline.

    Parameters
    ----------
    clip : Clip
        Opened; its geometry is read.
    stated : StreamFacts
        From the container.
    source : Source
        File and stream.
    undecodable : int
        Frames before the first one that decodes.
    """
    found = [
        _several(source),
        _edit_list(clip),
        _truncated(clip, source),
        _open_start(undecodable),
        *_geometry(clip),
        _interlaced(clip),
        _hdr(stated),
        _capture(clip, stated),
    ]
    return [finding for finding in found if finding is not None]


def _several(source: Source) -> Finding | None:
    if source.video_streams < 2:
        return None
    return Finding(
        "several-videos",
        "warning",
        f"The file holds {source.video_streams} videos; the largest, {source.width} x "
        f"{source.height} px, is used.",
    )


def _edit_list(clip: Clip) -> Finding | None:
    hidden = sum(clip.index.discard)
    if not hidden:
        return None
    pictures = "1 stored picture" if hidden == 1 else f"{hidden} stored pictures"
    return Finding(
        "edit-list",
        "note",
        f"The file's edit list hides {pictures}; frames are counted without them.",
    )


def _truncated(clip: Clip, source: Source) -> Finding | None:
    held = len(clip.index.pts)
    if not clip.index.broken_off:
        return None
    return Finding(
        "truncated",
        "warning",
        f"The file breaks off: it promises {clip.index.promised} pictures and holds {held}; "
        "the rest is lost.",
    )


def _open_start(undecodable: int) -> Finding | None:
    if undecodable == 0:
        return None
    which = "first picture" if undecodable == 1 else f"first {undecodable} pictures"
    return Finding(
        "open-start",
        "warning",
        f"The {which} cannot be decoded, because the file starts without a key frame.",
        tuple(range(undecodable)),
    )


def _geometry(clip: Clip) -> list[Finding]:
    found: list[Finding] = []
    upright = clip.upright_transform
    if upright.clockwise_deg:
        found.append(
            Finding(
                "rotation",
                "note",
                f"The pictures are stored lying and were turned upright by "
                f"{upright.clockwise_deg} degrees to the right.",
            )
        )
    if upright.mirrored:
        found.append(
            Finding(
                "mirrored",
                "warning",
                "The file is marked mirrored; left and right were swapped back.",
            )
        )
    aspect = clip.pixel_aspect
    if aspect != 1:
        found.append(
            Finding(
                "pixel-aspect",
                "warning",
                f"Pixels are {aspect.numerator}:{aspect.denominator} wide; angles are corrected "
                "for it.",
            )
        )
    return found


def _interlaced(clip: Clip) -> Finding | None:
    if not clip.interlaced:
        return None
    return Finding(
        "interlaced",
        "refuse-motion",
        "The clip is interlaced: each picture holds two moments; angles of what stands still can "
        "be read, but motion needs progressive video.",
    )


def _hdr(stated: StreamFacts) -> Finding | None:
    if not stated.hdr:
        return None
    return Finding(
        "hdr",
        "warning",
        "The clip is HDR: colours on screen are approximate, measuring is not affected.",
    )


def _capture(clip: Clip, stated: StreamFacts) -> Finding | None:
    recorded, stored = stated.capture_fps, clip.nominal_fps
    if recorded is None or stored is None or clip.time_scale != 1:
        return None
    if abs(recorded / stored - 1) < Fraction(1, 100):
        return None
    return Finding(
        "capture-rate",
        "warning",
        f"The camera notes that it recorded at {rate_text(recorded)} frames per second, but the "
        f"file is stored at {rate_text(stored)}; if so, declare the true rate "
        f"{rate_text(recorded)}, and times are multiplied by "
        f"{rate_text((stored / recorded).limit_denominator(1000))}.",
    )
