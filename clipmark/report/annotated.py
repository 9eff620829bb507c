"""The annotated clip of an attempt: its frames at their own times, with lines, values and speed."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FootageError, FrameError
from clipmark.report.canvas import Canvas, wrapped
from clipmark.report.moving import ClipWriter
from clipmark.report.overlay import (
    COLOURS,
    DrawnLine,
    Scale,
    draw_cross,
    draw_lines,
    lines_of,
)
from clipmark.report.pictures import Footage, resized, shown_size
from clipmark.report.story import AttemptStory
from clipmark.report.strip import SpeedStrip
from clipmark.report.tokens import colour
from clipmark.report.words import measured, number
from clipmark.uncertainty.digits import number_of

Picture = NDArray[np.uint8]
WIDEST, HIGHEST, NARROWEST = 1280, 960, 640  # px, of the picture alone
STANDING = ("ramp", "level", "plumb", "platform", "finish", "sheet")  # what stays where it is
HELD = Fraction(1, 30)  # the last frame of a clip of one frame, s


@dataclass(frozen=True)
class Asked:
    """What a clip to be handed out carries beside its pictures."""

    sound: bool = False
    location: str = ""


@dataclass
class Annotator:
    """Draws the frames of one attempt, each with what is known at that instant.

    Attributes
    ----------
    story : AttemptStory
    clip : Clip
        The attempt's, open.
    trace : DataFrame or None
        Of its crawl.
    size : (int, int)
        Of the picture, even, px.
    """

    story: AttemptStory
    clip: Clip
    trace: pd.DataFrame | None
    footage: Footage
    size: tuple[int, int]
    letters: float
    _last: tuple[int, Picture] | None = None
    _rows: dict[int, pd.Series] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.hide = self.footage.hider(self.clip.sha256)
        lines = lines_of(self.story.attempt)
        self.frame_of_lines = self.story.frame
        self.still = [DrawnLine(x.role, (), x.measured) for x in lines if x.role in STANDING]
        self.moving = [DrawnLine(x.role, (), x.measured) for x in lines if x.role not in STANDING]
        if self.trace is not None and "frame" in self.trace:
            self._rows = {int(row["frame"]): row for _, row in self.trace.iterrows()}

    @property
    def span(self) -> tuple[int, int]:
        """First and last frame of the attempt, within the clip."""
        told = self.story.attempt.span
        last = self.clip.frame_count - 1
        return (0, last) if told is None else (min(told.first_frame, last),
                                               min(told.last_frame, last))  # fmt: skip

    def picture(self, ordinal: int) -> Picture:
        """Frame `ordinal` with everything drawn; that of a frame without picture is the last one.

        Raises
        ------
        FootageError
            When not even the first frame has a picture.
        """
        if self._last is not None and self._last[0] == ordinal:
            return self._last[1]
        missing = False
        try:
            shown = self.clip.frame(ordinal, allow_damaged=True).bgr()
        except FrameError:
            if self._last is None:
                raise FootageError(
                    f"frame {ordinal} of {self.clip.path.name} has no picture, so the clip of "
                    f"{self.story.id} cannot begin; give the attempt another first frame"
                ) from None
            missing = True
        if missing and self._last is not None:
            canvas = Canvas.on(self._last[1].copy())
            canvas.text(
                self.letters, 2 * self.letters, f"frame {ordinal} has no picture", self.letters,
                "#000000", bold=True, halo="#FFFFFF",
            )  # fmt: skip
            return canvas.pixels
        out, scale = resized(self.hide(shown, ordinal), self.size)
        canvas = Canvas.on(out)
        draw_lines(canvas, self.still, scale, self.letters)
        self._draw_moving(canvas, ordinal, scale)
        self._last = (ordinal, out)
        return out

    def _draw_moving(self, canvas: Canvas, ordinal: int, scale: Scale) -> None:
        row = self._rows.get(ordinal)
        hubs = [] if row is None else [
            (number_of(row.get(f"hub{n}_x_px")), number_of(row.get(f"hub{n}_y_px"))) for n in (1, 2)
        ]  # fmt: skip
        places = [scale.at(x, y) for x, y in hubs if x is not None and y is not None]
        for x, y in places:
            draw_cross(canvas, x, y, 0.7 * self.letters, COLOURS["hubs"])
        if len(places) == 2:
            canvas.line(*places[0], *places[1], COLOURS["hubs"], max(2.0, self.letters / 10))
        elif ordinal == self.frame_of_lines:
            draw_lines(canvas, self.moving, scale, self.letters)

    def now(self, ordinal: int) -> str:
        """Time, frame and speed at that frame."""
        time_s = float(self.clip.times_s[ordinal]) if self.clip.has_times else float("nan")
        when = f"{number(time_s, 3)} s" if np.isfinite(time_s) else "no time"
        parts = [when, f"frame {ordinal}"]
        row = self._rows.get(ordinal)
        if row is not None:
            speed, u = number_of(row.get("v_mm_s")), number_of(row.get("u_v_mm_s"))
            gap = row.get("gap")
            if speed is not None:
                parts.append(f"speed {measured(speed, 1.96 * u if u else None, 'mm/s')}")
            elif isinstance(gap, str) and gap:
                parts.append(f"speed not known: {gap}")
        return "; ".join(parts)


def write_annotated(
    story: AttemptStory, footage: Footage, trace: pd.DataFrame | None, path: Path, asked: Asked
) -> None:
    """Write the annotated clip of one attempt.

    Raises
    ------
    FolderError
        When the clip is nowhere, or the file cannot be written.
    FootageError
        When the clip carries no times or cannot be decoded.
    """
    clip = footage.clip(story.attempt)
    refuse_timeless(clip)
    size = shown_size(clip, WIDEST, HIGHEST, enlarge=1.0, even=True)
    letters = max(16.0, max(size[0], NARROWEST) / 54)
    draw = Annotator(story, clip, trace, footage, size, letters)
    first, last = draw.span
    times = clip.times[first : last + 1]
    strip = strip_of(draw, max(size[0], NARROWEST), letters)
    sheet = _Sheet(draw, strip)
    with ClipWriter(
        path, sheet.size, times, held_of(times), location=asked.location,
        sound=clip if asked.sound and clip.time_scale == 1 else None,
    ) as out:  # fmt: skip
        for ordinal in range(first, last + 1):
            out.write(sheet.page(ordinal))


def refuse_timeless(clip: Clip) -> None:
    """Raise `FootageError` for a clip without frame times: there is nothing to keep true."""
    if not clip.has_times:
        raise FootageError(
            f"{clip.path.name} carries no frame times, so no clip can be made from it that keeps "
            "them; its still is there all the same"
        )


def held_of(times: list[Fraction]) -> Fraction:
    """How long the last frame is shown: as long as frames are as a rule."""
    steps = sorted(b - a for a, b in pairwise(times))
    return steps[len(steps) // 2] if steps else HELD


def strip_of(draw: Annotator, width: int, letters: float) -> SpeedStrip | None:
    """The speed of the attempt's crawl, or None where there is none."""
    if draw.trace is None or draw.trace.empty:
        return None
    first, last = draw.span
    span = float(draw.clip.times_s[first]), float(draw.clip.times_s[last])
    return SpeedStrip(width, round(11 * letters), letters, [draw.trace], span)


class _Sheet:
    """Picture, words and strip, one above the other."""

    def __init__(self, draw: Annotator, strip: SpeedStrip | None) -> None:
        self.draw, self.strip = draw, strip
        width = max(draw.size[0], NARROWEST)
        self.step = 1.45 * draw.letters
        room = width - 1.6 * draw.letters
        self.lines = [
            (line, bold)
            for text, bold in _standing_words(draw.story)
            for line in wrapped(text, draw.letters, room, 3, bold=bold)
        ]
        below = round(self.step * (len(self.lines) + 1) + 0.8 * draw.letters)
        below += strip.height if strip is not None else 0
        self.size = (width, draw.size[1] + below + (draw.size[1] + below) % 2)
        self.blank = Canvas(*self.size, colour("paper-raised"))
        baseline = draw.size[1] + self.step
        for number_, (text, bold) in enumerate(self.lines):
            ink = colour("ink") if bold else colour("ink-soft")
            self.blank.text(
                0.8 * draw.letters, baseline + (number_ + 1) * self.step, text, draw.letters, ink,
                bold=bold,
            )  # fmt: skip

    def page(self, ordinal: int) -> Picture:
        draw = self.draw
        canvas = Canvas.on(self.blank.pixels.copy())
        canvas.picture(draw.picture(ordinal), (self.size[0] - draw.size[0]) // 2, 0)
        baseline = draw.size[1] + self.step
        canvas.text(0.8 * draw.letters, baseline, draw.now(ordinal), draw.letters,
                    colour("ink"), bold=True)  # fmt: skip
        if self.strip is not None:
            strip = self.strip.at(float(draw.clip.times_s[ordinal]))
            canvas.picture(strip, 0, self.size[1] - self.strip.height)
        return canvas.pixels


def _standing_words(story: AttemptStory) -> list[tuple[str, bool]]:
    """What holds for the whole clip."""
    angles = "; ".join(f"{f.name} {f.words}" for f in story.figures if f.unit == "°")
    rest = "; ".join(
        f"{f.name} {f.words}" + (f" ({f.aside})" if f.aside else "")
        for f in story.figures
        if f.unit != "°"
    )
    on = f" (lines as measured on frame {story.frame})" if angles else ""
    called = f", called by {story.called_by}" if story.called_by else ""
    lines = [(story.title, True), (angles + on, False), (rest, False)]
    lines += [(f"verdict: {story.verdict}{called}", True), (story.protest, True)]
    proof = f"clip {story.clip_name}, SHA-256 {story.clip_sha256[:16]}; \N{PLUS-MINUS SIGN}: 95 %"
    lines.append((proof, False))
    return [line for line in lines if line[0]]
