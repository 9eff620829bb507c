"""All benchmarks one after the other, written as a page: ``python -m benchmarks``.

Alone on the machine it takes more than an hour. ``--only NAME ...`` runs some of them.
"""

from __future__ import annotations

import argparse
import platform
import sys
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

from benchmarks.common import Outcome, load, tell
from clipmark.record.readings import versions_in_use

NAMES = {
    "batch_speedup": "forty clips with one process, with two, and on a Dask cluster",
    "seeking": "jumps to frames beside OpenCV's",
    "verbs": "a crawl, a climb and a tilt beside decoding alone; an angle",
    "accuracy": "edge fit and registration beside their bounds and other libraries",
    "journal_growth": "an event of 100 to 100,000 attempts: opened, saved to, tabled, scored",
    "memory": "peak memory against the length of a clip",
}


def page(outcomes: list[Outcome]) -> str:
    """The table of a run."""
    versions = ", ".join(f"{name} {version}" for name, version in versions_in_use().items())
    head = [
        "# What it costs",
        "",
        "Written by `python -m benchmarks`. Ratios were taken in one run, kinds turn about, "
        "medians over the rounds; on a machine that does other work they scatter.",
        "",
        "Each alone: `python -m benchmarks.NAME`, with `--help` for its sizes. "
        + " ".join(f"`{name}`: {what}." for name, what in NAMES.items()),
        "",
        f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, {load()}; Python "
        f"{platform.python_version()}; {versions}.",
        "",
    ]
    return "\n".join(head) + "\n" + "\n".join(outcome.markdown() for outcome in outcomes)


def main() -> int:
    """Run them; 1 when a bar was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="+", choices=list(NAMES), default=list(NAMES))
    parser.add_argument("--out", type=Path, help="write the page here, else to stdout")
    told = parser.parse_args()
    outcomes = []
    for name in told.only:
        tell(f"== {name}")
        outcomes.append(import_module(f"benchmarks.{name}").measure())
    text = page(outcomes)
    if told.out is None:
        sys.stdout.write(text)
    else:
        told.out.write_text(text, encoding="utf-8")
    return 1 if any(not bar.held for outcome in outcomes for bar in outcome.bars) else 0


if __name__ == "__main__":
    sys.exit(main())
