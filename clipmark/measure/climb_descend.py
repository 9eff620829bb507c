"""A descent: down, stop, held, back up, and the three facts of a reverse kept apart.

What a reverse is differs between rule sheets: a wheel that turned back, a body that moved back, or
one that was driven back. Each is a fact of its own here; the rule sheet makes the call.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from clipmark.measure.climb_marks import ClimbReady
from clipmark.measure.climb_place import Placed
from clipmark.measure.climb_words import Proposal
from clipmark.measure.crawl import Crawled
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.motion.climb_series import Ending
from clipmark.motion.climb_table import CANNOT_TELL

TURNED_BACK_DEG = 3.0  # of a wheel: less is play in the drive
TURN_SIGMAS = 6.0
TURN_NOISE = 4.0
LEAST_BACK_MM = 1.0
SLIDE_MM = 3.0
Phase = Mapping[str, object]


def read_descent(
    ready: ClimbReady, crawled: Crawled, placed: Placed, ending: Ending
) -> tuple[dict[str, object], Proposal]:
    """Figures of a descent by name, and what is proposed of it."""
    phases: Sequence[Phase] = crawled.figures.phases or ()
    down = next((p for p in phases if p["phase"] == "down"), None)
    held = next((p for p in phases if p["phase"] == "held"), None)
    back = next((p for p in phases if p["phase"] == "reverse"), None)
    slides = [_slide(p, ready) for p in phases if _slid(p)]
    out: dict[str, object] = {
        **_of(down, "mean_speed", "speed_down", ready),
        "held_s": None if held is None else _number(held, "until_s") - _number(held, "t_s"),
        **_of(held, "drift", "drift", ready),
        "delay_to_reverse_s": _delay(held, back),
        "reverse": _reverse(ready, crawled, placed, back),
        "locked_slides": slides,
        "wheels_locked_but_sliding": bool(slides) if _wheels_told(crawled) else None,
    }
    return out, _proposal(ready, placed, ending, (down, held, back), slides)


def _of(phase: Phase | None, name: str, told: str, ready: ClimbReady) -> dict[str, float | None]:
    """A speed of a phase, four keys; null without the phase, or where there is no scale."""
    known = phase if phase is not None and ready.scaled else {}
    value, u95 = known.get(f"{name}_mm_s"), known.get(f"{name}_u95_mm_s")
    if not isinstance(value, (int, float)) or not isinstance(u95, (int, float)):
        return {f"{told}{part}_mm_s": None for part in ("", "_u95", "_low95", "_high95")}
    return {
        f"{told}_mm_s": float(value),
        f"{told}_u95_mm_s": float(u95),
        f"{told}_low95_mm_s": float(value - u95),
        f"{told}_high95_mm_s": float(value + u95),
    }


def _number(phase: Phase, name: str) -> float:
    return float(str(phase[name]))


def _delay(held: Phase | None, back: Phase | None) -> float | None:
    """From when it stood to when it began to back up, s."""
    if held is None or back is None:
        return None
    return max(_number(back, "t_s") - _number(held, "t_s"), 0.0)


def _slid(phase: Phase) -> bool:
    return phase["moved_by"] == "sliding" and _number(phase, "distance_mm") > SLIDE_MM


def _slide(phase: Phase, ready: ClimbReady) -> dict[str, object]:
    scaled = ready.scaled
    return {
        "t_s": phase["t_s"],
        "until_s": phase["until_s"],
        "first_frame": phase["first_frame"],
        "last_frame": phase["last_frame"],
        "mm" if scaled else "px": _number(phase, "distance_mm")
        * (1.0 if scaled else ready.unit_px),
    }


def _wheels_told(crawled: Crawled) -> bool:
    return any(wheel.known.any() for wheel in crawled.wheels)


def _reverse(
    ready: ClimbReady, crawled: Crawled, placed: Placed, back: Phase | None
) -> dict[str, object]:
    """The three facts, each by itself; None where it was not seen."""
    wheel = _wheel_back(crawled.wheels, placed)
    moved, at = _body_back(placed)
    driven: bool | None = None
    if back is not None:
        driven = {"driven": True, "rolling freely": False, "sliding": False}.get(
            str(back["moved_by"])
        )
    elif moved is not None and moved < LEAST_BACK_MM:
        driven = False
    unit = 1.0 if ready.scaled else ready.unit_px
    return {
        "wheel_turned_back": wheel,
        "body_moved_back": None
        if moved is None
        else {
            "seen": moved >= LEAST_BACK_MM,
            "mm" if ready.scaled else "px": moved * unit,
            "t_s": at if moved >= LEAST_BACK_MM else None,
        },
        "driven": {
            "seen": driven,
            "why": "no move back was seen" if back is None else str(back["why"]),
        },
    }


def _wheel_back(wheels: Sequence[WheelTrace], placed: Placed) -> dict[str, object] | None:
    """Which wheel turned back furthest after it had turned ahead, and from when; None unseen."""
    best: dict[str, object] | None = None
    most = -math.inf
    for wheel in wheels:
        known = np.flatnonzero(wheel.known)
        if known.size < 5:
            continue
        names, counts = np.unique(wheel.stretch[known], return_counts=True)
        rows = known[wheel.stretch[known] == names[np.argmax(counts)]]
        turn = np.degrees(wheel.turn_rad[rows])
        top = np.maximum.accumulate(turn)
        fall = top - turn
        lowest = int(np.argmax(fall))
        noise = TURN_NOISE * math.degrees(wheel.noise_rad)  # it stood, trembling, before it turned
        began = int(np.flatnonzero(turn[: lowest + 1] >= top[lowest] - noise)[-1])
        limit = max(TURNED_BACK_DEG, TURN_SIGMAS * math.degrees(wheel.noise_rad))
        seen = bool(fall[lowest] > limit and top[lowest] - turn[0] > limit)
        if fall[lowest] > most:
            most = float(fall[lowest])
            best = {
                "seen": seen,
                "deg": float(fall[lowest]),
                "wheel": wheel.number,
                "t_s": float(placed.series.times_s[rows[began]]) if seen else None,
            }
    return best


def _body_back(placed: Placed) -> tuple[float | None, float | None]:
    """How far the truck came back up after its lowest place, mm, and from when."""
    down = -placed.series.travel_mm
    rows = np.flatnonzero(np.isfinite(down))
    if rows.size < 5:
        return None, None
    way = down[rows]
    top = np.maximum.accumulate(way)
    fall = top - way
    lowest = int(np.argmax(fall))
    began = int(np.flatnonzero(way[: lowest + 1] >= top[lowest] - 2 * placed.series.noise_mm)[-1])
    went = float(fall[lowest])
    if went < 8 * placed.series.noise_mm or top[lowest] - way[0] < LEAST_BACK_MM:
        went = 0.0
    return went, float(placed.series.times_s[rows[began]])


def _proposal(
    ready: ClimbReady,
    placed: Placed,
    ending: Ending,
    phases: tuple[Phase | None, Phase | None, Phase | None],
    slides: Sequence[Mapping[str, object]],
) -> Proposal:
    """Cleared when it came down, stood, and backed up driven; else what is missing."""
    down, held, back = phases
    tipped = ending.nose.tipped
    entered = placed.entries[0] if placed.entries else None
    done = back is not None and down is not None and back["moved_by"] == "driven"
    at = None if back is None else _number(back, "t_s")
    if tipped is not None:
        words = f"tipped back: the front left the board at {tipped.t_s:.2f} s for good"
        return Proposal(
            "failed", "tipped-back", words, CANNOT_TELL, "a descent", tipped.first, tipped.t_s
        )
    if entered is not None and (at is None or float(str(entered["t_s"])) < at):
        words = (
            f"something else entered the patch: in frame {entered['frame']} "
            f"({float(str(entered['t_s'])):.2f} s); whether it touched the truck is for the "
            "judge to say"
        )
        return _undecided(words)
    if done and not slides and at is not None and held is not None:
        row = int(np.argmin(np.abs(placed.series.times_s - at)))
        words = f"cleared: it came down, stood and backed up, driven, from {at:.2f} s on"
        return Proposal("cleared", "cleared", words, CANNOT_TELL, "nothing ended it", row, at)
    return _undecided(_missing(down, held, back, slides))


def _undecided(words: str) -> Proposal:
    return Proposal("unclear", "", words, CANNOT_TELL, "nothing ended it", None, None)


def _missing(
    down: Phase | None,
    held: Phase | None,
    back: Phase | None,
    slides: Sequence[Mapping[str, object]],
) -> str:
    if slides:
        return "it slid on locked wheels: whether that counts is for the rule sheet and the judge"
    if down is None:
        return "no way down was seen in this span"
    if back is None and held is None:
        return "it came down, but neither a stop nor a way back up was seen"
    if back is None:
        return "it came down and stood, but no way back up was seen in this span"
    if held is None:
        return "it went down and back up without a stand between that could be seen"
    return "it came down, stood and moved back, but that it was driven back is not told"
