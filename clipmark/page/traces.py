"""Traces as the motion strip draws them: columns of a table, unknown values as None."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd

Trace = dict[str, list[float | None]]
_OF_WHEELS = re.compile(r"^(wheel[1-9][0-9]*_(deg|deg_s|surface_mm_s)|(slip|braking)[1-9][0-9]*)$")
_OF_BODY = ("s_mm", "v_mm_s", "u_v_mm_s")
_OF_TILT = ("platform_deg", "chassis_to_platform_deg", "tilt_deg", "rate_deg_s")


def trace_of(table: pd.DataFrame) -> Trace | None:
    """The trace for drawing, unknown as None: of the body and its wheels, or of a platform.

    None where there is nothing to draw: a climb without a scale has no speeds.
    """
    names = _OF_TILT if "platform_deg" in table.columns else _OF_BODY
    if any(name not in table.columns for name in names):
        return None
    wheels = [str(name) for name in table.columns if _OF_WHEELS.match(str(name))]
    return {
        name: [
            float(value) if math.isfinite(value) else None
            for value in np.asarray(table[name], dtype=np.float64)
        ]
        for name in ("t_s", *names, *wheels)
    }
