"""Makes the reference files of format version 1: ``journal_v1.jsonl`` and ``attempts_v1.csv``.

Run once, when the version was fixed; kept so that everybody can see how the files came to be.
They are never made anew to let a test pass: old events must keep opening.

    python tests/record/data/make_v1.py FOLDER
"""

import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading

CLIP = {"path": "clips/run-07.mp4", "sha256": "5d" * 32}
EVIDENCE = {"clip_sha256": "5d" * 32, "fingerprint": "ab" * 32, "warnings": ["no lens file"]}
VERSIONS = {"clipmark": "0.1.0", "numpy": "2.4.0", "scipy": "1.17.0"}
MARKS = [
    {"shape": "line", "role": "ramp", "frame": 412, "x1": 100, "y1": 600.25, "x2": 900, "y2": 120},
    {"shape": "wheel", "role": "rear wheel", "cx": 300, "cy": 400, "rx": 40, "ry": 39.5},
    {"shape": "patch", "x": 310, "y": 350, "w": 64, "h": 48},
    {
        "shape": "sheet",
        "corners": [[0, 0], [297, 0], [297, 210], [0, 210]],
        "width_mm": 297,
        "height_mm": 210,
    },
]


def interval(name: str, value: float, u95: float, unit: str = "") -> dict[str, float]:
    return {
        f"{name}{unit}": value,
        f"{name}_u95{unit}": u95,
        f"{name}_low95{unit}": value - u95,
        f"{name}_high95{unit}": value + u95,
    }


def angle() -> Reading:
    return Reading.from_measured(
        "angle",
        interval("ramp", -44.98231274, 0.3125, "_deg")
        | interval("chassis", 41.50000001, 0.4, "_deg")
        | interval("chassis_to_ramp", -3.48231273, 0.2, "_deg")
        | {
            "frame": 412,
            "t_s": 13.747,
            "budget": {
                "ramp_deg": [
                    {"source": "level", "kind": "B", "u_deg": 1e-7, "dof": None, "advice": "µ, ≤"}
                ]
            },
            "lines": {"ramp": [100.0, 600.25, 900.0, 120.0]},
        }
        | EVIDENCE,
        seed=20261125,
        draws=20000,
        versions=VERSIONS,
    )


def crawl() -> Reading:
    return Reading.from_measured(
        "crawl",
        interval("mean_speed", 20.1, 0.05, "_mm_s")
        | interval("ripple", 0.081, 0.012)
        | {
            "duration_s": 12.5,
            "distance_mm": 251.25,
            "slowest_speed_mm_s": 14.2,
            "ripple_band_hz": [0.5, 5.0],
            "noise_floor_mm_s": 0.3,
            "stalls": [{"t_s": 3.2, "dwell_s": 0.5, "dwell_u95_s": 0.04, "s_mm": 61.0}],
            "rollback_mm": 0.0,
            "frame": 10,
            "t_s": 0.334,
            "budget": {},
        }
        | EVIDENCE,
        seed=1,
        draws=2000,
        versions=VERSIONS,
    )


def make(folder: Path, into: Path) -> None:
    now = [datetime(2026, 11, 25, 13, 37, tzinfo=UTC)]

    def tick() -> datetime:
        now[0] += timedelta(seconds=1, milliseconds=125)
        return now[0]

    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials", clock=tick) as event:
        (folder / "lenses" / "phone.json").write_text('{"model": "ordinary", "fx": 1500.5}\n')
        event.save_stand(
            {"name": "left of the board", "square_within_deg": 3.0}, by="M. Fell", id="left"
        )
        event.save_attempt(
            {
                "entry": "Heather Goat",
                "test": "climb",
                "setup": "soft tyres",
                "surface": "grip board",
                "try_no": 1,
                "step_deg": 45.0,
                "set_start_deg": 45.0,
                "set_end_deg": 44.8,
                "travel": "up",
                "clip": CLIP,
                "span": {"first_frame": 10, "last_frame": 760, "first_t_s": 0.33, "last_t_s": 25.4},
                "stand": {"id": "left", "revision": 1},
                "lens": {"path": "lenses/phone.json"},
                "marks": MARKS,
                "readings": [angle(), crawl()],
                "calls": [{"call": "reverse", "t_s": 12.25, "frame": 366}],
                "proposal": {"proposed": "failed", "reason": "stalled", "ended_by": "grip"},
                "verdict": "failed",
                "reason": "stalled",
                "called_by": "A. Tarn",
                "note": "=not a formula; -2 kg\nsecond line, \"quoted\"",
            },
            by="M. Fell",
        )  # fmt: skip
        event.save_attempt(
            {"entry": "Größe 日本 😀", "test": "climb", "verdict": "void", "reason": "board-moved"},
            by="M. Fell",
        )
        first = event.attempt("a0001").attempt
        claim = {"measure": "ramp_deg", "relation": "at least", "value": 45.0, "unit": "deg"}
        event.save_attempt(
            first.to_body() | {"claim": claim, "ruling": {"outcome": "cannot decide"}},
            by="A. Tarn",
            id="a0001",
            base_revision=1,
        )
    shutil.copy(folder / "journal.jsonl", into / "journal_v1.jsonl")
    shutil.copy(folder / "attempts.csv", into / "attempts_v1.csv")


if __name__ == "__main__":
    make(Path(sys.argv[1]), Path(__file__).parent)
