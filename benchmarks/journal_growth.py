"""An event of 100, 1,000, 10,000 and 100,000 attempts: opening, saving, the table, memory, scoring.

Each figure is taken by a program of its own, so that memory is that of one thing done. The journal
is written as saving writes it, without flushing each line, so that it is there soon. Run ``python
-m benchmarks.journal_growth``; sizes may be given, as ``--sizes 100 1000``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from pydantic_core import to_json

from benchmarks.common import ROOT, Bar, Outcome, environment, load, tell
from clipmark.record.canonical import canonical_bytes
from clipmark.record.canonical_quick import read_quickly
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading
from clipmark.scoring.score import score_event

SIZES = (100, 1_000, 10_000, 100_000)
SAVES = 15
ENTRIES = ("Siskin", "Wren", "Dunnock", "Twite")
STEPS_DEG = (30.0, 35.0, 40.0, 45.0, 50.0)
SHEET = """
[event]
name = "Tarn Hollow Pocket Trials"

[[test]]
id = "climb"
name = "Climb"
kind = "ladder"
measure = "ramp_deg"
steps_deg = [30, 35, 40, 45, 50]
tries_per_step = 2
stop_after_failed_steps = 1
points = [[30, 0], [50, 100]]
cap = 100
"""


def angle_result(chance: random.Random) -> dict[str, object]:
    """A measured angle with its budget, about as long as a real one."""
    ramp = chance.uniform(30.0, 50.0)
    sources = [
        {"source": f"source {number}", "kind": "B", "u_deg": chance.random() / 10, "dof": None,
         "advice": "give a longer level line"}
        for number in range(16)
    ]  # fmt: skip
    return {
        "ramp_deg": ramp, "ramp_u95_deg": 0.31, "ramp_low95_deg": ramp - 0.31,
        "ramp_high95_deg": ramp + 0.31, "frame": chance.randrange(900),
        "t_s": chance.uniform(0, 30), "clip_sha256": f"{chance.getrandbits(256):064x}",
        "fingerprint": f"{chance.getrandbits(256):064x}", "budget": {"ramp_deg": sources},
        "lines": {"ramp": [chance.uniform(0, 1900) for _ in range(4)]},
        "warnings": ["no lens file was given"],
    }  # fmt: skip


def attempt(
    number: int, chance: random.Random, reading: Reading | None = None
) -> dict[str, object]:
    """An attempt at a ladder, as a caller writes it down."""
    failed = chance.random() < 0.3
    return {
        "entry": ENTRIES[number % len(ENTRIES)],
        "test": "climb",
        "travel": "up",
        "step_deg": STEPS_DEG[number // len(ENTRIES) % len(STEPS_DEG)],
        "try_no": 1 + number % 2,
        "verdict": "failed" if failed else "cleared",
        "reason": "stalled" if failed else None,
        "note": "x" * 120,
        "readings": [reading or Reading.from_measured("angle", angle_result(chance))],
    }


def grow(folder: Path, count: int) -> float:
    """An event of so many attempts; the mean length of a line, kB."""
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials") as event:
        (folder / "event.toml").write_text(SHEET, encoding="utf-8")
        chance = random.Random(count)
        reading = Reading.from_measured("angle", angle_result(chance))
        line = event.save_attempt(attempt(1, chance, reading), by="M. Fell")
        at, previous, seq, fixed = str(line.at), line.sha256, line.seq, line.body
        with event.journal.path.open("ab") as journal:
            for number in range(2, count + 1):
                seq += 1
                said = attempt(number, chance, reading)
                readings = [{**reading.to_body(), "result": angle_result(chance)}]
                fields = {
                    "at": at, "body": {**fixed, **said, "readings": readings}, "by": "M. Fell",
                    "id": f"a{number:04d}", "kind": "attempt", "previous": previous,
                    "revision": 1, "seq": seq,
                }  # fmt: skip
                raw = to_json(in_order(fields))
                if read_quickly(raw) is None:  # it holds a number that is written otherwise
                    raw = canonical_bytes(fields)  # type: ignore[arg-type]
                previous = hashlib.sha256(raw).hexdigest()
                journal.write(raw[:-1] + f',"sha256":"{previous}"}}\n'.encode())
    return (folder / "journal.jsonl").stat().st_size / count / 1000


def in_order(value: object) -> object:
    """The same as canonical JSON has it: names in order, whole numbers without a point."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, dict):
        return {name: in_order(value[name]) for name in sorted(value)}
    return [in_order(item) for item in value] if isinstance(value, list) else value


def memory_mb() -> float:
    """The most memory that this program held, MB."""
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def opening(folder: Path) -> dict[str, float]:
    """The journal judged, stale tables looked for; nothing written."""
    began, busy = time.perf_counter(), time.process_time()
    EventFolder.open(folder)
    return {
        "s": time.perf_counter() - began, "cpu_s": time.process_time() - busy, "mb": memory_mb(),
    }  # fmt: skip


def table(folder: Path) -> dict[str, float]:
    """``attempts.csv`` made from the journal alone."""
    with EventFolder.open(folder) as event:
        began = time.perf_counter()
        event.write_attempts_file()
        return {"s": time.perf_counter() - began, "mb": memory_mb()}


def saving(folder: Path) -> dict[str, float]:
    """Saves one after the other, each time until the table shows it."""
    times, lags, chance = [], [], random.Random(1)
    with EventFolder.open(folder) as event:
        for number in range(SAVES):
            body = attempt(number, chance)
            began = time.perf_counter()
            line = event.save_attempt(body, by="M. Fell")
            times.append(time.perf_counter() - began)
            while not _shows(folder / "attempts.csv", line.sha256):
                time.sleep(0.02)
            lags.append(time.perf_counter() - began)
        return {
            "ms": 1000 * statistics.median(times), "ms_longest": 1000 * max(times),
            "lag_s": statistics.median(lags), "lag_s_longest": max(lags), "mb": memory_mb(),
        }  # fmt: skip


def _shows(path: Path, sha256: str) -> bool:
    with path.open("rb") as source:
        source.seek(max(0, path.stat().st_size - 4000))
        return sha256.encode() in source.read()


def scoring(folder: Path) -> dict[str, float]:
    """Every attempt read, the event scored."""
    began = time.perf_counter()
    score_event(folder)
    return {"s": time.perf_counter() - began, "mb": memory_mb()}


PARTS: Mapping[str, Callable[[Path], dict[str, float]]] = {
    "opening": opening, "table": table, "saving": saving, "scoring": scoring,
}  # fmt: skip


def alone(part: str, folder: Path, cache: Path) -> dict[str, float]:
    """One part in a program of its own."""
    ran = subprocess.run(
        [sys.executable, "-m", "benchmarks.journal_growth", "--part", part, str(folder)],
        capture_output=True, text=True, cwd=ROOT, check=False,
        env=environment() | {"XDG_CACHE_HOME": str(cache), "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    if ran.returncode != 0:
        raise RuntimeError(ran.stderr)
    found: dict[str, float] = json.loads(ran.stdout)
    return found


def row(count: int, place: Path, scored: bool) -> tuple[list[str], dict[str, float]]:
    """The row of one size, and what is promised of it."""
    folder, cache = place / str(count), place / f"cache-{count}"
    tell(f"{count} attempts: writing the journal")
    line_kb = grow(folder, count)
    tell(f"{count} attempts: the table from nothing")
    made = alone("table", folder, cache)
    tell(f"{count} attempts: opening")
    without = alone("opening", folder, place / f"no-cache-{count}")
    found = min((alone("opening", folder, cache) for _ in range(3)), key=lambda one: one["s"])
    tell(f"{count} attempts: saving")
    saved = alone("saving", folder, cache)
    memory = max(without["mb"], found["mb"], saved["mb"])
    cells = [
        f"{count:,}",
        f"{line_kb:.1f}",
        f"{without['s']:.2f} ({without['cpu_s']:.2f})",
        f"{found['s']:.2f} ({found['cpu_s']:.2f})",
        f"{saved['ms']:.1f} / {saved['ms_longest']:.1f}",
        f"{saved['lag_s']:.2f} / {saved['lag_s_longest']:.2f}",
        f"{made['s']:.1f}",
        f"{memory:.0f}",
    ]
    if scored:
        tell(f"{count} attempts: scoring")
        points = alone("scoring", folder, cache)
        cells.append(f"{points['s']:.1f}, {points['mb']:.0f}")
    else:
        cells.append("")
    promised = {
        "opening without checkpoint, s": without["s"], "opening with checkpoint, s": found["s"],
        "a save, median, ms": saved["ms"], "the table follows, median, s": saved["lag_s"],
        "memory, MB": memory,
    }  # fmt: skip
    return cells, promised


COLUMNS = (
    "attempts", "kB a line", "opening without checkpoint, s (processor)",
    "opening with it, s (processor)", "a save: median / longest, ms",
    "table follows: median / longest, s", "table from nothing, s",
    "memory: opening or saving, MB", "scoring: s, MB",
)  # fmt: skip
LIMITS = {
    "opening without checkpoint, s": 10.0, "opening with checkpoint, s": 3.0,
    "a save, median, ms": 50.0, "the table follows, median, s": 2.0, "memory, MB": 600.0,
}  # fmt: skip


def measure(sizes: Sequence[int] = SIZES, *, scored: bool = True) -> Outcome:
    """Every size once; what is promised is promised of the largest."""
    before = load()
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        found = [row(count, Path(name), scored) for count in sizes]
    bars = [
        Bar(
            f"{what}, of {LIMITS[what]:g}", value / LIMITS[what], "at most 1", value <= LIMITS[what]
        )
        for what, value in found[-1][1].items()
    ]
    notes = [
        "Opening reads and hashes every byte, with the checkpoint too; seconds of the processor in "
        "brackets. Promises are of the largest event.",
        f"{before} before, {load()} after.",
    ]
    return Outcome("An event that grows", COLUMNS, [cells for cells, _ in found], bars, notes)


def main() -> None:
    """Print the table, or do one part."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--no-scoring", action="store_true", help="leave scoring out")
    parser.add_argument("--part", nargs=2, metavar=("PART", "FOLDER"), help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.part:
        sys.stdout.write(json.dumps(PARTS[told.part[0]](Path(told.part[1]))))
    else:
        sys.stdout.write(measure(told.sizes, scored=not told.no_scoring).markdown())


if __name__ == "__main__":
    main()
