"""Attempts looked for in a long recording: spans of frames that a person then confirms.

One decoding pass in which pictures are made small and looked at about a dozen times a second
(`motion.scene_view`, `motion.movers`); what moved is joined and sorted afterwards
(`motion.mover_paths`, `motion.attempt_spans`). Nothing is judged and nothing is saved.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.clip.frame import Frame
from clipmark.errors import FrameError, MarkError
from clipmark.motion.attempt_spans import (
    MARGIN_S,
    REST_S,
    AttemptSpan,
    SpanTerms,
    attempt_spans,
)
from clipmark.motion.mover_paths import TruckSeries, truck_series
from clipmark.motion.movers import Moment, MoverFinder
from clipmark.motion.scene_view import Laid, SceneView

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]
Area = tuple[float, float, float, float]
SMALL_PX = 240  # longer side of the pictures that are compared
LOOKS_A_S = 12.5
TAKEN_FPS = 30.0  # where a file has no times
MOST_S = 600.0  # of a rest, or a margin
LEAST_FPS = 5.0  # with fewer looks a second nothing is followed from one to the next
LASTING = 3  # looks
LEAST_TOLD = 0.5  # of the samples: with less, no span is proposed
UNSETTLED = 0.02  # untold samples that are worth a word
WANDERED = 0.5  # of the picture's width
NOTES = {
    "slight": "it hardly moved from its place: less than half its length",
    "short": "it moved for a very short time",
    "untold": "part of it cannot be told, since the whole picture moved",
    "often": "something else moved during much of it",
}


@dataclass(frozen=True, eq=False)
class FoundAttempts:
    """Proposed spans of one clip; `to_dict` is what ``--json`` prints.

    Attributes
    ----------
    clip_sha256 : str
    spans : tuple of AttemptSpan
        In order, disjoint.
    times_s : ndarray, shape (n,)
        Of all frames of the clip; NaN where the file has none.
    frame_count : int
    terms : SpanTerms
    within : (x, y, w, h) or None
        Where they were looked for, px of the upright picture.
    truck_px : float or None
        Diagonal of what moved as a truck does, px of the upright picture, the usual one.
    told_share : float
        Share of the samples in which it can be told what moves, 0 to 1.
    not_told : str or None
        Why nothing is proposed, as a sentence.
    fingerprint : str or None
        Of the first frame of the first span.
    warnings : tuple of str
    """

    clip_sha256: str
    spans: tuple[AttemptSpan, ...]
    times_s: FloatArray
    frame_count: int
    terms: SpanTerms
    within: Area | None
    truck_px: float | None
    told_share: float
    not_told: str | None
    fingerprint: str | None
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Everything as plain data."""
        first = self.spans[0].first_frame if self.spans else None
        return {
            "clip_sha256": self.clip_sha256,
            "frame_count": self.frame_count,
            "frame": first,
            "t_s": None if first is None else self._time(first),
            "fingerprint": self.fingerprint,
            "attempts": [self._told(span) for span in self.spans],
            "rest_s": self.terms.rest_s,
            "margin_s": self.terms.margin_s,
            "within": None if self.within is None else list(self.within),
            "truck_px": self.truck_px,
            "told_share": self.told_share,
            "not_told": self.not_told,
            "warnings": list(self.warnings),
        }

    def _time(self, frame: int) -> float | None:
        time = float(self.times_s[frame])
        return time if math.isfinite(time) else None

    def _told(self, span: AttemptSpan) -> dict[str, object]:
        frames = {
            "first": span.first_frame,
            "last": span.last_frame,
            "moves_first": span.moves_first_frame,
            "moves_last": span.moves_last_frame,
        }
        return {
            **{f"{name}_frame": frame for name, frame in frames.items()},
            **{f"{name}_t_s": self._time(frame) for name, frame in frames.items()},
            "start": span.start,
            "end": span.end,
            "busy": span.busy,
            "reach_lengths": round(span.reach_lengths, 2),
            "longest_rest_s": round(span.longest_rest_s, 3),
            "sure": span.sure,
            "notes": _notes(span),
        }


def find_attempts(
    clip: Clip,
    *,
    rest_s: float = REST_S,
    margin_s: float = MARGIN_S,
    within: Area | None = None,
    progress: Progress | None = None,
) -> FoundAttempts:
    """Propose spans of frames in which one truck was on its own way.

    Parameters
    ----------
    clip : Clip
        Open clip.
    rest_s : float
        The longest rest within one attempt, s: a truck that stalls and goes on is one attempt.
    margin_s : float
        How long a span goes on before the first move and after the last, s.
    within : (x, y, w, h), optional
        Where attempts happen, px of the upright picture; what moves elsewhere is passed over.
    progress : callable, optional
        Called with (frames done, in all); what it raises ends the search.

    Raises
    ------
    MarkError
        If the terms or the region cannot mean what they say.
    FootageError, FrameError
    """
    terms = SpanTerms(_seconds(rest_s, "rest"), _seconds(margin_s, "margin"))
    small = min(1.0, SMALL_PX / max(clip.width, clip.height))
    area = None if within is None else _region(clip, within, small)
    times, warnings = _times(clip)
    looked = _Looked(clip, small)
    step = _step(times)
    with clip.frames(step=step) as frames:
        for frame in frames:
            looked.at(frame, float(times[frame.ordinal]))
            if progress is not None:
                progress(min(frame.ordinal + step, clip.frame_count), clip.frame_count)
    if progress is not None:
        progress(clip.frame_count, clip.frame_count)
    moments = looked.moments()
    if len(moments) < 2:
        raise FrameError(
            f"{clip.path.name} shows fewer than two frames that can be compared, so nothing can be "
            "seen to move; use another clip"
        )
    series = truck_series(moments, area)
    told = float(series.told.mean())
    spans = attempt_spans(series, times, terms) if told >= LEAST_TOLD else []
    warnings += _warnings(told, looked.wandered())
    return FoundAttempts(
        clip.sha256,
        tuple(spans),
        np.asarray(clip.times_s),
        clip.frame_count,
        terms,
        within,
        series.length / small if math.isfinite(series.length) else None,
        told,
        None if spans else _why_none(series, told, within),
        clip.frame(spans[0].first_frame, allow_damaged=True).fingerprint if spans else None,
        (*clip.warnings, *warnings),
    )


@dataclass
class _Looked:
    """What the pass gathers."""

    clip: Clip
    small: float
    _view: SceneView | None = None
    _finder: MoverFinder = field(default_factory=MoverFinder)
    _found: list[Moment] = field(default_factory=list)
    _places: list[tuple[float, float]] = field(default_factory=list)
    _ended: bool = False

    def at(self, frame: Frame, t_s: float) -> None:
        """Look at the next picture."""
        luma = frame.luma
        size = (
            max(8, round(luma.shape[1] * self.small)), max(8, round(luma.shape[0] * self.small))
        )  # fmt: skip
        shrunk = cv2.resize(np.asarray(luma), size, interpolation=cv2.INTER_AREA)
        black, white = self.clip.black_level, self.clip.white_level
        codes = (shrunk.astype(np.float32) - black) * np.float32(255.0 / (white - black))
        if self._view is None:
            self._view = SceneView((codes.shape[0], codes.shape[1]))
        laid = self._view.lay(np.asarray(codes, np.float32), t_s)
        if laid is not None:
            self._places.append(_lies_at(laid))
        self._found += self._finder.step(frame.ordinal, t_s, laid)

    def moments(self) -> list[Moment]:
        """Everything, after the pass."""
        if not self._ended:
            self._found += self._finder.rest()
            self._ended = True
        return self._found

    def wandered(self) -> float:
        """How far the picture went over the scene, in widths of it."""
        if not self._places or self._view is None:
            return 0.0
        return float(np.ptp(np.array(self._places), axis=0).max()) / self._view.width


def _lies_at(laid: Laid) -> tuple[float, float]:
    """Where the middle of the picture lies in the scene."""
    rows, columns = laid.picture.shape
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    inverse = cv2.invertAffineTransform(laid.move)
    here = inverse[:, :2] @ middle + inverse[:, 2]
    there = laid.to_scene[:, :2] @ here + laid.to_scene[:, 2]
    return float(there[0]), float(there[1])


def _step(times: FloatArray) -> int:
    """Frames from one look to the next."""
    apart = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    return max(1, round(1.0 / (LOOKS_A_S * apart))) if apart > 0 else 1


def _times(clip: Clip) -> tuple[FloatArray, list[str]]:
    """Rising times of all frames, s; a word where the file has none."""
    if clip.has_times:
        return np.maximum.accumulate(np.asarray(clip.times_s, dtype=np.float64)), []
    return np.arange(clip.frame_count) / TAKEN_FPS, [
        f"This file carries no frame times: rest and margin are counted at {TAKEN_FPS:.0f} frames "
        "a second."
    ]


def _seconds(value: float, what: str) -> float:
    if not (math.isfinite(value) and 0 <= value <= MOST_S):
        raise MarkError(
            f"the {what} (--{what}-s) of {value:g} s cannot be used; give seconds between 0 and "
            f"{MOST_S:.0f}"
        )
    return float(value)


def _region(clip: Clip, within: Area, small: float) -> Area:
    """The region as (left, top, right, bottom) in small px."""
    x, y, w, h = within
    if not all(math.isfinite(each) for each in within) or w <= 0 or h <= 0:
        raise MarkError(
            "the region to look in (--within) has no size; give it as x,y,w,h in px, with a width "
            "and a height above 0"
        )
    if x >= clip.width or y >= clip.height or x + w <= 0 or y + h <= 0:
        raise MarkError(
            f"the region to look in (--within) lies outside the picture, which is {clip.width} x "
            f"{clip.height} px; give one inside"
        )
    return x * small, y * small, (x + w) * small, (y + h) * small


def _warnings(told: float, wandered: float) -> list[str]:
    found = []
    if LEAST_TOLD <= told < 1 - UNSETTLED:
        found.append(
            f"For {1 - told:.0%} of the time the whole picture moves, and what moves in it is not "
            "looked for."
        )
    if wandered > WANDERED:
        found.append(
            f"The camera was not on a stand: the picture goes over the scene by {wandered:.1f} of "
            "its widths. Spans are less sure; look at each."
        )
    return found


def _why_none(series: TruckSeries, told: float, within: Area | None) -> str:
    apart = float(np.median(np.diff(series.t_s)))
    if apart > 1.0 / LEAST_FPS:
        return (
            f"This clip shows a picture every {apart:.2g} s, too few to follow what moves from one "
            "to the next; use the recording that it was made from."
        )
    where = "in the region" if within is not None else "in this clip"
    if told < LEAST_TOLD:
        return (
            f"The whole picture moves for {1 - told:.0%} of the time, as when the camera is "
            "carried: what moves in it cannot be told from the camera. Mark the attempts by hand."
        )
    if _lasts(series.beside):
        return (
            f"Something moves {where}, but nothing that goes on its own as a truck does: hands and "
            "people, or something that fills much of the picture. Mark the attempts by hand, or "
            "name the region where they happen (--within)."
        )
    if _lasts(series.moving):
        return f"Something moves {where}, but for too short a time to be an attempt."
    return f"Nothing moves {where}. Look whether it is the right one."


def _lasts(flags: NDArray[np.bool_]) -> bool:
    """Whether it holds in several looks one after the other: noise flickers up in one or two."""
    in_a_row = np.lib.stride_tricks.sliding_window_view(flags, min(LASTING, len(flags)))
    return bool(in_a_row.all(axis=1).any())


def _notes(span: AttemptSpan) -> list[str]:
    """What a person should look at, as sentences."""
    found = []
    if span.handled is not None:
        found.append(f"something else was at the truck in frames {_frames(span.handled)}")
    elif span.beside is not None:
        found.append(f"something else moved here in frames {_frames(span.beside)}")
    found += [NOTES[word] for word in span.doubts if word in NOTES]
    return [f"{sentence[0].upper()}{sentence[1:]}." for sentence in found]


def _frames(span: tuple[int, int]) -> str:
    return f"{span[0]} to {span[1]}"
