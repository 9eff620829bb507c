"""The trace of a crawl as a table: one row per frame of the span."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path as FilePath

import numpy as np
import pandas as pd

from clipmark.clip import Clip
from clipmark.errors import FolderError
from clipmark.marks import Span
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.motion.speed import residual_noise

COLUMNS = ("t_s", "s_mm", "u_s_mm", "v_mm_s", "u_v_mm_s")
NEAR_S = 0.4  # residuals this near, both sides together, tell how well a speed is known
DECIMALS = {"t_s": 6, "s_mm": 5, "u_s_mm": 5, "v_mm_s": 5, "u_v_mm_s": 5}
OF_WHEEL = ("wheel{}_deg", "wheel{}_deg_s", "slip{}")
OF_WHEEL_TOO = ("braking{}", "wheel{}_u_deg", "wheel{}_surface_mm_s", "hub{}_x_px", "hub{}_y_px")


def trace_table(
    clip: Clip, span: Span, path: Path, trace: Trace, wheels: Sequence[WheelTrace] = ()
) -> pd.DataFrame:
    """One row per frame of the span, in order.

    Columns ``t_s, s_mm, u_s_mm, v_mm_s, u_v_mm_s`` (standard uncertainties, scale left out, which
    all rows share); per wheel n ``wheeln_deg, wheeln_deg_s, slipn`` (turn ahead, its rate, driving
    slip), then ``brakingn, wheeln_u_deg, wheeln_surface_mm_s, hubn_x_px, hubn_y_px, wheeln_gap``
    (braking slip, standard uncertainty of the turn, surface speed through the same filter as the
    speed, hub, why a row has no turn; slips are over 0.2 s); last ``frame`` (ordinal) and ``gap``
    (why a row has no travel, empty where it has).
    """
    ordinals = np.arange(span.first, span.last + 1)
    table = pd.DataFrame({"t_s": np.asarray(clip.times_s)[ordinals]}, index=ordinals)
    for name in COLUMNS[1:]:
        table[name] = np.nan
    for names in (OF_WHEEL, OF_WHEEL_TOO):
        for wheel in wheels:
            _add_wheel(table, wheel, path, names)
    for wheel in wheels:
        table[f"wheel{wheel.number}_gap"] = "no picture"
        table.loc[path.ordinals, f"wheel{wheel.number}_gap"] = wheel.reasons
    table["frame"] = ordinals
    table["gap"] = "no picture"
    known = path.known
    rows = path.ordinals[known]
    table.loc[path.ordinals, "gap"] = path.reasons
    table.loc[rows, "s_mm"] = path.s_mm[known]
    table.loc[rows, "u_s_mm"] = path.u_s_mm[known]
    table.loc[rows, "v_mm_s"] = trace.fit.slope
    table.loc[rows, "u_v_mm_s"] = speed_u(trace)
    return table.reset_index(drop=True)


def _add_wheel(table: pd.DataFrame, wheel: WheelTrace, path: Path, names: tuple[str, ...]) -> None:
    """Some columns of one wheel."""
    nothing = np.full(len(path.ordinals), np.nan)
    columns = {
        "wheel{}_deg": np.degrees(wheel.turn_rad),
        "wheel{}_deg_s": np.degrees(wheel.rate_rad_s),
        "slip{}": nothing if wheel.slip is None else wheel.slip.driving,
        "braking{}": nothing if wheel.slip is None else wheel.slip.braking,
        "wheel{}_u_deg": np.degrees(wheel.u_turn_rad),
        "wheel{}_surface_mm_s": wheel.rate_rad_s
        * (np.nan if wheel.radius is None else wheel.radius.mm),
        "hub{}_x_px": wheel.hub_px[:, 0],
        "hub{}_y_px": wheel.hub_px[:, 1],
    }
    for name in names:
        column = name.format(wheel.number)
        table[column] = np.nan
        table.loc[path.ordinals, column] = columns[name]


def speed_u(trace: Trace) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Standard uncertainty of the filtered speed at each known instant, mm/s.

    From the residuals around the fit nearby, carried through the filter's weights, and not below
    what the fine residuals say of the whole clip.
    """
    scatter = np.maximum(residual_noise(trace.fit, trace.times_s, NEAR_S), 0.0)
    scatter = np.maximum(scatter, trace.noise.position_mm)
    return np.asarray(scatter * trace.fit.slope_gain * np.sqrt(trace.noise.correlation))


def write_table(table: pd.DataFrame, path: FilePath) -> None:
    """Write a trace as CSV, whole or not at all.

    Raises
    ------
    FolderError
        If the file cannot be written.
    """
    wheels = [name for name in table if str(name).startswith(("wheel", "slip", "braking", "hub"))]
    numbers = [name for name in wheels if not str(name).endswith("_gap")]
    rounded = table.round(DECIMALS | dict.fromkeys(numbers, 5))
    text = rounded.to_csv(index=False, lineterminator="\r\n", float_format="%.10g")
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        FilePath(temporary).chmod(0o644)
        FilePath(temporary).replace(path)
    except OSError as error:
        if temporary:
            FilePath(temporary).unlink(missing_ok=True)
        raise FolderError(
            f"the trace {path.name} cannot be written to {path.parent} "
            f"({(error.strerror or 'unknown fault').lower()}); choose a folder with room and rights"
        ) from error
