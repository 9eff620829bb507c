"""The trace of a climb as a table: that of the crawl along the ramp, and what a climb adds."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from clipmark.measure.climb_board import Board
from clipmark.measure.climb_place import Placed

FloatArray = NDArray[np.float64]
Ordinals = NDArray[np.intp]


def climb_table(crawl: pd.DataFrame, placed: Placed, board: Board, *, scaled: bool) -> pd.DataFrame:
    """One row per frame of the span.

    The columns of a crawl (see `clipmark.measure.crawl_table`), then ``rear_mm`` and ``front_mm``
    (contact points of the lower and the upper axle along the ramp line from its lower end),
    ``past_finish_mm``, ``chassis_to_ramp_deg`` (nose up), ``board_turned_deg`` (steeper since the
    reference frame), and where things are seen, px of the upright picture: ``ramp_x1_px,
    ramp_y1_px, ramp_x2_px, ramp_y2_px`` (the board's line), ``rear_x_px, rear_y_px, front_x_px,
    front_y_px`` (hubs). Without a scale the lengths have no unit: their columns end in ``_units``.
    """
    table = crawl.copy().set_index("frame", drop=False)
    unknown = np.full(len(placed.frames), np.nan)
    series = placed.series
    columns = {
        "rear_mm": unknown if placed.rear_mm is None else placed.rear_mm,
        "front_mm": unknown if placed.front_mm is None else placed.front_mm,
        "past_finish_mm": unknown if series.past_mm is None else series.past_mm,
        "chassis_to_ramp_deg": series.nose_deg,
    }
    for name, values in columns.items():
        table[name] = np.nan
        table.loc[placed.frames, name] = values
    table["board_turned_deg"] = np.nan
    if board.track is not None:
        steeper = board.steeper_deg(board.track)
        table.loc[board.track.ordinals, "board_turned_deg"] = steeper
    for name, rows, places in _in_picture(placed, board):
        table[name] = np.nan
        table.loc[rows, name] = places
    order = [name for name in table.columns if name not in ("frame", "gap")]
    table = table[[*order, "frame", "gap"]].reset_index(drop=True)
    if scaled:
        return table
    return table.rename(columns=lambda name: name.replace("_mm", "_units"))


def _in_picture(placed: Placed, board: Board) -> Iterator[tuple[str, Ordinals, FloatArray]]:
    """Columns of what is drawn on the picture: name, rows, values."""
    if board.track is not None:
        ends = _held_along(board.track.ends_px, board.ramp_px)
        for end in (0, 1):
            for axis, letter in enumerate("xy"):
                yield f"ramp_{letter}{end + 1}_px", board.track.ordinals, ends[:, end, axis]
    if placed.hubs_px is not None:
        for name, hub in zip(("rear", "front"), placed.hubs_px, strict=True):
            for axis, letter in enumerate("xy"):
                yield f"{name}_{letter}_px", placed.frames, hub[:, axis]


def _held_along(ends_px: FloatArray, marked_px: FloatArray) -> FloatArray:
    """The followed line, shape (n, 2, 2), its ends where they were marked along it.

    A plain edge shows little of where it is along itself, so ends would wander there.
    """
    along = ends_px[:, 1] - ends_px[:, 0]
    along = along / np.hypot(along[:, 0], along[:, 1])[:, None]
    off = marked_px[None] - ends_px[:, :1]
    way = np.einsum("kij,kj->ki", off, along)
    return np.asarray(ends_px[:, :1] + way[:, :, None] * along[:, None], dtype=np.float64)
