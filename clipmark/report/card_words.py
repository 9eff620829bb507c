"""What a score card says of a side tilt or an attempt at the board, beside what counted."""

from __future__ import annotations

from collections.abc import Mapping

from clipmark.report.climb_facts import (
    board_words,
    ended_words,
    reverse_call_words,
    reverse_words,
    values_in,
)
from clipmark.report.figures import balance_figures
from clipmark.report.story import AttemptStory
from clipmark.report.tilt_facts import events_in
from clipmark.report.trace_facts import rows_of

SHOWN = ("progress", "finish", "slid back", "rolled back", "speed down", "roll-off while held")


def card_words(story: AttemptStory) -> list[str]:
    """Lines of one attempt, each short enough for a card; none of a crawl or an angle."""
    tilt, climb = story.attempt.reading("tilt"), story.attempt.reading("climb")
    found = [] if tilt is None else _tilt(tilt.result)
    found += [] if climb is None else _climb(climb.result)
    if found and story.attempt.try_no:
        found[0] = f"try {story.attempt.try_no}: {found[0]}"
    return found


def _tilt(result: Mapping[str, object]) -> list[str]:
    """All four events, each with its angle or why it has none, and the centre of gravity."""
    told: dict[str, list[str]] = {}
    for event in events_in(result):
        seen = event.criterion.split(" under ")[0].replace(" deg", "°")
        by = "first motion" if event.is_first_motion else seen
        told.setdefault(event.event, []).append(f"{event.angle_words} ({by})")
    parts = [f"{name} {' and '.join(angles)}" for name, angles in told.items()]
    parts += [
        f"{row.get('event')} {row.get('said')}" for row in rows_of(result.get("other_events"))
    ]
    side = f"{result['low_side']} side low: " if result.get("low_side") else ""
    lines = [f"{side}{'; '.join(parts)}"] if parts else []
    balance = [f"{figure.name} {figure.words}" for figure in balance_figures(result)]
    return [*lines, *(["; ".join(balance)] if balance else [])]


def _climb(result: Mapping[str, object]) -> list[str]:
    figures = [
        f"{figure.name} {figure.words}" + (f" ({figure.aside})" if figure.aside else "")
        for figure in values_in(result)
        if figure.name in SHOWN
    ]
    lines = [f"seen: {ended_words(result)}", "; ".join([*figures, board_words(result)])]
    reverse = reverse_words(result)
    call = reverse_call_words(result)
    lines.append(f"reverse {call}" if call else reverse)
    return [line for line in lines if line]
