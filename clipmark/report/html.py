"""The report as one HTML file: no script, nothing fetched, pictures inside; screen, phone and A4.

Every text is escaped by the template engine; a strict policy in the file forbids scripts and any
address outside of it, should one get in all the same.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import cv2
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from clipmark.report.charts import Chart
from clipmark.report.stills import Still
from clipmark.report.story import AttemptStory
from clipmark.report.tokens import root_rule
from clipmark.report.views import Results, TestView
from clipmark.report.words import place_words

TEMPLATES = Path(__file__).with_name("templates")
STILL_WIDTH = 960  # px, of stills inside the page; the files beside it are larger
STILL_QUALITY = 80
PX_PER_POINT = 96 / 72
_SIZE = {
    side: re.compile(rb"\b" + side.encode() + rb'="([0-9.]+)pt"') for side in ("width", "height")
}
NO_BREAK = "\N{NO-BREAK SPACE}\N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class Inlined:
    """A picture inside the page: its data address, size in px, and what it shows."""

    src: str
    width: int
    height: int
    told: str
    caption: str = ""


@dataclass(frozen=True)
class TestPart:
    """One test with its charts."""

    __test__ = False  # a test of the event, not of the software

    anchor: str
    view: TestView
    charts: Sequence[Inlined]


@dataclass(frozen=True)
class AttemptPart:
    """One attempt with its still, or why it has none."""

    anchor: str
    story: AttemptStory
    still: Inlined | None
    left_out: Sequence[str]
    facts: Sequence[tuple[str, str]]
    charts: Sequence[Inlined] = ()


@dataclass(frozen=True)
class ReportPage:
    """Everything that the page says."""

    event: str
    when_where: str
    summary: str
    foot: str
    results: Results
    tests: Sequence[TestPart]
    attempts: Sequence[AttemptPart]
    notes: Sequence[str] = ()
    privacy: Sequence[str] = ()
    total_charts: Sequence[Inlined] = ()
    setup_charts: Sequence[Inlined] = ()
    css: Markup = field(default=Markup(""))

    @property
    def protests(self) -> list[AttemptPart]:
        """Attempts with a claim or a ruling."""
        return [item for item in self.attempts if item.story.protest]


def render(page: ReportPage) -> bytes:
    """The page as UTF-8."""
    styled = ReportPage(**{**vars(page), "css": _css()})
    return _template().render(page=styled).encode("utf-8")


def chart_inlined(chart: Chart, caption: str) -> Inlined:
    """A chart as it stands in the page."""
    data = base64.b64encode(chart.svg).decode("ascii")
    # Width and height stand in the first chunk of a PNG file (W3C PNG, 11.2.2).
    width, height = (int.from_bytes(chart.png[at : at + 4], "big") for at in (16, 20))
    address = f"data:image/svg+xml;base64,{data}"
    return Inlined(address, width // 2, height // 2, chart.told, caption)


def svg_inlined(svg: bytes, told: str, caption: str) -> Inlined:
    """A chart that is kept as an SVG file, as it stands in the page."""
    data = base64.b64encode(svg).decode("ascii")
    found = [_SIZE[side].search(svg[:2000]) for side in ("width", "height")]
    width, height = (round(float(m[1]) * PX_PER_POINT) if m else STILL_WIDTH for m in found)
    return Inlined(f"data:image/svg+xml;base64,{data}", width, height, told, caption)


def still_inlined(still: Still) -> Inlined:
    """A still as it stands in the page: its picture alone, since the words stand beside it."""
    picture = still.picture
    by = min(1.0, STILL_WIDTH / picture.shape[1])
    size = round(picture.shape[1] * by), round(picture.shape[0] * by)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, STILL_QUALITY])
    assert done  # an encoder that is built into the library
    text = base64.b64encode(data.tobytes()).decode("ascii")
    return Inlined(f"data:image/jpeg;base64,{text}", size[0], size[1], still.told)


def _css() -> Markup:
    text = root_rule() + "\n" + (TEMPLATES / "house.css").read_text(encoding="utf-8")
    return Markup(text)  # our own files, no text of the event


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined,
        keep_trailing_newline=True, auto_reload=False, finalize=_together,
    )  # fmt: skip
    environment.filters["place"] = place_words
    environment.filters["instant"] = _instant
    return environment


def _template() -> Template:
    return _environment().get_template("report.html.j2")


def _together(value: object) -> object:
    """A value and its uncertainty stay on one line, and so do a number and its percent sign."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return value.replace(" \N{PLUS-MINUS SIGN} ", NO_BREAK).replace(" %", "\N{NO-BREAK SPACE}%")
    return value


def _instant(text: str) -> str:
    """``2026-05-16 13:05 UTC`` of an instant as the journal has it."""
    return f"{text[:10]} {text[11:16]} UTC" if len(text) >= 16 else text
