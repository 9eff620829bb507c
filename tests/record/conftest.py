"""What the tests of the record room share: an invented event, attempts, measured readings."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from clipmark.record.folder import EventFolder

CLIP_SHA256 = "c1" * 32
FINGERPRINT = "f0" * 32


@pytest.fixture(autouse=True)
def own_cache_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test reads or writes the cache of whoever runs it."""
    cache = tmp_path / "cache"
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    return cache


@pytest.fixture
def ticking() -> Callable[[], datetime]:
    """A clock that starts at a fixed instant and goes on by a second each time it is read."""
    now = [datetime(2026, 11, 25, 13, 37, tzinfo=UTC)]

    def tick() -> datetime:
        now[0] += timedelta(seconds=1)
        return now[0]

    return tick


@pytest.fixture
def event(tmp_path: Path, ticking: Callable[[], datetime]) -> EventFolder:
    return EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials", clock=ticking)


@pytest.fixture
def angle_result() -> dict[str, object]:
    """What an angle measurement prints: a descending chassis on a board that falls to the right."""
    return {
        "ramp_deg": -44.98231274,
        "ramp_u95_deg": 0.312,
        "ramp_low95_deg": -45.29,
        "ramp_high95_deg": -44.66,
        "chassis_deg": -41.5,
        "chassis_u95_deg": 0.4,
        "chassis_low95_deg": -41.9,
        "chassis_high95_deg": -41.1,
        "chassis_to_ramp_deg": 3.48231274,
        "chassis_to_ramp_u95_deg": 0.2,
        "chassis_to_ramp_low95_deg": 3.28,
        "chassis_to_ramp_high95_deg": 3.68,
        "frame": 412,
        "t_s": 13.747,
        "clip_sha256": CLIP_SHA256,
        "fingerprint": FINGERPRINT,
        "budget": {"ramp_deg": [{"source": "level", "kind": "B", "u_deg": 0.05, "dof": None}]},
        "warnings": ["no lens file was given"],
        "lines": {"ramp": [100.0, 600.0, 900.0, 120.0]},
    }


@pytest.fixture
def crawl_result() -> dict[str, object]:
    return {
        "duration_s": 12.5,
        "distance_mm": 251.25,
        "mean_speed_mm_s": 20.1,
        "mean_speed_u95_mm_s": 0.05,
        "mean_speed_low95_mm_s": 20.05,
        "mean_speed_high95_mm_s": 20.15,
        "slowest_speed_mm_s": 14.2,
        "ripple": 0.081,
        "ripple_u95": 0.012,
        "ripple_low95": 0.07,
        "ripple_high95": 0.094,
        "ripple_band_hz": [0.5, 5.0],
        "noise_floor_mm_s": 0.3,
        "stalls": [{"t_s": 3.2, "dwell_s": 0.5, "dwell_u95_s": 0.04, "s_mm": 61.0}],
        "rollback_mm": 0.0,
        "frame": 10,
        "t_s": 0.334,
        "clip_sha256": CLIP_SHA256,
        "fingerprint": FINGERPRINT,
        "budget": {},
        "warnings": [],
    }


@pytest.fixture
def climb() -> dict[str, object]:
    """A small attempt, as a caller would write it down."""
    return {"entry": "Heather Goat", "test": "climb", "travel": "up", "step_deg": 45.0}
