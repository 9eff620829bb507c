"""Traces and readings made up with known shape, in the form that a crawl gives."""

from __future__ import annotations

import numpy as np
import pandas as pd

RATE = 60.0


def times(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE)) / RATE


def trace(t: np.ndarray, v: np.ndarray, u: float = 0.25, seed: int = 1) -> pd.DataFrame:
    """A trace of speed `v` with noise of a standard deviation `u`, as the table has it."""
    rng = np.random.default_rng(seed)
    noise = np.convolve(rng.normal(0, 1, len(t) + 14), np.ones(15) / np.sqrt(15), "valid")
    return pd.DataFrame(
        {
            "t_s": t,
            "s_mm": np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))]),
            "u_s_mm": 0.02,
            "v_mm_s": v + u * noise,
            "u_v_mm_s": u,
            "frame": np.arange(len(t)),
            "gap": "",
        }
    )


def result(table: pd.DataFrame, **more: object) -> dict[str, object]:
    """A reading as ``--json`` prints it, as far as a chart looks at it."""
    mean = float(np.nanmean(table["v_mm_s"]))
    return {
        "mean_speed_mm_s": mean,
        "mean_speed_u95_mm_s": 0.06,
        "slowest_speed_mm_s": 0.7 * mean,
        "slowest_speed_u95_mm_s": 0.2,
        "ripple": 0.081,
        "ripple_u95": 0.012,
        "ripple_band_hz": [0.5, 5.0],
        "ripple_below_noise_floor": False,
        "rollback_mm": 0.0,
        "rollback_u95_mm": 0.05,
        "stalls": [],
        "stall_limit_mm_s": 2.1,
        "noise_floor_mm_s": 0.31,
        "window_s": 0.25,
        "stood_at_start_s": 0.0,
        "start_jump": None,
        "phases": [],
        "wheels": [],
        "grade": None,
        "first_frame": int(table["frame"].iloc[0]),
        "last_frame": int(table["frame"].iloc[-1]),
        "clip_sha256": "c1" * 32,
        "settings": {},
    } | more


def rise(t: np.ndarray, at: float, over: float = 0.25) -> np.ndarray:
    return np.clip((t - at) / over, 0, 1)


def creep() -> tuple[dict[str, object], pd.DataFrame]:
    """From rest with a jump, then an even creep with two wheels of known diameter."""
    t = times(8.0)
    v = 20 * rise(t, 0.8, 0.15) * (1 + 0.5 * np.exp(-(((t - 1.1) / 0.12) ** 2)))
    v += 1.6 * np.sin(2 * np.pi * 2.0 * t) * rise(t, 1.5, 0.4)
    table = trace(t, v)
    for number, slip in ((1, 0.06), (2, 0.11)):
        surface = np.append(v[4:], v[-4:]) / (1 - slip)
        table[f"wheel{number}_deg_s"] = np.degrees(surface / 27)
        table[f"wheel{number}_surface_mm_s"] = surface
    grade = {"test": "creep", "measure": "ripple", "grade": 3, "p": {"3": 0.97, "4": 0.03}}
    return result(
        table, start_jump=1.5, start_jump_u95=0.06, stood_at_start_s=0.8, grade=grade,
        start_delay_s=0.066, start_delay_u95_s=0.02,
    ), table  # fmt: skip


def stalls() -> tuple[dict[str, object], pd.DataFrame]:
    t = times(7.0)
    v = 25.0 - 25 * (rise(t, 2.0, 0.1) - rise(t, 2.5, 0.1)) - 25 * (rise(t, 4.4) - rise(t, 5.0))
    told = [
        {"t_s": 2.05, "dwell_s": 0.48, "dwell_u95_s": 0.03, "s_mm": 50.0, "commanded": False},
        {"t_s": 4.6, "dwell_s": 0.42, "dwell_u95_s": 0.05, "s_mm": 98.0, "commanded": False},
    ]
    table = trace(t, v)
    return result(table, stalls=told), table


def down_held_reverse() -> tuple[dict[str, object], pd.DataFrame]:
    """Down the board, stopped and held with a slow slide, then backed up with spinning wheels."""
    t = times(11.0)
    v = 30 * rise(t, 0.3, 0.3) - 30 * rise(t, 3.6, 0.5) + 0.9 * (rise(t, 4.1) - rise(t, 7.0, 0.1))
    v -= 24 * rise(t, 7.2, 0.2)
    table = trace(t, v)
    wheel = np.where((t > 4.0) & (t < 7.0), 0.0, v * 1.05) - 40 * (rise(t, 7.6) - rise(t, 8.3))
    for number, surface in ((1, wheel), (2, np.where(t > 9.5, np.nan, v * 1.02))):
        table[f"wheel{number}_deg_s"] = np.degrees(surface / 27)
        table[f"wheel{number}_surface_mm_s"] = surface
    usual = {"moved_by": "driven", "wheels": "rolling", "start_jump": None}
    phases = [
        usual | {"phase": "standing", "t_s": 0.0, "until_s": 0.3},
        usual | {"phase": "down", "t_s": 0.3, "until_s": 4.1, "start_jump": 1.08},
        usual | {"phase": "held", "t_s": 4.1, "until_s": 7.1, "wheels": "locked",
                 "moved_by": "sliding"},
        usual | {"phase": "reverse", "t_s": 7.1, "until_s": 11.0, "wheels": "spinning"},
    ]  # fmt: skip
    return result(
        table, phases=phases, stop_distance_mm=9.4, stop_distance_u95_mm=0.3, roll_off_mm=2.61,
        roll_off_u95_mm=0.08,
    ), table  # fmt: skip


def no_wheels_below_floor() -> tuple[dict[str, object], pd.DataFrame]:
    table = trace(times(5.0), np.full(300, 3.0), u=0.8)
    return result(
        table, ripple=0.02, ripple_u95=0.05, ripple_below_noise_floor=True, stalls=None,
        noise_floor_mm_s=0.9, stall_limit_mm_s=2.7,
    ), table  # fmt: skip


def gaps() -> tuple[dict[str, object], pd.DataFrame]:
    """Lost behind a hand for a second, frames missing later; wheels of unknown diameter."""
    t = times(9.0)
    v = 15 + 3 * np.sin(2 * np.pi * 0.4 * t)
    table = trace(t, v)
    table["wheel1_deg_s"] = np.degrees(v / 27)
    hidden = (t > 3.0) & (t < 4.0)
    table.loc[hidden, ["s_mm", "u_s_mm", "v_mm_s", "u_v_mm_s", "wheel1_deg_s"]] = np.nan
    table.loc[hidden, "gap"] = "the patch is covered"
    return result(table), table[(t < 6.0) | (t > 6.7)].reset_index(drop=True)


CASES = {
    "creep": creep,
    "stalls": stalls,
    "down-held-reverse": down_held_reverse,
    "below-floor": no_wheels_below_floor,
    "gaps": gaps,
}
