"""The contact sheet of a clip: stills over time, what was gathered of it, the edges found.

The same report gives the same bytes on the same versions.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from clipmark.measure.footage import FootageReport
from clipmark.measure.footage_edges import StraightEdge
from clipmark.measure.footage_pass import Still
from clipmark.report import ink
from clipmark.report.figure_file import house_style, png_bytes, write_figure
from clipmark.report.trace_facts import missing_after
from clipmark.uncertainty.digits import number_of

FloatArray = NDArray[np.float64]
WIDTH_MM, MM_PER_INCH, DOTS_PER_INCH = 180.0, 25.4, 200
LEFT_MM, RIGHT_MM = 21.0, 5.0
TOP_MM, TITLE_MM, GAP_MM, AXIS_MM, FOOT_MM = 9.0, 5.0, 3.0, 11.0, 10.0
ACROSS, ACROSS_UPRIGHT = 4, 6  # stills in a row
SERIES_MM, HISTOGRAM_MM, GUTTER_MM = 22.0, 52.0, 16.0
MOST_NUMBERED = 9
PLACES = (0.5, 0.3, 0.7)  # along an edge, where its number stands
LETTERS_A_LINE = 118


def draw_contact_sheet(
    report: FootageReport, times_s: FloatArray, name: str, path: str | PathLike[str]
) -> None:
    """Draw the sheet of one clip and write it, whole or not at all.

    Parameters
    ----------
    report : FootageReport
        What `clipmark.measure.footage.look_over` found.
    times_s : ndarray, shape (n,)
        Times of its frames, s; NaN where the file has none.
    name : str
        Of the file, for the head.
    path : path
        Where to, a PNG file.

    Raises
    ------
    FolderError
        When the file cannot be written.
    """
    target = Path(path)
    with house_style():
        drawn = png_bytes(_Sheet(report, times_s, name).figure, DOTS_PER_INCH)
    write_figure(target, drawn, "contact sheet")


class _Sheet:
    """One sheet being laid out, from the top."""

    def __init__(self, report: FootageReport, times_s: FloatArray, name: str) -> None:
        self.report, self.facts, self.times = report, report.facts, times_s
        self.timed = bool(np.isfinite(times_s).all()) and len(times_s) > 0
        self.along = times_s if self.timed else np.arange(len(times_s), dtype=np.float64)
        stills = report.gathered.stills
        shape = stills[0].luma.shape if stills else (9, 16)
        free = WIDTH_MM - LEFT_MM - RIGHT_MM
        self.across = ACROSS if shape[1] >= shape[0] else ACROSS_UPRIGHT
        self.still_mm = (free - (self.across - 1) * GAP_MM) / self.across
        self.tall_mm = self.still_mm * shape[0] / shape[1] / self._aspect()
        rows = -(-len(stills) // self.across) if stills else 0
        self.big_mm = min(HISTOGRAM_MM * 1.4, 100.0 * shape[0] / shape[1] / self._aspect())
        self.total = (
            TOP_MM + rows * (self.tall_mm + TITLE_MM) + TITLE_MM + 3 * (SERIES_MM + GAP_MM)
            + AXIS_MM + TITLE_MM + max(self.big_mm, HISTOGRAM_MM) + AXIS_MM + FOOT_MM
        )  # fmt: skip
        self.figure = Figure(figsize=(WIDTH_MM / MM_PER_INCH, self.total / MM_PER_INCH))
        self.top = self.total - TOP_MM
        self._say(LEFT_MM, self.total - 4.5, f"{name}: {self._head()}", weight="bold")
        self._stills(stills)
        self._series()
        self._edges(stills)
        self._histogram()
        self._foot()

    def _aspect(self) -> float:
        """Width over height of a pixel."""
        wide, high = str(self.facts["pixel_aspect"]).split(":")
        return float(wide) / float(high)

    def _axes(self, left: float, width: float, height: float) -> Axes:
        """Axes whose top is where the sheet has come to, mm."""
        box = (left / WIDTH_MM, (self.top - height) / self.total, width / WIDTH_MM,
               height / self.total)  # fmt: skip
        return self.figure.add_axes(box, label=f"{self.top:.3f} {left:.3f}")

    def _say(self, x_mm: float, y_mm: float, text: str, **kind: Any) -> None:
        self.figure.text(x_mm / WIDTH_MM, y_mm / self.total, text, va="center", **kind)

    def _head(self) -> str:
        facts = self.facts
        lasts = number_of(facts["duration_s"])
        rate = number_of(facts["median_rate_hz"])
        timed = f", {lasts:.2f} s" if lasts is not None else ", no times"
        timed += f", {rate:.4g} frames/s" if rate is not None else ""
        return f"{facts['width']} x {facts['height']} px, {facts['frame_count']} frames{timed}"

    def _stills(self, stills: list[Still]) -> None:
        for first in range(0, len(stills), self.across):
            for column, still in enumerate(stills[first : first + self.across]):
                left = LEFT_MM + column * (self.still_mm + GAP_MM)
                axes = self._axes(left, self.still_mm, self.tall_mm)
                _show(axes, still.luma)
                when = f"{self.times[still.ordinal]:.2f} s, " if self.timed else ""
                self._say(
                    left, self.top - self.tall_mm - 2.2, f"{when}frame {still.ordinal}", size=7.0
                )
            self.top -= self.tall_mm + TITLE_MM

    def _series(self) -> None:
        """Brightness, sharpness and the picture's place over time."""
        self.top -= TITLE_MM
        health, shake = self.report.health, self.report.gathered.shake
        width = WIDTH_MM - LEFT_MM - RIGHT_MM
        shift = shake.shift_px - np.nanmean(shake.shift_px, axis=0) if len(shake.shift_px) else []
        panels: list[tuple[str, list[tuple[FloatArray, str, Any, str]]]] = [
            ("brightness", [(health.brightness, ink.BODY, "-", "")]),
            ("sharpness", [(health.sharpness, ink.BODY, "-", "")]),
            (
                "place, px",
                [
                    (np.asarray(shift)[:, 0], ink.BODY, "-", "across as stored"),
                    (np.asarray(shift)[:, 1], ink.VERMILLION, (0, (5.0, 2.0)), "down as stored"),
                ],
            ),
        ]
        drawn = []
        for number, (label, lines) in enumerate(panels):
            axes = self._axes(LEFT_MM, width, SERIES_MM)
            axes.grid(visible=True)
            for values, colour, dashes, said in lines:
                across, along = self._with_gaps(values)
                known = np.isfinite(along).sum()
                axes.plot(
                    across, along, color=colour, linestyle=dashes, label=said or None,
                    marker="o" if known < 3 else None, markersize=3,
                )  # fmt: skip
            if not any(np.isfinite(values).any() for values, *_ in lines):
                axes.text(0.5, 0.5, "cannot be told", transform=axes.transAxes, ha="center")
            elif lines[0][3]:
                axes.legend(loc="upper right", ncols=2, frameon=True, framealpha=0.9)
            axes.set_ylabel(label)
            axes.set_xlim(*self._ends())
            if number < len(panels) - 1:
                axes.tick_params(labelbottom=False, bottom=False)
            else:
                axes.set_xlabel(
                    "time as recorded, s from the first shown frame" if self.timed else "frame"
                )
            drawn.append(axes)
            self.top -= SERIES_MM + GAP_MM
        self.figure.align_ylabels(drawn)
        self.top -= AXIS_MM + TITLE_MM

    def _with_gaps(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        at = missing_after(self.along)
        return np.insert(self.along, at, np.nan), np.insert(values, at, np.nan)

    def _ends(self) -> tuple[float, float]:
        low, high = float(self.along.min()), float(self.along.max())
        return (low, high) if high > low else (low - 0.5, high + 0.5)

    def _edges(self, stills: list[Still]) -> None:
        """Where the straight edges lie, with the spread of each."""
        edges = self.report.edges
        frame = edges[0].frame if edges else None
        still = next((each for each in stills if each.ordinal == frame), None)
        if still is None:
            still = stills[len(stills) // 2] if stills else None
        if still is None:
            return
        shape = still.luma.shape
        width = self.big_mm * shape[1] / shape[0] * self._aspect()
        axes = self._axes(LEFT_MM, width, self.big_mm)
        _show(axes, still.luma, faint=True)
        axes.set_xlim(-0.5, shape[1] - 0.5)
        axes.set_ylim(shape[0] - 0.5, -0.5)
        scale = shape[1] / float(str(self.facts["width"]))
        shown = [edge for edge in edges if edge.frame == still.ordinal][:MOST_NUMBERED]
        for number, edge in enumerate(shown, 1):
            x1, y1, x2, y2 = ((value + 0.5) * scale - 0.5 for value in edge.ends_px)
            axes.plot([x1, x2], [y1, y2], color="white", linewidth=2.6, solid_capstyle="butt")
            axes.plot([x1, x2], [y1, y2], color=ink.VERMILLION, linewidth=1.3)
            at = PLACES[number % len(PLACES)]  # numbers of neighbours stay apart
            axes.text(
                x1 + at * (x2 - x1), y1 + at * (y2 - y1), str(number),
                size=7.0, ha="center", va="center",
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": ink.QUIET,
                      "linewidth": 0.4},
            )  # fmt: skip
        title = f"Straight edges of frame {still.ordinal}" if shown else "No straight edge found"
        self._say(LEFT_MM, self.top + 2.5, title, weight="bold")
        self._edge_table(shown, LEFT_MM + width + 4.0)

    def _edge_table(self, shown: list[StraightEdge], left: float) -> None:
        """Numbers, spreads and uncertainties of the edges, below the histogram's title."""
        if not shown or left > WIDTH_MM - 40.0:
            return
        self._say(left, self.top - 1.5, "edge  length   spread s  u of angle", size=6.5,
                  family="DejaVu Sans Mono",
                  color=ink.QUIET)  # fmt: skip
        for number, edge in enumerate(shown, 1):
            row = (
                f"{number:>4} {edge.length_px:>5.0f} px {edge.spread_px:>6.2f} px "
                f"{edge.u_deg:>7.4f} deg"
            )
            self._say(left, self.top - 1.5 - 3.2 * number, row, size=6.5, family="DejaVu Sans Mono")

    def _histogram(self) -> None:
        """Pixels by luma code on a logarithmic axis, the clipped ends hatched."""
        counts = self.report.gathered.histogram.astype(np.float64)
        total = counts.sum()
        if total == 0:
            return
        height = HISTOGRAM_MM - 30.0
        room = max(self.big_mm, HISTOGRAM_MM)
        self.top -= room - height
        left = LEFT_MM + 105.0 + GUTTER_MM
        axes = self._axes(left, WIDTH_MM - RIGHT_MM - left, height)
        self.top -= height + AXIS_MM
        shares = 100 * counts / total
        black = int(str(self.facts["black_level"]))
        white = int(str(self.facts["white_end_code"]))
        codes = np.arange(len(shares))
        axes.fill_between(codes, shares, step="mid", facecolor=ink.BODY_BAND, edgecolor=ink.BODY,
                          linewidth=0.6)  # fmt: skip
        for low, high in ((0, black), (white, len(codes) - 1)):
            axes.axvspan(low, high, facecolor="none", edgecolor=ink.HATCH, hatch="//////",
                         linewidth=0.4)  # fmt: skip
        axes.set_yscale("symlog", linthresh=0.01)
        axes.set_ylim(0, max(1.0, float(shares.max()) * 1.5))
        axes.set_xlim(0, len(codes) - 1)
        axes.set_xlabel("luma code; ends hatched")
        axes.set_ylabel("pixels, %")

    def _foot(self) -> None:
        facts: Mapping[str, object] = self.facts
        told = []
        for name, words, scale, unit in (
            ("clipped_white", "at white", 100.0, "%"),
            ("clipped_black", "at black", 100.0, "%"),
            ("edge_spread_px", "edge spread s", 1.0, "px"),
            ("noise_temporal", "noise", 100.0, "% of white"),
            ("shake_px", "shake", 1.0, "px rms"),
            ("line_600_u_deg", "u of a 600 px line", 1.0, "deg"),
            ("body_u_px", "u of a body's place", 1.0, "px"),
        ):
            value = number_of(facts.get(name))
            told.append(f"{words} {scale * value:.2g} {unit}" if value is not None else "")
        joined = "; ".join(each for each in told if each) + "."
        lines = [*textwrap.wrap(joined, LETTERS_A_LINE),
                 f"Clip SHA-256 {str(facts['clip_sha256'])[:16]}."]  # fmt: skip
        self._say(LEFT_MM, 5.0, "\n".join(lines), size=7.0, color=ink.QUIET, linespacing=1.3)


def _show(axes: Axes, luma: NDArray[np.uint8], *, faint: bool = False) -> None:
    """A still in grey, without ticks."""
    values = luma.astype(np.float64) / 255
    axes.imshow(0.35 + 0.65 * values if faint else values, cmap="gray", vmin=0.0, vmax=1.0,
                aspect="auto", interpolation="antialiased")  # fmt: skip
    axes.set_xticks([])
    axes.set_yticks([])
