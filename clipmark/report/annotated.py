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
from clipmark.report.followed import CURVES, GOES_ALONG, Curve, lines_in, points_in, words_in
from clipmark.report.moving import ClipWriter
from clipmark.report.overlay import (
    COLOURS,
    DrawnLine,
    Four,
    Scale,
    draw_cross,
    draw_lines,
    lines_of,
)
from clipmark.report.pictures import Footage, resized, shown_size
from clipmark.report.story import AttemptStory
from clipmark.report.strip import SpeedStrip
from clipmark.report.tokens import colour
from clipmark.report.words import number

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
        Of its tilt, climb or crawl.
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
        goes = GOES_ALONG.get(self.story.followed, ()) if self.trace is not None else ()
        stands = [x for x in lines if x.role in STANDING and x.role not in goes]
        self.still = [DrawnLine(x.role, _unfitted(x), x.measured) for x in stands]
        self.moving = [DrawnLine(x.role, (), x.measured) for x in lines if x not in stands]
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
        followed = [] if row is None else lines_in(row)
        thick = max(2.0, self.letters / 10)
        for line in followed:
            assert line.measured is not None
            a, b = scale.at(*line.measured[:2]), scale.at(*line.measured[2:])
            if line.role == "hubs":
                for x, y in (a, b):
                    draw_cross(canvas, x, y, 0.7 * self.letters, COLOURS["hubs"])
                canvas.line(*a, *b, COLOURS["hubs"], thick)
        named = [line for line in followed if line.role != "hubs"]
        draw_lines(canvas, named, scale, self.letters)
        for x, y in points_in(row) if row is not None else ():
            draw_cross(canvas, *scale.at(x, y), 0.7 * self.letters, COLOURS["hubs"])
        if not followed and ordinal == self.frame_of_lines:
            draw_lines(canvas, self.moving, scale, self.letters)

    def now(self, ordinal: int) -> str:
        """Time, frame and what was known in that frame."""
        time_s = float(self.clip.times_s[ordinal]) if self.clip.has_times else float("nan")
        when = f"{number(time_s, 3)} s" if np.isfinite(time_s) else "no time"
        row = self._rows.get(ordinal)
        told = [] if row is None else words_in(row, self.story.followed or "crawl")
        return "; ".join([when, f"frame {ordinal}", *told])


def _unfitted(line: DrawnLine) -> tuple[Four, ...]:
    """The marking of a line that no reading moved; of others only the measured one is shown."""
    return line.marked if line.measured is None else ()


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
    """Speed, or the platform's angle, through the attempt; None where there is none."""
    curve = CURVES.get(draw.story.followed, CURVES["crawl"])
    trace = curve_of(draw.trace, curve)
    if trace is None:
        return None
    first, last = draw.span
    span = float(draw.clip.times_s[first]), float(draw.clip.times_s[last])
    return SpeedStrip(width, round(11 * letters), letters, [trace], span, curve=curve)


def curve_of(trace: pd.DataFrame | None, curve: Curve) -> pd.DataFrame | None:
    """A trace with the columns that the strip draws, angles as magnitudes; None without them."""
    if trace is None or trace.empty or curve.value not in trace.columns:
        return None
    return trace.assign(**{curve.value: trace[curve.value].abs()}) if "°" in curve.name else trace


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
        # A tilt or a climb says more of each frame than one line holds.
        self.now_rows = 2 if draw.trace is not None and draw.story.followed != "crawl" else 1
        self.room = room
        below = round(self.step * (len(self.lines) + self.now_rows) + 0.8 * draw.letters)
        below += strip.height if strip is not None else 0
        self.size = (width, draw.size[1] + below + (draw.size[1] + below) % 2)
        self.blank = Canvas(*self.size, colour("paper-raised"))
        baseline = draw.size[1] + self.step
        for number_, (text, bold) in enumerate(self.lines):
            ink = colour("ink") if bold else colour("ink-soft")
            self.blank.text(
                0.8 * draw.letters, baseline + (number_ + self.now_rows) * self.step, text,
                draw.letters, ink, bold=bold,
            )  # fmt: skip

    def page(self, ordinal: int) -> Picture:
        draw = self.draw
        canvas = Canvas.on(self.blank.pixels.copy())
        canvas.picture(draw.picture(ordinal), (self.size[0] - draw.size[0]) // 2, 0)
        baseline = draw.size[1] + self.step
        now = [draw.now(ordinal)]
        if self.now_rows > 1:
            now = wrapped(now[0], draw.letters, self.room, self.now_rows, bold=True)
        for row, text in enumerate(now):
            canvas.text(0.8 * draw.letters, baseline + row * self.step, text, draw.letters,
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
