"""Side tilts and climbs made up with known shape, in the form that their readings have."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.report.report_kit import TICKS

SHA = "c1" * 32


def _value(name: str, unit: str, value: float, u95: float) -> dict[str, float]:
    tail = f"_{unit}" if unit else ""
    return {f"{name}{tail}": value, f"{name}_u95{tail}": u95, f"{name}_low95{tail}": value - u95,
            f"{name}_high95{tail}": value + u95}  # fmt: skip


def tilt(sha256: str = SHA, **more: object) -> tuple[dict[str, object], pd.DataFrame]:
    """20 frames of a clip: the platform at 40 to 44 deg, three events, right side low."""
    t = np.array(TICKS) / 90000
    angle = 40 + 6 * t
    roll = 2 + 0.4 * np.exp(np.clip((t - 0.4) / 0.08, -20, 4))
    events = [
        {
            "event": "both uphill wheels off",
            "criterion": "first motion, by the unstable-turning model",
            "t_s": 0.40, "t_u95_s": 0.02, "frame": 11, "turned_deg": 2.4,
            "rate_deg_s": 6.0, "rate_u95_deg_s": 0.1, **_value("tilt", "deg", 42.4, 0.26),
        },
        {
            "event": "both uphill wheels off", "criterion": "gap of 1 mm under the uphill tyre",
            "t_s": 0.466, "t_u95_s": 0.01, "frame": 13, "turned_deg": 2.8,
            "rate_deg_s": 6.0, "rate_u95_deg_s": 0.1, **_value("tilt", "deg", 42.8, 0.25),
        },
        {
            "event": "topple", "criterion": "extra turn of 15 deg against the platform",
            "t_s": 0.66, "t_u95_s": 0.01, "frame": 18, "turned_deg": 4.0,
            "rate_deg_s": 6.0, "rate_u95_deg_s": 0.1, **_value("tilt", "deg", 43.9, 0.25),
        },
    ]  # fmt: skip
    table = pd.DataFrame(
        {
            "t_s": t, "platform_deg": -angle, "u_platform_deg": 0.01, "chassis_deg": -angle - roll,
            "u_chassis_deg": 0.02, "chassis_to_platform_deg": roll, "tilt_deg": angle,
            "rate_deg_s": 6.0, "tyre1_off_mm": roll - 2.0, "tyre1_down_mm": 0.0,
            "platform_x1_px": 100.0, "platform_y1_px": 300.0, "platform_x2_px": 500.0,
            "platform_y2_px": 120.0 - np.arange(20), "tyre1_x_px": 300.0, "tyre1_y_px": 150.0,
            "frame": range(20), "platform_gap": "", "chassis_gap": "",
        }
    )  # fmt: skip
    result: dict[str, object] = {
        "lift_off": True, **_value("tilt", "deg", 42.4, 0.26), "t_s": 0.40, "frame": 11,
        "t_interval95_s": [0.37, 0.42], "gap_mm": 1.0, "events": events,
        "other_events": [{"event": "slide", "said": "not reached",
                          "why": "up to a platform angle of 44.00 deg"}],
        "low_side": "right", **_value("highest_tilt", "deg", 44.0, 0.25),
        "cog": {**_value("height", "mm", 59.9, 0.7), **_value("offset", "mm", 1.5, 0.5),
                **_value("stability_factor", "", 0.90, 0.01)},
        "first_frame": 0, "last_frame": 19, "reference_frame": 0, "clip_sha256": sha256,
        "fingerprint": "f0" * 32, "warnings": [],
    }  # fmt: skip
    return result | more, table


def climb(sha256: str = SHA, **more: object) -> tuple[dict[str, object], pd.DataFrame]:
    """20 frames of a clip: up the board, then back down on wheels that do not turn."""
    t = np.array(TICKS) / 90000
    v = np.where(t < 0.4, 70.0, -50.0)
    way = 100 + np.concatenate([[0.0], np.cumsum(v[1:] * np.diff(t))])
    table = pd.DataFrame(
        {
            "t_s": t, "s_mm": way - 100, "u_s_mm": 0.02, "v_mm_s": v, "u_v_mm_s": 0.5,
            "wheel1_deg_s": np.where(t < 0.4, 148.0, 0.0),
            "wheel1_surface_mm_s": np.where(t < 0.4, 70.0, 0.0),
            "slip1": np.where(t < 0.4, 0.0, np.nan), "braking1": np.where(t < 0.4, np.nan, 1.0),
            "rear_mm": way, "front_mm": way + 133, "past_finish_mm": way - 180,
            "chassis_to_ramp_deg": 2.0, "board_turned_deg": 0.0,
            "ramp_x1_px": 80.0, "ramp_y1_px": 310.0, "ramp_x2_px": 560.0, "ramp_y2_px": 70.0,
            "rear_x_px": 200.0 + np.arange(20), "rear_y_px": 230.0,
            "front_x_px": 300.0 + np.arange(20), "front_y_px": 180.0, "frame": range(20), "gap": "",
        }
    )  # fmt: skip
    result: dict[str, object] = {
        "proposed": "failed", "reason": "slid back: its way up ended at 0.40 s", "mode": "climb",
        "reason_code": "slid-back", "ended_by": "grip",
        "ended_by_why": "the wheels slipped while the chassis stayed down",
        **_value("run_up", "mm_s", 70.0, 1.0), "run_up_at": "start of the span",
        **_value("progress", "mm", 28.0, 0.6), "progress_share": 0.35,
        **_value("slide_back", "mm", 15.0, 0.7), "roll_back_mm": 0.0,
        "decided_t_s": 0.40, "decided_frame": 11, "front_lifts": [],
        "front_lift_limit_deg": 6.0, "chassis_to_ramp_usual_deg": 2.0,
        "went_back": [{"t_s": 0.45, "until_s": 0.7, "frame": 12, "how": "slid", "mm": 15.0}],
        "entered_patch": [], "phases": [], "stalls": [],
        "board_moved": {"moved": False, "by_deg": 0.01, "by_u95_deg": 0.05,
                        "ramp_decided_deg": 38.0, "ramp_decided_u95_deg": 0.6},
        "ramp": {"ramp_deg": 38.0}, "noise_floor_mm_s": 0.5, "first_frame": 0, "last_frame": 19,
        "frame": 0, "t_s": 0.0, "clip_sha256": sha256, "fingerprint": "f0" * 32, "warnings": [],
    }  # fmt: skip
    return result | more, table


FACTS = {
    "wheel_turned_back": {"seen": True, "deg": 152.0, "t_s": 0.5},
    "body_moved_back": {"seen": False, "mm": 0.0, "t_s": None},
    "driven": {"seen": False, "why": "no move back was seen"},
}
