"""Jumps to named frames beside OpenCV's own seeking, and whether they are the frames.

1080p60 with groups of 250 pictures. Two ways of jumping: an operator's (45 % one forward, 35 %
one back, 17 % within 10, 3 % anywhere) and uniformly at random. OpenCV is told to seek only where
the frame is not simply the next one. Both give the colour picture and decode with two threads.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from benchmarks.clips import number_in, write_creep
from benchmarks.common import Bar, Outcome, load, median_of_ratios, tell
from clipmark.clip import open_clip

THREADS = 2  # of the decoder that jumps, in both


def operator_path(count: int, frames: int, seed: int) -> list[int]:
    """Frames as somebody steps through a clip who marks it."""
    rng = np.random.default_rng(seed)
    place, found = frames // 2, []
    for kind in rng.random(count):
        if kind < 0.45:
            place += 1
        elif kind < 0.80:
            place -= 1
        elif kind < 0.97:
            place += int(rng.integers(-10, 11))
        else:
            place = int(rng.integers(frames))
        place = min(max(place, 0), frames - 1)
        found.append(place)
    return found


def random_path(count: int, frames: int, seed: int) -> list[int]:
    """Frames anywhere."""
    return [int(n) for n in np.random.default_rng(seed).integers(frames, size=count)]


def with_clipmark(path: Path, wanted: list[int]) -> tuple[float, int]:
    """Seconds for all, and how many were not the frame."""
    wrong = 0
    with open_clip(path) as clip:
        begun = time.perf_counter()
        for ordinal in wanted:
            frame = clip.frame(ordinal)
            wrong += number_in(frame.bgr()[..., 1]) != ordinal
        return time.perf_counter() - begun, wrong


def with_opencv(path: Path, wanted: list[int]) -> tuple[float, int]:
    """The same with a `VideoCapture`."""
    wrong, after = 0, 0
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, THREADS])
    begun = time.perf_counter()
    for ordinal in wanted:
        if ordinal != after:
            capture.set(cv2.CAP_PROP_POS_FRAMES, ordinal)
        there, picture = capture.read()
        wrong += not there or number_in(picture[..., 1]) != ordinal
        after = ordinal + 1
    took = time.perf_counter() - begun
    capture.release()
    return took, wrong


def measure(
    rounds: int = 3, frames: int = 600, jumps: int = 120, random_jumps: int = 30
) -> Outcome:
    """Both ways of jumping, both readers, turn about."""
    begun, rows, bars = load(), [], []
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        path = Path(name) / "long-groups.mp4"
        tell("writing the clip")
        write_creep(path, frames)
        for what, way, count in (
            ("an operator's jumps", operator_path, jumps),
            ("random jumps", random_path, random_jumps),
        ):
            ours, theirs, wrong = [], [], [0, 0]
            for number in range(rounds):
                wanted = way(count, frames, number)
                for place, (read, times) in enumerate(
                    ((with_clipmark, ours), (with_opencv, theirs))
                ):
                    took, missed = read(path, wanted)
                    times.append(took)
                    wrong[place] += missed
                tell(f"{what}, round {number + 1}: {ours[-1]:.2f} s, OpenCV {theirs[-1]:.2f} s")
            for reader, times, missed in (
                ("clipmark", ours, wrong[0]),
                ("OpenCV", theirs, wrong[1]),
            ):
                each_ms = 1e3 * statistics.median(times) / count
                rows.append((f"{what}, {reader}", f"{each_ms:.1f}", str(missed)))
            ratio = median_of_ratios(ours, theirs)
            bars.append(Bar(f"{what}: time over OpenCV's", ratio, "at most 1", ratio <= 1.0))
            bars.append(Bar(f"{what}: frames that are another", wrong[0], "0", not wrong[0]))
    return Outcome(
        "Jumps to frames, beside OpenCV's seeking",
        ("what", "ms a frame, median", "other frames"),
        rows, bars, [f"{rounds} rounds, {frames} frames; {begun} before, {load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=600)
    told = parser.parse_args()
    sys.stdout.write(measure(told.rounds, told.frames).markdown())


if __name__ == "__main__":
    main()
