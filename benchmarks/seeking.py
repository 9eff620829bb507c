"""Jumps to named frames beside OpenCV's own seeking, and whether they are the frames.

1080p60 with groups of 250 pictures. Two ways of jumping: an operator's (45 % one forward, 35 %
one back, 17 % within 10, 3 % anywhere) and uniformly at random. OpenCV is told to seek only where
the frame is not simply the next one. Both give the colour picture and decode with two threads.
Of an operator's jumps the median is compared: the wait that is usual. Of random ones the sum.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from benchmarks.clips import number_in, write_creep
from benchmarks.common import Bar, Outcome, load, median_of_ratios, tell
from clipmark.clip import open_clip

THREADS = 2  # of the decoder that jumps, in both
FASTER, AS_FAST = 10.0, 1.3


@dataclass
class Jumps:
    """Jumps of one reader: seconds of each, and how many frames were another."""

    each_s: list[float] = field(default_factory=list)
    wrong: int = 0

    def add(self, took_s: float, *, right: bool) -> None:
        """One jump more."""
        self.each_s.append(took_s)
        self.wrong += not right


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


def with_clipmark(path: Path, wanted: list[int]) -> Jumps:
    """Go there with `Clip.frame`."""
    jumps = Jumps()
    with open_clip(path) as clip:
        for ordinal in wanted:
            begun = time.perf_counter()
            picture = clip.frame(ordinal).bgr()
            took = time.perf_counter() - begun
            jumps.add(took, right=number_in(picture[..., 1]) == ordinal)
    return jumps


def with_opencv(path: Path, wanted: list[int]) -> Jumps:
    """The same with a `VideoCapture`."""
    jumps, after = Jumps(), 0
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, THREADS])
    for ordinal in wanted:
        begun = time.perf_counter()
        if ordinal != after:
            capture.set(cv2.CAP_PROP_POS_FRAMES, ordinal)
        there, picture = capture.read()
        took = time.perf_counter() - begun
        jumps.add(took, right=there and number_in(picture[..., 1]) == ordinal)
        after = ordinal + 1
    capture.release()
    return jumps


READERS = {"clipmark": with_clipmark, "OpenCV": with_opencv}
WAYS = {"an operator's jumps": operator_path, "random jumps": random_path}


def measure(
    rounds: int = 3, frames: int = 600, jumps: int = 120, random_jumps: int = 30
) -> Outcome:
    """Both ways of jumping, both readers, turn about."""
    begun = load()
    counts = dict(zip(WAYS, (jumps, random_jumps), strict=True))
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        path = Path(name) / "long-groups.mp4"
        tell("writing the clip")
        write_creep(path, frames)
        found = {
            what: [_round(path, what, way(counts[what], frames, n), n) for n in range(rounds)]
            for what, way in WAYS.items()
        }
    rows = [
        (
            f"{what}, {reader}",
            f"{_middle_ms([r[reader] for r in each], statistics.median):.1f}",
            f"{_middle_ms([r[reader] for r in each], statistics.fmean):.1f}",
            str(sum(r[reader].wrong for r in each)),
        )
        for what, each in found.items()
        for reader in READERS
    ]
    return Outcome(
        "Jumps to frames, beside OpenCV's seeking",
        ("what", "a frame, median, ms", "a frame, mean, ms", "other frames"),
        rows,
        _bars(found),
        [f"1080p60, {rounds} rounds, {frames} frames; {begun} before, {load()} after."],
    )


def _round(path: Path, what: str, wanted: list[int], number: int) -> dict[str, Jumps]:
    found = {reader: read(path, wanted) for reader, read in READERS.items()}
    each = ", ".join(f"{reader} {sum(jumps.each_s):.2f} s" for reader, jumps in found.items())
    tell(f"{what}, round {number + 1}: {each}")
    return found


def _middle_ms(each: list[Jumps], middle: Callable[[list[float]], float]) -> float:
    return 1e3 * statistics.median(middle(jumps.each_s) for jumps in each)


def _bars(found: dict[str, list[dict[str, Jumps]]]) -> list[Bar]:
    operator, anywhere = found.values()
    faster = median_of_ratios(
        [statistics.median(r["OpenCV"].each_s) for r in operator],
        [statistics.median(r["clipmark"].each_s) for r in operator],
    )
    longer = median_of_ratios(
        [sum(r["clipmark"].each_s) for r in anywhere], [sum(r["OpenCV"].each_s) for r in anywhere]
    )
    wrong = sum(r["clipmark"].wrong for each in found.values() for r in each)
    return [
        Bar("an operator's jumps: median of OpenCV over clipmark's", faster,
            f"at least {FASTER:g}", faster >= FASTER),
        Bar("random jumps: time over OpenCV's", longer, f"at most {AS_FAST}", longer <= AS_FAST),
        Bar("frames that are another", wrong, "0", not wrong),
    ]  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=600)
    told = parser.parse_args()
    sys.stdout.write(measure(told.rounds, told.frames).markdown())


if __name__ == "__main__":
    main()
