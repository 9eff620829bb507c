"""Instants marked through the panels of a chart: numbered verticals with their 95 % interval.

The numbers stand in a strip over the panels and are told in words below the chart, so that nothing
hangs on colour, and events a few hundredths of a second apart are still told apart.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes

from clipmark.report import ink

DASHES: tuple[tuple[float, ...], ...] = ((), (4.0, 1.6), (1.2, 1.4), (6.0, 1.4, 1.2, 1.4))
PLUS_MINUS, NO_BREAK = "\N{PLUS-MINUS SIGN}", "\N{NO-BREAK SPACE}"
APART = 0.022  # of a whole sheet's width, between two numbers


@dataclass(frozen=True)
class Instant:
    """One marked instant.

    Attributes
    ----------
    number : str
        As it stands over the chart.
    t_s : float
    words : str
        What it is, with its figures.
    low_s, high_s : float or None
        95 % interval of the instant.
    """

    number: str
    t_s: float
    words: str
    low_s: float | None = None
    high_s: float | None = None


def draw_instants(axes: Axes, instants: Sequence[Instant]) -> None:
    """A vertical for each, with its interval as a grey band behind it."""
    for order, instant in enumerate(instants):
        if instant.low_s is not None and instant.high_s is not None:
            axes.axvspan(
                instant.low_s,
                instant.high_s,
                facecolor=ink.FLOOR,
                edgecolor=ink.QUIET,
                linewidth=0.4,
                alpha=0.7,
                zorder=1.2,
            )
        axes.axvline(
            instant.t_s,
            color=ink.BLACK,
            linewidth=0.8,
            linestyle=(0, DASHES[order % len(DASHES)]),
            zorder=3.2,
        )


def number_instants(strip: Axes, instants: Sequence[Instant], share: float = 1.0) -> None:
    """Their numbers in a strip over the panels, clear of each other, led to where they belong.

    Parameters
    ----------
    strip : Axes
        Shares the time axis of the panels, its limits set.
    instants : sequence of Instant
    share : float
        Of the sheet's width that the strip has.
    """
    left, right = strip.get_xlim()
    strip.set_ylim(0.0, 1.0)
    step = APART / share * (right - left)
    shown = [instant for instant in instants if left <= instant.t_s <= right]
    places = _clear([instant.t_s for instant in shown], step, left, right)
    for instant, at in zip(shown, places, strict=True):
        strip.plot(
            [instant.t_s, at], [0.0, 0.38], color=ink.BLACK, linewidth=0.6, clip_on=False, zorder=2
        )
        strip.text(at, 0.42, instant.number, ha="center", va="bottom", weight="bold", clip_on=False)


def _clear(wanted: Sequence[float], step: float, left: float, right: float) -> list[float]:
    """Places at least `step` apart, as near to those wanted as that allows, between the ends."""
    places: list[float] = []
    for at in wanted:
        places.append(max(at, places[-1] + step) if places else max(at, left + step / 2))
    limit = right - step / 2
    for k in range(len(places) - 1, -1, -1):
        places[k] = min(places[k], limit)
        limit = places[k] - step
    return places


def told_instants(instants: Sequence[Instant]) -> list[str]:
    """What each number means, a paragraph for each."""
    return [f"{instant.number}  {_together(instant.words)}." for instant in instants]


def _together(words: str) -> str:
    """Values stay on one line with their uncertainties and units."""
    held = words.replace(f" {PLUS_MINUS} ", f"{NO_BREAK}{PLUS_MINUS}{NO_BREAK}")
    return re.sub(r"(?<=\d) (?=(?:s|mm|mm/s)\b)", NO_BREAK, held)
