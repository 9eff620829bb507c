"""Finished figures as files: drawn in the house style by one thread at a time, written whole.

The drawing library's settings are one for the whole process, so everything that is drawn takes
turns here, whichever chart it is.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from matplotlib import style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from clipmark.errors import FolderError
from clipmark.record import disk
from clipmark.report import ink

_TURN = threading.Lock()


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house style whatever the reader has set; others wait meanwhile."""
    with _TURN, style.context(["default", ink.STYLE]):
        yield


def png_bytes(figure: Figure, dots_per_inch: int) -> bytes:
    """The figure as a PNG file: the same bytes for the same figure."""
    out = io.BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(out, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return out.getvalue()


def svg_bytes(figure: Figure, title: str) -> bytes:
    """The figure as an SVG file: the same bytes for the same figure."""
    out = io.BytesIO()
    FigureCanvasSVG(figure)
    told = {"Date": None, "Creator": None, "Title": title}
    figure.savefig(out, format="svg", metadata=told)
    return out.getvalue()


def chart_bytes(figure: Figure, suffix: str, dots_per_inch: int, title: str) -> bytes:
    """The figure as PNG or SVG, by the ending of a name that `check_chart_name` let pass."""
    if suffix == ".png":
        return png_bytes(figure, dots_per_inch)
    return svg_bytes(figure, title)


def check_chart_name(target: Path) -> str:
    """The ending of a chart's name in small letters; raises `FolderError` for another kind."""
    suffix = target.suffix.lower()
    if suffix not in (".png", ".svg"):
        raise FolderError(
            f"the chart '{target.name}' cannot be drawn: its name must end in .png or .svg; give "
            "it one of these"
        )
    return suffix


def write_figure(target: Path, drawn: bytes, what: str) -> None:
    """Write a finished picture, whole or not at all; raises `FolderError` naming `what`."""
    try:
        disk.replace_file(target, drawn)
    except OSError as error:
        raise disk.explain(error, f"write the {what}", target) from error
