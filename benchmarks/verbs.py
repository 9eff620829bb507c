"""A crawl, a climb and a tilt of 1080p60 clips, beside decoding these and nothing else; an angle.

Decoding alone is PyAV in one thread, every picture's luma copied once; the verbs may decode ahead
in other threads. Time on the clock is what is promised, on a machine that does nothing else; that
of the processor in all threads stands beside it. Opening and the figures at the end are included.
The tilt has a clip of its own (a drawn platform). An angle reads one frame, so it is not held
against a clip's length: its seconds are told.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import av
import numpy as np

from benchmarks.clips import BODY, HEIGHT, WIDTH, write_creep
from benchmarks.common import Bar, Outcome, load, median_of_ratios, tell
from clipmark import measure_angle, measure_climb, measure_crawl, measure_tilt, open_clip
from clipmark.sample.camera import Camera
from clipmark.sample.scene import Encoding, Timing
from clipmark.sample.tilt import TiltScene, rough_tilt_marks
from clipmark.sample.tilt_render import render_tilt

# What is promised of each over decoding its clip.
ALLOWED = {"crawl": 1.5, "climb": 1.6, "tilt": 1.6}
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


def write_tilt(path: Path, frames: int) -> dict[str, Any]:
    """A platform that turns until the truck on it lifts a wheel near the end; its marks."""
    scene = TiltScene(
        camera=Camera(width=WIDTH, height=HEIGHT, view_deg=18.0, distance_mm=1400.0),
        timing=Timing(Fraction(60), frames=frames),
        encoding=Encoding(bit_rate=20_000_000),
    )
    turned_deg = scene.rate_deg_s * (0.8 * frames / 60 - scene.rest_s)
    scene = replace(scene, start_deg=scene.balance_deg - turned_deg)
    return rough_tilt_marks(dict(render_tilt(scene, path)), np.random.default_rng(1))


def tilt(marks: dict[str, Any], path: Path) -> None:
    """Platform, chassis and tyre followed, every event."""
    known = {name: value for name, value in marks.items() if name != "frame"}
    with open_clip(path) as clip:
        measure_tilt(clip, marks["frame"], **known)


def angle(marks: dict[str, Any], path: Path) -> None:
    """Platform and chassis of one frame, their edges fitted."""
    with open_clip(path) as clip:
        measure_angle(
            clip, marks["frame"], ramp=marks["platform"], chassis=marks["chassis"],
            level=marks["level"],
        )  # fmt: skip


def took_s(do: Callable[[], None]) -> tuple[float, float]:
    """Time on the clock, and of the processor in all threads of this process, s."""
    clock, processor = time.perf_counter(), time.process_time()
    do()
    return time.perf_counter() - clock, time.process_time() - processor


def measure(rounds: int = 3, seconds: float = 20.0) -> Outcome:
    """Decoding and each verb, turn about."""
    begun, frames = load(), round(60 * seconds)
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        creep, turning = Path(name) / "creep.mp4", Path(name) / "tilt.mp4"
        tell("writing the clips")
        write_creep(creep, frames)
        marks = write_tilt(turning, frames)
        kinds: dict[str, Callable[[], None]] = {
            "decoding alone": partial(decode, creep),
            "crawl": partial(crawl, creep),
            "climb": partial(climb, creep),
            "decoding the tilt's clip alone": partial(decode, turning),
            "tilt": partial(tilt, marks, turning),
            "angle": partial(angle, marks, turning),
        }
        found: dict[str, list[tuple[float, float]]] = {what: [] for what in kinds}
        for number in range(rounds):
            for what, do in kinds.items():
                found[what].append(took_s(do))
                tell(f"round {number + 1}: {what} {found[what][-1][0]:.2f} s")
    clocks = {what: [clock for clock, _ in taken] for what, taken in found.items()}
    bars = []
    for what, allowed in ALLOWED.items():
        alone = "decoding the tilt's clip alone" if what == "tilt" else "decoding alone"
        ratio = median_of_ratios(clocks[what], clocks[alone])
        bars.append(Bar(f"{what} over {alone}", ratio, f"at most {allowed}", ratio <= allowed))
    rows = []
    for what, taken in found.items():
        middle = [statistics.median(each) for each in zip(*taken, strict=True)]
        per_frame = [f"{1e3 * took / frames:.2f}" for took in middle]
        rows.append((
            what, *(f"{took:.2f}" for took in middle),
            *(("one frame", "one frame") if what == "angle" else per_frame),
        ))  # fmt: skip
    return Outcome(
        "Verbs beside decoding",
        ("what", "s", "of the processor, s", "ms a frame", "of the processor, ms a frame"),
        rows, bars,
        [f"Medians of {rounds} rounds, {frames} frames of 1080p60; {begun} before, "
         f"{load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=20.0, help="length of the clips")
    told = parser.parse_args()
    sys.stdout.write(measure(told.rounds, told.seconds).markdown())


if __name__ == "__main__":
    main()
