"""How an event folder fares as its journal grows: opened, one attempt more, its table, scored.

Attempts are real journal lines, chained and hashed, of a hundred trucks at five tests. Opening
checks the whole chain. Saving an attempt must not grow with the journal; the others may grow with
it, no faster.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from benchmarks.common import Bar, Outcome, load, tell
from clipmark.record.folder import EventFolder
from clipmark.record.journal import Draft
from clipmark.scoring.score import score_event

TRUCKS, TESTS, CHUNK = 100, 5, 1000
TEST = '\n[[test]]\nid = "t{}"\nkind = "reading"\nmeasure = "tilt_deg"\ncounted = "mean"\n'
NEAR = 1.3  # a power of the number of attempts: 1 is in proportion


def fill(folder: Path, count: int) -> None:
    """Make an event of so many attempts; the readings differ."""
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials") as event:
        names = "".join(f'\n[[entry]]\nname = "T{n}"\n' for n in range(TRUCKS))
        sheet = '[event]\nname = "Tarn Hollow Pocket Trials"\n'
        sheet += "".join(TEST.format(n) for n in range(TESTS)) + names
        (folder / "event.toml").write_text(sheet, encoding="utf-8")
        line = event.save_attempt({"entry": "T0", "test": "t0", "try_no": 1}, by="Marsh")
        body = line.body
        for first in range(1, count, CHUNK):
            drafts = [
                Draft("attempt", f"b{n:06d}", {**body, **_of(n)}, 0)  # type: ignore[dict-item]
                for n in range(first, min(first + CHUNK, count))
            ]
            event.journal.append(drafts, by="Marsh")


def _of(number: int) -> dict[str, object]:
    value = 40.0 + number % 97 / 20
    result = {
        "tilt_deg": value, "tilt_u95_deg": 0.3, "tilt_low95_deg": value - 0.3,
        "tilt_high95_deg": value + 0.3, "frame": 3, "t_s": 0.1, "clip_sha256": "0" * 64,
        "fingerprint": "0" * 16, "warnings": [], "budget": {},
    }  # fmt: skip
    reading = {"measure": "tilt", "result": result, "versions": {"clipmark": "0.1.0"}}
    return {
        "entry": f"T{number % TRUCKS}", "test": f"t{number // TRUCKS % TESTS}",
        "try_no": 1 + number // TRUCKS // TESTS, "readings": [reading],
    }  # fmt: skip


def took_s(do: Callable[[], object]) -> float:
    """Processor time, s: a busy machine changes it little."""
    begun = time.process_time()
    do()
    return time.process_time() - begun


def of_size(count: int) -> dict[str, float]:
    """Seconds for what is done with an event of so many attempts."""
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        folder = Path(name) / "event"
        fill(folder, count)
        found: dict[str, float] = {}
        events: list[EventFolder] = []
        found["open, chain checked"] = took_s(lambda: events.append(EventFolder.open(folder)))
        event = events[0]
        numbers = iter(range(1, 100))

        def save() -> None:
            for _ in range(5):
                event.save_attempt(
                    {"entry": "T0", "test": "t0", "try_no": 9000 + next(numbers)}, by="Fell"
                )

        found["save one attempt"] = took_s(save) / 5
        found["attempts.csv"] = took_s(event.write_attempts_file)
        found["score"] = took_s(lambda: score_event(event))
        event.close()
    return found


def measure(most: int = 100_000) -> Outcome:
    """Sizes from 100 in steps of ten; bars over the last two."""
    begun = load()
    sizes = [size for size in (100, 1_000, 10_000, 100_000) if size <= most]
    found = {}
    for size in sizes:
        found[size] = of_size(size)
        tell(f"{size} attempts: " + ", ".join(f"{w} {s:.3f} s" for w, s in found[size].items()))
    rows = [(what, *(f"{found[size][what]:.3f}" for size in sizes)) for what in found[sizes[-1]]]
    bars = []
    if len(sizes) > 1:
        times = sizes[-1] / sizes[-2]
        for what in found[sizes[-1]]:
            ratio = found[sizes[-1]][what] / max(found[sizes[-2]][what], 1e-3)
            allowed = 3.0 if what.startswith("save") else times**NEAR
            what_grows = f"{what}: {sizes[-1]:,} attempts over {sizes[-2]:,}"
            bars.append(Bar(what_grows, ratio, f"at most {allowed:.1f}", ratio <= allowed))
    return Outcome(
        "A growing journal",
        ("processor time, s", *(f"{size:,} attempts" for size in sizes)),
        rows, bars, [f"One run; {begun} before, {load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--most", type=int, default=100_000)
    told = parser.parse_args()
    sys.stdout.write(measure(told.most).markdown())


if __name__ == "__main__":
    main()
