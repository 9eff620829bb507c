"""Peak memory of a verb against the length of its clip: frames are let go as they are read."""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks.clips import write_long
from benchmarks.common import Bar, Outcome, environment, load, tell

KB_A_FRAME = 4.0
PEAK = """
import resource, sys
from clipmark.cli.app import status_of
status = status_of(["footage", sys.argv[1], "--quick", "--json"])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
sys.exit(status)
"""


def peak_mb(path: Path) -> float:
    """Peak of ``clipmark footage --quick``, which reads and checks every picture, MB."""
    ran = subprocess.run(
        [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True,
        env=environment(),
    )  # fmt: skip
    return int(ran.stderr.split()[-1]) / 1024


def measure(minutes: tuple[float, ...] = (0.5, 2, 10)) -> Outcome:
    """Clips of 640 x 360 at 30 frames/s."""
    begun, found = load(), {}
    with tempfile.TemporaryDirectory(prefix="clipmark-bench-") as name:
        for each in minutes:
            path = Path(name) / f"{each}.mp4"
            write_long(path, round(each * 60))
            found[each] = peak_mb(path)
            tell(f"{each} min: {found[each]:.0f} MB")
    first, last = min(minutes), max(minutes)
    grown = 1024 * (found[last] - found[first]) / ((last - first) * 1800)
    return Outcome(
        "Memory against the length of a clip",
        ("length, min", "peak, MB"),
        [(f"{each:g}", f"{peak:.0f}") for each, peak in found.items()],
        [
            Bar(
                f"growth from {first:g} to {last:g} min, kB a frame", grown,
                f"at most {KB_A_FRAME:g}", grown <= KB_A_FRAME,
            )
        ],
        [f"{begun} before, {load()} after."],
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, nargs="+", default=[0.5, 2, 10])
    told = parser.parse_args()
    sys.stdout.write(measure(tuple(told.minutes)).markdown())


if __name__ == "__main__":
    main()
