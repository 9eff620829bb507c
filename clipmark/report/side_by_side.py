"""Two attempts beside each other, both from their start, each frame at its own time.

A new picture is shown whenever either clip shows a new frame, so that neither is resampled.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from clipmark.report.annotated import Annotator, curve_of, held_of, refuse_timeless
from clipmark.report.canvas import Canvas, wrapped
from clipmark.report.followed import CURVES
from clipmark.report.moving import ClipWriter
from clipmark.report.pictures import Footage, shown_size
from clipmark.report.story import AttemptStory
from clipmark.report.strip import SpeedStrip
from clipmark.report.tokens import colour
from clipmark.report.trace_facts import phases_in
from clipmark.report.words import number
from clipmark.uncertainty.digits import number_of

Picture = NDArray[np.uint8]
HALF_WIDEST, HALF_HIGHEST = 960, 800  # px, of each picture
GUTTER = 16
TIMES_NAME = "time from the start, s"


def start_of(story: AttemptStory, trace: pd.DataFrame | None) -> tuple[float | None, str]:
    """When an attempt starts, s of its clip, and in words by what that is told.

    The first motion that its crawl or its climb saw after standing; without one, the attempt's
    first frame (None).
    """
    climb = story.attempt.reading("climb")
    if climb is not None and story.followed == "climb":
        phases = phases_in(climb.result)
        if len(phases) > 1 and phases[0].name == "standing":
            return phases[0].until_s, "first motion"
        return None, "first frame of the attempt"
    reading = story.attempt.reading("crawl")
    if reading is not None and trace is not None and not trace.empty:
        stood = number_of(reading.result.get("stood_at_start_s"))
        if stood is not None and stood > 0:
            return float(trace["t_s"].iloc[0]) + stood, "first motion"
    return None, "first frame of the attempt"


class Half:
    """One of the two, from its start on."""

    def __init__(
        self, story: AttemptStory, footage: Footage, trace: pd.DataFrame | None, letters: float
    ) -> None:
        clip = footage.clip(story.attempt)
        refuse_timeless(clip)
        self.story, self.footage = story, footage
        size = shown_size(clip, HALF_WIDEST, HALF_HIGHEST, enlarge=1.0, even=True)
        self.draw = Annotator(story, clip, trace, footage, size, letters)
        first, last = self.draw.span
        begins, self.by = start_of(story, trace)
        self.first = first
        if begins is not None:
            near = min(max(begins, float(clip.times_s[first])), float(clip.times_s[last]))
            self.first = clip.ordinal_at(near)
        self.ordinals = list(range(self.first, last + 1))
        self.zero = clip.times[self.first]
        self.times = [clip.times[n] - self.zero for n in self.ordinals]
        self.held = held_of(self.times)
        self._at = 0

    def ordinal(self, time: Fraction) -> int:
        """The frame on screen at a time from the start; times may only rise."""
        while self._at + 1 < len(self.times) and self.times[self._at + 1] <= time:
            self._at += 1
        return self.ordinals[self._at]

    def has_ended(self, time: Fraction) -> bool:
        """Whether the attempt is over by then."""
        return time >= self.times[-1] + self.held

    def trace(self) -> pd.DataFrame | None:
        """The trace from the common zero, or None."""
        if self.draw.trace is None:
            return None
        return self.draw.trace.assign(t_s=self.draw.trace["t_s"] - float(self.zero))


def write_side_by_side(
    stories: tuple[AttemptStory, AttemptStory],
    footages: tuple[Footage, Footage],
    traces: tuple[pd.DataFrame | None, pd.DataFrame | None],
    path: Path,
) -> None:
    """Write both attempts beside each other, aligned on their start.

    Parameters
    ----------
    stories, traces
        Left and right.
    footages : tuple of Footage
        One each, since each keeps one clip open.
    path : Path
        The MP4 file.

    Raises
    ------
    FolderError
        When a clip is nowhere, or the file cannot be written.
    FootageError
        When a clip carries no times or cannot be decoded.
    """
    letters = 22.0
    halves = [
        Half(story, footage, trace, letters)
        for story, footage, trace in zip(stories, footages, traces, strict=True)
    ]
    times = sorted({time for half in halves for time in half.times})
    sheet = _Sheet(halves, letters)
    held = max(half.times[-1] + half.held for half in halves) - times[-1]
    with ClipWriter(path, sheet.size, times, max(held, Fraction(1, 1000))) as out:
        for time in times:
            out.write(sheet.page(time))


class _Sheet:
    """Two pictures, words below each, speeds below both."""

    def __init__(self, halves: list[Half], letters: float) -> None:
        self.halves, self.letters = halves, letters
        self.widths = [max(half.draw.size[0], 480) for half in halves]
        width = sum(self.widths) + GUTTER
        self.high = max(half.draw.size[1] for half in halves)
        step = 1.45 * letters
        words = [self._words(half, wide) for half, wide in zip(halves, self.widths, strict=True)]
        self.base = self.high + step
        below = step * (max(map(len, words)) + 1) + 0.8 * letters
        self.strip = self._strip(width)
        height = self.high + round(below) + (self.strip.height if self.strip else 0)
        self.size = (width + width % 2, height + height % 2)
        self.blank = Canvas(*self.size, colour("paper-raised"))
        for half_at, lines in enumerate(words):
            for row, (text, bold) in enumerate(lines, 1):
                ink = colour("ink") if bold else colour("ink-soft")
                self.blank.text(
                    self._left(half_at) + 0.6 * letters, self.base + row * step, text, letters, ink,
                    bold=bold,
                )  # fmt: skip

    def _left(self, half_at: int) -> int:
        return 0 if half_at == 0 else self.widths[0] + GUTTER

    def _words(self, half: Half, wide: int) -> list[tuple[str, bool]]:
        story = half.story
        figures = "; ".join(f"{f.name} {f.words}" for f in story.figures)
        dashes = "solid" if half is self.halves[0] else "dashed"
        drawn = CURVES.get(story.followed, CURVES["crawl"]).name.split(",")[0]
        line = f"{drawn}: {dashes} line; " if half.draw.trace is not None else ""
        texts = [
            (story.title, True), (figures, False), (f"verdict: {story.verdict}", True),
            (story.protest, True),
            (f"{line}start: {half.by}; clip {story.clip_name}, SHA-256 {story.clip_sha256[:16]}",
             False),
        ]  # fmt: skip
        room = wide - 1.2 * self.letters
        return [
            (row, bold)
            for text, bold in texts
            if text
            for row in wrapped(text, self.letters, room, 3, bold=bold)
        ]

    def _strip(self, width: int) -> SpeedStrip | None:
        curves = [CURVES.get(half.story.followed, CURVES["crawl"]) for half in self.halves]
        if curves[0] != curves[1]:
            return None  # an angle beside a speed
        traces = [curve_of(half.trace(), curves[0]) for half in self.halves]
        if any(trace is None for trace in traces):
            return None
        last = max(float(half.times[-1]) for half in self.halves)
        known = [trace for trace in traces if trace is not None]
        return SpeedStrip(
            width, round(11 * self.letters), self.letters, known, (0.0, last), TIMES_NAME, curves[0]
        )

    def page(self, time: Fraction) -> Picture:
        canvas = Canvas.on(self.blank.pixels.copy())
        for half_at, half in enumerate(self.halves):
            ordinal, left = half.ordinal(time), self._left(half_at)
            inset = (self.widths[half_at] - half.draw.size[0]) // 2
            canvas.picture(half.draw.picture(ordinal), left + inset, 0)
            over = "; ended" if half.has_ended(time) else ""
            now = f"{number(float(time), 3)} s from the start; {half.draw.now(ordinal)}{over}"
            line = wrapped(now, self.letters, self.widths[half_at], 1, bold=True)[0]
            canvas.text(left + 0.6 * self.letters, self.base, line, self.letters, colour("ink"),
                        bold=True)  # fmt: skip
        if self.strip is not None:
            canvas.picture(self.strip.at(float(time)), 0, self.size[1] - self.strip.height)
        return canvas.pixels
