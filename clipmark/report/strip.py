"""A strip with speed, or a platform's angle, over time, drawn to px, with a cursor in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from clipmark.report import ink
from clipmark.report.canvas import Canvas
from clipmark.report.followed import CURVES, Curve
from clipmark.report.lettering import width_of
from clipmark.report.trace_facts import column, missing_after
from clipmark.report.words import number

FloatArray = NDArray[np.float64]
Z95 = 1.96


@dataclass
class SpeedStrip:
    """Speed of one or two attempts over time, ready to be laid under a picture.

    Parameters
    ----------
    width, height : int
        px.
    size : float
        Height of letters, px.
    traces : list of DataFrame
        ``t_s`` (already from the common zero), ``v_mm_s``, ``u_v_mm_s``; drawn in the order given,
        solid first, then dashed.
    span_s : (float, float)
        Ends of the time axis, s.
    time_name : str
        What the time axis says.
    curve : Curve
        Which columns are drawn: speed, or the platform's angle.
    """

    width: int
    height: int
    size: float
    traces: list[pd.DataFrame]
    span_s: tuple[float, float]
    time_name: str = "time as recorded, s"
    curve: Curve = CURVES["crawl"]

    def __post_init__(self) -> None:
        self.columns = [
            tuple(column(table, name) for name in ("t_s", self.curve.value, self.curve.u))
            for table in self.traces
        ]
        ends = [end for _, v, u in self.columns for end in _ends(v, u)]
        low, high = min(ends), max(ends)
        if self.curve.name.startswith("speed"):
            low, high = min(0.0, low), max(1.0, high)
        ticks = MaxNLocator(4).tick_values(low, high)
        self.low, self.high = low - 0.04 * (high - low), max(high, float(ticks[-1]))
        self.ticks = [float(tick) for tick in ticks]
        self.left = 1.2 * self.size + max(width_of(number(t), self.size) for t in self.ticks)
        self.left += self.size
        self.top, self.bottom = 1.6 * self.size, self.height - 3.0 * self.size
        self.right = self.width - 1.6 * self.size
        self.base = self._drawn()

    def x(self, t_s: float) -> float:
        """Where an instant lies."""
        first, last = self.span_s
        share = (t_s - first) / max(last - first, 1e-9)
        return self.left + share * (self.right - self.left)

    def y(self, speed: float) -> float:
        """Where a speed lies."""
        share = (speed - self.low) / (self.high - self.low)
        return self.bottom - share * (self.bottom - self.top)

    def at(self, t_s: float) -> NDArray[np.uint8]:
        """The strip with its cursor at an instant."""
        canvas = Canvas.on(self.base.pixels.copy())
        x = self.x(min(max(t_s, self.span_s[0]), self.span_s[1]))
        canvas.line(x, self.top, x, self.bottom, ink.BLACK, max(2.0, self.size / 8))
        return canvas.pixels

    def _drawn(self) -> Canvas:
        canvas = Canvas(self.width, self.height, "#FFFFFF")
        for tick in self.ticks:
            if self.low <= tick <= self.high:
                y = self.y(tick)
                canvas.line(self.left, y, self.right, y, "#D8D8D8", 1)
                text, size = number(tick), self.size
                canvas.text(
                    self.left - 0.4 * size, y + 0.36 * size, text, size, ink.BLACK, anchor="right"
                )
        first, last = self.span_s
        for tick in MaxNLocator(6).tick_values(first, last):
            if first <= tick <= last:
                x = self.x(float(tick))
                canvas.line(x, self.bottom, x, self.bottom + 0.3 * self.size, ink.QUIET, 1)
                canvas.text(
                    x, self.bottom + 1.3 * self.size, number(round(float(tick), 6)), self.size,
                    ink.BLACK, anchor="middle",
                )  # fmt: skip
        for index, (t, v, u) in enumerate(self.columns):
            if index == 0:
                self._band(canvas, t, v, u)
        for index, (t, v, _) in enumerate(self.columns):
            self._line(canvas, t, v, index)
        canvas.line(self.left, self.bottom, self.right, self.bottom, ink.QUIET, 1)
        canvas.text(self.left, 1.1 * self.size, self.curve.name, self.size, ink.BLACK)
        end = (self.left + self.right) / 2
        canvas.text(
            end, self.height - 0.5 * self.size, self.time_name, self.size, ink.BLACK,
            anchor="middle",
        )  # fmt: skip
        return canvas

    def _band(self, canvas: Canvas, t: FloatArray, v: FloatArray, u: FloatArray) -> None:
        """Expanded uncertainty of the speed, frame by frame."""
        for time, speed, spread in zip(t, v, u, strict=True):
            if np.isfinite(speed) and np.isfinite(spread) and self._inside(time):
                x = self.x(time)
                top, low = self.y(speed + Z95 * spread), self.y(speed - Z95 * spread)
                half = max(1.0, (self.right - self.left) / max(2, len(t)))
                canvas.rect(x - half / 2, top, half, max(1.0, low - top), ink.BODY_BAND)

    def _line(self, canvas: Canvas, t: FloatArray, v: FloatArray, index: int) -> None:
        thick = max(2.0, self.size / 8)
        gaps = set((missing_after(t) - 1).tolist()) if len(t) > 1 else set()
        colour = ink.BODY if index == 0 else ink.VERMILLION
        for k in range(len(t) - 1):
            dashed = index == 1 and k % 6 >= 4
            known = np.isfinite(v[k]) and np.isfinite(v[k + 1]) and k not in gaps and not dashed
            if known and self._inside(t[k]) and self._inside(t[k + 1]):
                canvas.line(
                    self.x(t[k]), self.y(v[k]), self.x(t[k + 1]), self.y(v[k + 1]), colour, thick
                )

    def _inside(self, time: float) -> bool:
        return bool(self.span_s[0] - 1e-9 <= time <= self.span_s[1] + 1e-9)


def _ends(values: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Lowest and highest of a curve with its uncertainty; 0 and 1 where nothing is known."""
    spare = Z95 * np.nan_to_num(u)
    known = np.isfinite(values)
    if not known.any():
        return 0.0, 1.0
    low, high = float((values - spare)[known].min()), float((values + spare)[known].max())
    return (low, high) if high > low else (low - 0.5, high + 0.5)
