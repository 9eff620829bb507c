"""Peak memory of verbs against the length of a clip: frames are let go as they are read.

`footage` on small clips of growing length, and a crawl of 4K60.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from benchmarks.clips import SWAYING, write_long, write_swaying
from benchmarks.common import Bar, Outcome, environment, load, tell

KB_A_FRAME = 4.0
CRAWL_MB = 700.0
PEAK = """
import resource, sys
from clipmark.cli.app import status_of
status = status_of(sys.argv[1:])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
sys.exit(status)
"""


def peak_mb(arguments: Sequence[str]) -> float:
    """Peak of a verb run in a program of its own, MB."""
    ran = subprocess.run(
        [sys.executable, "-c", PEAK, *arguments], capture_output=True, text=True, check=False,
        env=environment(),
    )  # fmt: skip
    if ran.returncode != 0:
        raise RuntimeError(ran.stderr)
    return int(ran.stderr.split()[-1]) * 1024 / 1e6


def footage_mb(folder: Path, minutes: float) -> float:
    """`footage --quick`, which reads and checks every picture of 640 x 360 at 30 frames/s."""
    path = folder / "long.mp4"
    write_long(path, round(minutes * 60))
    return peak_mb(["footage", str(path), "--quick", "--json"])


def crawl_mb(folder: Path, minutes: float) -> float:
    """`crawl` of 4K60."""
    path = folder / "swaying.mp4"
    write_swaying(path, round(minutes * 60))
    left, top = SWAYING
    return peak_mb([
        "crawl", str(path), "--frame", "0", "--patch", f"{left + 120},{top + 80},400,240",
        "--scale", f"{left},{top},{left + 640},{top}", "--scale-mm", "200", "--json",
    ])  # fmt: skip


def measure(minutes: Sequence[float] = (0.5, 2, 10), crawl_minutes: float = 10.0) -> Outcome:
    """Both, one after the other."""
    begun, found = load(), {}
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        for each in minutes:
            found[each] = footage_mb(Path(name), each)
            tell(f"footage of {each:g} min: {found[each]:.0f} MB")
        crawl = crawl_mb(Path(name), crawl_minutes)
        tell(f"crawl of {crawl_minutes:g} min of 4K60: {crawl:.0f} MB")
    first, last = min(minutes), max(minutes)
    grown = 1000 * (found[last] - found[first]) / ((last - first) * 1800)
    rows = [
        (f"footage, 640 x 360, 30 frames/s, {each:g} min", f"{mb:.0f}")
        for each, mb in found.items()
    ]
    crawled = f"crawl, 3840 x 2160, 60 frames/s, {crawl_minutes:g} min"
    return Outcome(
        "Memory against the length of a clip",
        ("what", "peak, MB"),
        [*rows, (crawled, f"{crawl:.0f}")],
        [
            Bar(
                f"footage: growth from {first:g} to {last:g} min, kB a frame", grown,
                f"at most {KB_A_FRAME:g}", grown <= KB_A_FRAME,
            ),
            Bar(f"{crawled}, MB", crawl, f"at most {CRAWL_MB:g}", crawl <= CRAWL_MB),
        ],
        [f"{begun} before, {load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, nargs="+", default=[0.5, 2, 10])
    parser.add_argument("--crawl-minutes", type=float, default=10.0)
    told = parser.parse_args()
    sys.stdout.write(measure(told.minutes, told.crawl_minutes).markdown())


if __name__ == "__main__":
    main()
