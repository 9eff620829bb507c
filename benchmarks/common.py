"""What the benchmarks share: clips, rounds, tables, and a plain load of the processor."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CLIPMARK = (sys.executable, "-c", "from clipmark.cli import main\nmain()")


@dataclass(frozen=True)
class Bar:
    """A ratio that is promised.

    Attributes
    ----------
    what : str
        What is divided by what.
    value : float
    promised : str
        As ``at least 0.9``.
    held : bool
    """

    what: str
    value: float
    promised: str
    held: bool


@dataclass
class Outcome:
    """What a benchmark found.

    Attributes
    ----------
    title : str
    columns : sequence of str
    rows : sequence of sequence of str
    bars : sequence of Bar
    notes : sequence of str
    """

    title: str
    columns: Sequence[str]
    rows: list[Sequence[str]]
    bars: list[Bar] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def markdown(self) -> str:
        """As a section of a page."""
        lines = [f"## {self.title}", "", _row(self.columns), _row(["---"] * len(self.columns))]
        lines += [_row(row) for row in self.rows]
        if self.bars:
            lines += ["", _row(["ratio", "found", "promised", ""]), _row(["---"] * 4)]
            lines += [
                _row([bar.what, f"{bar.value:.3f}", bar.promised, "held" if bar.held else "MISSED"])
                for bar in self.bars
            ]
        return "\n".join([*lines, *(f"\n{note}" for note in self.notes)]) + "\n"


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def environment() -> dict[str, str]:
    """The environment of a program that is to find this clipmark."""
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def seconds(do: Callable[[], object]) -> float:
    """How long it takes, s."""
    begun = time.perf_counter()
    do()
    return time.perf_counter() - begun


def rounds(
    kinds: Mapping[str, Callable[[], float]], count: int, told: Callable[[str], None]
) -> dict[str, list[float]]:
    """Each kind once a round, so that what slows the machine meets all of them alike."""
    found: dict[str, list[float]] = {name: [] for name in kinds}
    for number in range(count):
        names = list(kinds) if number % 2 == 0 else list(reversed(kinds))
        for name in names:
            found[name].append(kinds[name]())
            told(f"round {number + 1} of {count}: {name} {found[name][-1]:.2f} s")
    return found


def median_of_ratios(above: Sequence[float], below: Sequence[float]) -> float:
    """The median over rounds of one time over another of the same round."""
    return statistics.median(a / b for a, b in zip(above, below, strict=True))


def load() -> str:
    """How busy the machine is, and what it is."""
    try:
        busy = f"{os.getloadavg()[0]:.1f}"
    except OSError:
        busy = "not known"
    return f"{os.cpu_count()} cores, load {busy}"


def clipmark(arguments: Sequence[str]) -> dict[str, object]:
    """Run the command line with ``--json``; its object."""
    ran = subprocess.run(
        [*CLIPMARK, *arguments, "--json"], capture_output=True, text=True, env=environment(),
        check=False,
    )  # fmt: skip
    if ran.returncode != 0:
        raise RuntimeError(ran.stderr)
    found: dict[str, object] = json.loads(ran.stdout)
    return found


def tell(sentence: str) -> None:
    """Progress, on stderr."""
    sys.stderr.write(sentence + "\n")
    sys.stderr.flush()
