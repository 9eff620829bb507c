"""The evidence still of an attempt: its frame with lines as marked and as measured, and the proof.

Below the picture stands what a doubter asks for: values with intervals, the verdict, which frame
at which time of which clip.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from clipmark.record.models import Attempt
from clipmark.report.canvas import Canvas, wrapped
from clipmark.report.followed import GOES_ALONG, lines_in, points_in, row_of
from clipmark.report.overlay import (
    PATCH,
    SHEET,
    DrawnLine,
    Scale,
    draw_cross,
    draw_lines,
    draw_marked,
    draw_rectangle,
    lines_of,
)
from clipmark.report.pictures import Footage, Picture, resized, shown_size
from clipmark.report.story import AttemptStory
from clipmark.report.tokens import colour
from clipmark.report.words import number

WIDEST, HIGHEST, NARROWEST = 1920, 1440, 960  # px
MARGIN = 0.8  # of the letters' height
LEADING = 1.45


@dataclass(frozen=True)
class Still:
    """A finished still: the file's bytes (JPEG), its size, and what it shows in words.

    ``picture`` is what stands above the words.
    """

    data: bytes
    width: int
    height: int
    picture: Picture
    told: str


def draw_still(
    story: AttemptStory, footage: Footage, location: str = "", trace: pd.DataFrame | None = None
) -> Still:
    """Draw the still of one attempt that has a clip.

    Parameters
    ----------
    story : AttemptStory
    footage : Footage
    location : str
        Where the clip was filmed, if that is to be shown.
    trace : DataFrame, optional
        Of a side tilt or a climb: where its lines were in the frame that is shown.

    Raises
    ------
    FolderError, FootageError, FrameError
        When the clip is nowhere, or its frame cannot be shown.
    """
    clip = footage.clip(story.attempt)
    ordinal = story.frame or 0
    frame = clip.frame(ordinal, allow_damaged=True)
    picture = footage.hider(clip.sha256)(frame.bgr(), ordinal)
    picture, scale = resized(picture, shown_size(clip, WIDEST, HIGHEST))
    size = max(20.0, max(picture.shape[1], NARROWEST) / 50)
    canvas = Canvas.on(picture)
    seen = row_of(trace, ordinal) if story.deciding_frame is not None else None
    lines = _lines(story, seen)
    as_marked = story.deciding_frame in (None, _marked_on(story))
    draw_shapes(canvas, story.attempt, scale, size, as_marked=as_marked)
    draw_lines(canvas, lines, scale, size)
    for x, y in points_in(seen) if seen is not None else ():
        draw_cross(canvas, *scale.at(x, y), size / 2, PATCH)
    sheet = _with_caption(canvas, story, frame.time_s, ordinal, size, location, bool(lines))
    told = f"Frame {ordinal} of {story.clip_name} with the lines of {story.title}: " + "; ".join(
        f"{figure.name} {figure.words}" for figure in story.figures[:3]
    )
    return Still(sheet.jpeg(90), sheet.width, sheet.height, picture, told.rstrip(": "))


def _marked_on(story: AttemptStory) -> int | None:
    """The frame that the marks of what was followed were set on."""
    reading = story.attempt.reading(story.followed) if story.followed else None
    return None if reading is None else reading.marked_frame


def _lines(story: AttemptStory, seen: pd.Series | None) -> list[DrawnLine]:
    """Lines that belong to the frame: as measured on it, as followed into it, and what stands."""
    marked = lines_of(story.attempt)
    if story.deciding_frame is None:
        return marked
    followed = lines_in(seen) if seen is not None else []
    roles = {line.role for line in followed}
    if story.deciding_frame != _marked_on(story):
        roles |= set(GOES_ALONG[story.followed])
    return [*followed, *(line for line in marked if line.role not in roles)]


def draw_shapes(
    canvas: Canvas, attempt: Attempt, scale: Scale, size: float, *, as_marked: bool = True
) -> None:
    """Sheets of an attempt; in the frame it was marked on, its patches and wheels too."""
    thick = max(2.0, size / 12)
    for mark in attempt.marks:
        if mark.shape == "sheet":
            corners = [scale.at(x, y) for x, y in mark.corners]
            draw_rectangle(canvas, corners, SHEET, thick)
        elif not as_marked:
            continue
        elif mark.shape == "patch":
            x, y, right, low = mark.x, mark.y, mark.x + mark.w, mark.y + mark.h
            corners = [scale.at(*p) for p in ((x, y), (right, y), (right, low), (x, low))]
            for here, there in zip(corners, [*corners[1:], corners[0]], strict=True):
                draw_marked(canvas, here, there, max(1.0, size / 18))
        elif mark.shape == "wheel":
            radius = (mark.rx * scale.x + mark.ry * scale.y) / 2
            canvas.ring(*scale.at(mark.cx, mark.cy), radius, "#FFFFFF", thick + 2)
            canvas.ring(*scale.at(mark.cx, mark.cy), radius, PATCH, thick)


def caption_lines(
    story: AttemptStory, time_s: float, ordinal: int, location: str, with_lines: bool
) -> list[tuple[str, bool]]:
    """What stands under a still, line by line, and whether it stands out."""
    lines = [(story.title, True)]
    for figure in story.figures:
        interval = f" (95 %: {figure.interval})" if figure.interval else ""
        aside = f", {figure.aside}" if figure.aside else ""
        lines.append((f"{figure.name} {figure.words}{interval}{aside}", False))
    if not story.figures:
        lines.append(("not measured", False))
    called = f", called by {story.called_by}" if story.called_by else ""
    lines.append((f"verdict: {story.verdict}{called}", True))
    if story.protest:
        lines.append((story.protest, True))
    if story.conditions:
        lines.append((story.conditions, False))
    when = "without a time" if time_s != time_s else f"at {number(time_s, 3)} s"
    marked = "dashed: as marked; solid: as measured" if with_lines else ""
    instant = f", {story.deciding_words}" if story.deciding_frame == ordinal else ""
    proof = (
        f"frame {ordinal} {when}{instant}; clip {story.clip_name}; attempt {story.id}, revision "
    )
    lines.append((f"{proof}{story.saved.revision}", False))
    half = len(story.clip_sha256) // 2
    lines.append((f"clip SHA-256 {story.clip_sha256[:half]}", False))
    lines.append((story.clip_sha256[half:], False))
    lines += [(marked, False)] if marked else []
    lines += [(f"filmed at {location}", False)] if location else []
    return lines


def _with_caption(
    picture: Canvas,
    story: AttemptStory,
    time_s: float,
    ordinal: int,
    size: float,
    location: str,
    with_lines: bool,
) -> Canvas:
    width = max(picture.width, NARROWEST)
    room = width - 2 * MARGIN * size
    rows: list[tuple[str, bool]] = []
    for text, bold in caption_lines(story, time_s, ordinal, location, with_lines):
        rows += [(line, bold) for line in wrapped(text, size, room, 3, bold=bold)]
    step = LEADING * size
    height = picture.height + round(2 * MARGIN * size + step * len(rows))
    sheet = Canvas(width, height, colour("paper-raised"))
    sheet.picture(picture.pixels, (width - picture.width) // 2, 0)
    baseline = picture.height + MARGIN * size + size
    for text, bold in rows:
        ink = colour("ink") if bold else colour("ink-soft")
        sheet.text(MARGIN * size, baseline, text, size, ink, bold=bold)
        baseline += step
    return sheet
