"""A crawl and a climb of a 1080p60 clip, beside decoding it and nothing else.

Decoding alone is PyAV in one thread, every picture's luma copied once; the verbs may decode ahead
in other threads. Time on the clock is what is promised, on a machine that does nothing else; that
of the processor in all threads stands beside it. Opening and the figures at the end are included.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np

from benchmarks.clips import BODY, HEIGHT, WIDTH, write_creep
from benchmarks.common import Bar, Outcome, load, median_of_ratios, tell
from clipmark import measure_climb, measure_crawl, open_clip

ALLOWED = {"crawl": 1.6, "climb": 1.6}
PATCH = (BODY[0] + 60, BODY[1] + 40, 200, 120)


def decode(path: Path) -> None:
    """Every picture to luma, once, in one thread."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type, stream.codec_context.thread_count = "NONE", 1
        for frame in container.decode(stream):
            plane = frame.planes[0]
            np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:HEIGHT, :WIDTH].copy()


def crawl(path: Path) -> None:
    """Body followed, speed and figures."""
    with open_clip(path) as clip:
        measure_crawl(clip, 0, patch=PATCH, scale=(100, 100, 600, 100), scale_mm=250.0)


def climb(path: Path) -> None:
    """The same with what a climb asks for: a board's line and a finish."""
    with open_clip(path) as clip:
        measure_climb(
            clip, 0, patch=PATCH, ramp=(100, 960, 1600, 729), finish=(1500, 380, 1520, 460),
            scale=(100, 100, 600, 100), scale_mm=250.0, edge_fit=False,
        )  # fmt: skip


def took_s(do: Callable[[Path], None], path: Path) -> tuple[float, float]:
    """Time on the clock, and of the processor in all threads of this process, s."""
    clock, processor = time.perf_counter(), time.process_time()
    do(path)
    return time.perf_counter() - clock, time.process_time() - processor


def measure(rounds: int = 3, frames: int = 240) -> Outcome:
    """Decoding, crawl and climb, turn about."""
    begun = load()
    kinds = {"decoding alone": decode, "crawl": crawl, "climb": climb}
    found: dict[str, list[float]] = {name: [] for name in kinds}
    processor: dict[str, list[float]] = {name: [] for name in kinds}
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        path = Path(name) / "creep.mp4"
        tell("writing the clip")
        write_creep(path, frames)
        for number in range(rounds):
            for what, do in kinds.items():
                clock, of_processor = took_s(do, path)
                found[what].append(clock)
                processor[what].append(of_processor)
                tell(f"round {number + 1}: {what} {clock:.2f} s")
    bars = []
    for what, allowed in ALLOWED.items():
        ratio = median_of_ratios(found[what], found["decoding alone"])
        bars.append(
            Bar(f"{what} over decoding alone", ratio, f"at most {allowed}", ratio <= allowed)
        )
    rows = [
        (w, *(f"{1e3 * statistics.median(times[w]) / frames:.2f}" for times in (found, processor)))
        for w in kinds
    ]
    return Outcome(
        "Verbs beside decoding",
        ("what", "ms a frame, median", "of the processor, ms a frame"),
        rows, bars,
        [f"{rounds} rounds, {frames} frames of 1080p60; {begun} before, {load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=240)
    told = parser.parse_args()
    sys.stdout.write(measure(told.rounds, told.frames).markdown())


if __name__ == "__main__":
    main()
