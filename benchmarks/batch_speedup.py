"""Forty clips with one process, with two, and on a Dask cluster of two workers.

Held against what two processes of plain arithmetic gain over one in the same run: two cores of a
shared or hyper-threaded machine are not twice one. Times are of the whole command, its start
included. Run ``python -m benchmarks.batch_speedup``.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

from benchmarks.common import (
    Bar,
    Outcome,
    clipmark,
    environment,
    load,
    median_of_ratios,
    rounds,
    seconds,
    tell,
)
from clipmark.sample import Camera, Encoding, Motion, Scene, Timing, render_clip

CLIPS, RENDERED, FRAMES = 40, 2, 60
SPEED_UP, DASK = 0.9, 1.15
ARITHMETIC = "n = int(__import__('sys').argv[1])\ns = 0\nfor i in range(n): s = (s * 31 + i) % 9973"


def make_clips(folder: Path, count: int = CLIPS) -> Path:
    """Small clips of a creeping truck, each with content of its own, and their list of tasks."""
    rows = []
    for number in range(min(RENDERED, count)):
        scene = Scene(
            camera=Camera(width=960, height=540),
            motion=Motion(speed_mm_s=30.0, ripple=0.2),
            timing=Timing(fps=Fraction(30), frames=FRAMES),
            encoding=Encoding(bit_rate=4_000_000),
            seed=number,
        )
        truth = render_clip(scene, folder / f"rendered-{number}.mp4")
        scale = truth["scale"]
        patch, line = (
            ",".join(f"{v:.1f}" for v in place) for place in (truth["patch"], scale["line_px"])
        )
        wheels = " ".join(
            "--wheel " + ",".join(f"{v:.1f}" for v in wheel) for wheel in truth["wheels"]
        )
        rows.append(
            f"--frame 0 --patch {patch} --scale {line} --scale-mm {scale['length_mm']} {wheels} "
            f"--wheel-mm {truth['wheel_mm']}"
        )
    lines = ["verb,clip,options"]
    for number in range(count):
        content = (folder / f"rendered-{number % RENDERED}.mp4").read_bytes()
        clip = folder / f"run-{number:02d}.mp4"
        clip.write_bytes(content + free_box(number))
        lines.append(f'crawl,{clip.name},"{rows[number % RENDERED]}"')
    tasks = folder / "bench.csv"
    tasks.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tasks


def free_box(number: int) -> bytes:
    """A box of an MP4 file that players skip (ISO/IEC 14496-12, `free`), with a number in it."""
    return (16).to_bytes(4, "big") + b"free" + number.to_bytes(8, "big")


def batch(tasks: Path, *more: str) -> Callable[[], float]:
    """How long the whole batch takes, from nothing done."""

    def once() -> float:
        results = tasks.with_suffix(".results.jsonl")
        results.unlink(missing_ok=True)
        found: dict[str, object] = {}
        took = seconds(lambda: found.update(clipmark(["batch", str(tasks), *more])))
        if found["done"] != found["tasks"]:
            raise RuntimeError(f"{found['done']} of {found['tasks']} tasks were done")
        return took

    return once


def arithmetic(processes: int, steps: int) -> Callable[[], float]:
    """How long so many processes take to share so many steps of plain arithmetic."""

    def once() -> float:
        def all_at_once() -> None:
            children = [
                subprocess.Popen([sys.executable, "-c", ARITHMETIC, str(steps // processes)])
                for _ in range(processes)
            ]
            for child in children:
                child.wait()

        return seconds(all_at_once)

    return once


def steps_for(wanted_s: float) -> int:
    """Steps of arithmetic that take about so long in one process."""
    steps = 2_000_000
    return int(steps * wanted_s / arithmetic(1, steps)())


def measure(count: int = 5, clips: int = CLIPS, load_s: float = 15.0) -> Outcome:
    """Rounds of everything, interleaved; see the module."""
    begun = load()
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name, _cluster() as address:
        tell("rendering the clips")
        tasks = make_clips(Path(name), clips)
        steps = steps_for(load_s)
        kinds = {
            "plain arithmetic, 1 process": arithmetic(1, steps),
            "plain arithmetic, 2 processes": arithmetic(2, steps),
            "batch, 1 process": batch(tasks, "--processes", "1"),
            "batch, 2 processes": batch(tasks, "--processes", "2"),
        }
        if address:
            kinds["batch, Dask cluster of 2 workers"] = batch(tasks, "--cluster", address)
            kinds["batch, the same, clips sent"] = batch(tasks, "--cluster", address, "--send")
        found = rounds(kinds, count, tell)
    plain = _gains(found["plain arithmetic, 1 process"], found["plain arithmetic, 2 processes"])
    gained = _gains(found["batch, 1 process"], found["batch, 2 processes"])
    share = median_of_ratios(gained, plain)
    outcome = Outcome(
        f"A batch of {clips} clips",
        ("what", "median, s", "shortest to longest, s"),
        [
            (name, f"{statistics.median(times):.2f}", f"{min(times):.2f} to {max(times):.2f}")
            for name, times in found.items()
        ],
        [
            Bar(
                f"speed-up of the batch from two processes ({statistics.median(gained):.2f}) over "
                f"that of plain arithmetic ({statistics.median(plain):.2f}), of the same round",
                share, f"at least {SPEED_UP}", share >= SPEED_UP,
            )
        ],
        [f"{count} rounds, interleaved; {begun} before, {load()} after."],
    )  # fmt: skip
    for name, times in found.items():
        if "Dask" in name or "sent" in name:
            ratio = median_of_ratios(times, found["batch, 2 processes"])
            what = f"{name}, over two processes"
            outcome.bars.append(Bar(what, ratio, f"at most {DASK}", ratio <= DASK))
    return outcome


def _gains(one: list[float], two: list[float]) -> list[float]:
    """What the second process gains, round by round."""
    return [a / b for a, b in zip(one, two, strict=True)]


@contextlib.contextmanager
def _cluster():
    """A cluster of two workers on this machine; None without Dask."""
    if find_spec("distributed") is None:
        tell("dask.distributed is not installed: the cluster is left out")
        yield None
        return
    import os

    from distributed import LocalCluster

    os.environ.update({"PYTHONPATH": environment()["PYTHONPATH"]})
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--clips", type=int, default=CLIPS)
    parser.add_argument("--load-s", type=float, default=15.0)
    told = parser.parse_args()
    sys.stdout.write(measure(told.rounds, told.clips, told.load_s).markdown())


if __name__ == "__main__":
    main()
