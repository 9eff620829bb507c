"""What each measurement says that is handed out, as figures and as facts in words."""

from __future__ import annotations

from collections.abc import Mapping

from clipmark.report.climb_facts import (
    board_words,
    ended_words,
    reverse_call_words,
    reverse_words,
    values_in,
)
from clipmark.report.tilt_facts import events_in, not_seen_words
from clipmark.report.words import Figure, figures_of, measured, number
from clipmark.uncertainty.digits import number_of

Result = Mapping[str, object]


def reading_figures(measure: str, result: Result) -> list[Figure]:
    """Figures of a reading, in a fixed order; unknown ones are left out."""
    if measure == "tilt":
        return [*tilt_figures(result), *balance_figures(result)]
    if measure == "climb":
        return values_in(result)
    return figures_of(measure, result)


def tilt_figures(result: Result) -> list[Figure]:
    """Each event by each criterion with its angle; the highest angle where none was seen."""
    found = []
    for event in events_in(result):
        if event.tilt_deg is None:
            continue
        aside = f"at {number(event.t_s, 3)} s"
        if event.rate_deg_s is not None:
            aside += f", {measured(event.rate_deg_s, event.rate_u95_deg_s, '°/s')}"
        found.append(
            Figure(
                event.name, event.tilt_deg, event.u95_deg, event.low_deg, event.high_deg, "°", aside
            )
        )
    if found:
        return found
    top = number_of(result.get("highest_tilt_deg"))
    u95, low, high = (
        number_of(result.get(f"highest_tilt_{end}_deg")) for end in ("u95", "low95", "high95")
    )
    return [] if top is None else [Figure("largest tilt, no event seen", top, u95, low, high, "°")]


def balance_figures(result: Result) -> list[Figure]:
    """Centre of gravity and stability factor, where left and right were joined."""
    cog = result.get("cog")
    found = []
    for name, unit, what in (
        ("height", "mm", "height of the centre of gravity"),
        ("offset", "mm", "its offset to the right"),
        ("stability_factor", "", "static stability factor"),
    ):
        tail = f"_{unit}" if unit else ""
        value = number_of(cog.get(f"{name}{tail}")) if isinstance(cog, Mapping) else None
        if value is not None and isinstance(cog, Mapping):
            u95, low, high = (
                number_of(cog.get(f"{name}_{end}{tail}")) for end in ("u95", "low95", "high95")
            )
            found.append(Figure(what, value, u95, low, high, unit, "left and right together"))
    return found


def reading_facts(measure: str, result: Result) -> list[tuple[str, str]]:
    """What a reading says in words, each named; nothing of a crawl or an angle."""
    if measure == "tilt":
        side = result.get("low_side")
        told = [("side low", str(side) if side else "")]
        told.append(("tilt events not named", "; ".join(not_seen_words(result))))
        return [item for item in told if item[1]]
    if measure != "climb":
        return []
    told = [
        ("what was seen", ended_words(result)),
        ("board", board_words(result)),
        ("facts of a reverse", reverse_words(result)),
        ("reverse, by the rule sheet", reverse_call_words(result)),
    ]
    return [item for item in told if item[1]]
