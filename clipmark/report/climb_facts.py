"""What is told of an attempt at the board, out of its climb reading in JSON form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clipmark.report.trace_facts import rows_of
from clipmark.report.words import Figure, measured, number, percent, with_unit
from clipmark.uncertainty.digits import number_of

OF_A_CLIMB = (
    ("run-up", "run_up", "mm_s"),
    ("progress", "progress", "mm"),
    ("finish", "finish_t", "s"),
    ("slid back", "slide_back", "mm"),
    ("rolled back", "roll_back", "mm"),
    ("went back", "went_back", "mm"),
    ("tipped over from", "tip_over_t", "s"),
    ("stopping distance", "stop_distance", "mm"),
)
OF_A_DESCENT = (
    ("finish", "finish_t", "s"),
    ("tipped over from", "tip_over_t", "s"),
    ("speed down", "speed_down", "mm_s"),
    ("stopping distance", "stop_distance", "mm"),
    ("roll-off while held", "roll_off", "mm"),
)
UNITS = {"mm_s": "mm/s", "px_s": "px/s"}
REVERSE = (
    ("wheel_turned_back", "wheel turned back"),
    ("body_moved_back", "body moved back"),
    ("driven", "driven"),
)


@dataclass(frozen=True)
class ClimbMoment:
    """Something that happened at an instant: when, its 95 % interval, in which frame, in words."""

    t_s: float
    words: str
    frame: int | None = None
    low_s: float | None = None
    high_s: float | None = None


def is_climb(result: Mapping[str, object]) -> bool:
    """Whether it is an attempt up the board, and no descent from it."""
    return result.get("mode") != "descend"


def values_in(result: Mapping[str, object]) -> list[Figure]:
    """What was measured of it, in px where there is no scale; ways back that were none left out."""
    found = []
    for words, name, unit in OF_A_CLIMB if is_climb(result) else OF_A_DESCENT:
        for tail in dict.fromkeys((unit, unit.replace("mm", "px"))):
            value, u95, low, high = (
                number_of(result.get(f"{name}{part}_{tail}"))
                for part in ("", "_u95", "_low95", "_high95")
            )
            if value is None or (name.endswith("_back") and value == 0):
                continue
            aside = share_words(result) if name == "progress" else ""
            if name == "run_up" and result.get("run_up_at"):
                aside = f"at the {result['run_up_at']}"
            found.append(Figure(words, value, u95, low, high, UNITS.get(tail, tail), aside))
            break
    return found


def ended_words(result: Mapping[str, object]) -> str:
    """What the software proposes and what ended it; never the verdict."""
    proposed = str(result.get("reason") or result.get("proposed") or "").replace(" deg", "°")
    if result.get("proposed") != "failed":
        return proposed
    return f"{proposed}; ended by {result.get('ended_by')}: {result.get('ended_by_why')}"


def board_words(result: Mapping[str, object]) -> str:
    """Whether the board moved, and how steep it was at the deciding instant."""
    board = result.get("board_moved")
    if not isinstance(board, Mapping):
        return ""
    seen = board.get("moved")
    by = number_of(board.get("by_deg"))
    amount = measured(by, number_of(board.get("by_u95_deg")), "°") if by is not None else ""
    told = {True: f"the board moved by {amount}", False: "the board stood still"}.get(
        seen if isinstance(seen, bool) else None,  # type: ignore[arg-type]
        "whether the board moved is not told",
    )
    at = number_of(board.get("ramp_decided_deg"))
    if at is None:
        return told
    u95 = number_of(board.get("ramp_decided_u95_deg"))
    return f"{told}; {measured(at, u95, '°')} at the deciding instant"


def reverse_words(result: Mapping[str, object]) -> str:
    """The three facts of a reverse, each seen, not seen or not told."""
    facts = result.get("reverse")
    if not isinstance(facts, Mapping):
        return ""
    told = []
    for key, what in REVERSE:
        fact = facts.get(key)
        seen = fact.get("seen") if isinstance(fact, Mapping) else None
        told.append(f"{what}: {'not told' if seen is None else 'yes' if seen else 'no'}")
    return ", ".join(told)


def reverse_call_words(result: Mapping[str, object]) -> str:
    """The call that the rule sheet makes of them; empty where it was not asked."""
    call = result.get("reverse_call")
    if not isinstance(call, Mapping):
        return ""
    return f"{call.get('call')}: {call.get('why')}"


def moments_in(result: Mapping[str, object]) -> list[ClimbMoment]:
    """What happened when, in order of time: finish, tip-over, lifts, ways back, entries, board."""
    found = []
    for name, what in (
        ("finish_t", "finish line crossed"),
        ("tip_over_t", "tipped over from here"),
    ):
        value = number_of(result.get(f"{name}_s"))
        if value is not None:
            low, high = (number_of(result.get(f"{name}_{end}_s")) for end in ("low95", "high95"))
            frame = _whole(result.get("finish_frame" if name == "finish_t" else "tip_over_frame"))
            u95 = number_of(result.get(f"{name}_u95_s"))
            found.append(
                ClimbMoment(value, f"{what}, {measured(value, u95, 's')}", frame, low, high)
            )
    tipped = number_of(result.get("tip_over_t_s"))
    for lift in rows_of(result.get("front_lifts")):
        if tipped is not None and not lift.get("came_down"):
            continue  # that is the tip-over
        came = "came down" if lift.get("came_down") else "never came down"
        most = with_unit(number(number_of(lift.get("most_deg")), 1), "°")
        found.append(
            ClimbMoment(
                number_of(lift.get("t_s")) or 0.0,
                f"front off the board, at most {most}, {came}",
                _whole(lift.get("frame")),
            )
        )
    for back in rows_of(result.get("went_back")) if is_climb(result) else []:
        unit = "mm" if "mm" in back else "px"
        how = {"not told": "went"}.get(str(back.get("how")), str(back.get("how")))
        found.append(
            ClimbMoment(
                number_of(back.get("t_s")) or 0.0,
                f"{how} back by {number(number_of(back.get(unit)), 1)} {unit}",
                _whole(back.get("frame")),
            )
        )
    for entry in rows_of(result.get("entered_patch")):
        found.append(
            ClimbMoment(
                number_of(entry.get("t_s")) or 0.0,
                "something else entered the patch",
                _whole(entry.get("frame")),
            )
        )
    board = result.get("board_moved")
    if isinstance(board, Mapping) and number_of(board.get("since_t_s")) is not None:
        found.append(
            ClimbMoment(
                number_of(board.get("since_t_s")) or 0.0, "the board moved from here on",
                _whole(board.get("since_frame")),
            )
        )  # fmt: skip
    found += _reverse_moments(result)
    found += _decided(result, found)
    return sorted(found, key=lambda moment: moment.t_s)


def _reverse_moments(result: Mapping[str, object]) -> list[ClimbMoment]:
    facts = result.get("reverse")
    found = []
    for key, what in REVERSE[:2]:
        fact = facts.get(key) if isinstance(facts, Mapping) else None
        at = number_of(fact.get("t_s")) if isinstance(fact, Mapping) else None
        if at is not None:
            found.append(ClimbMoment(at, f"{what} from here on"))
    return found


def _decided(result: Mapping[str, object], others: list[ClimbMoment]) -> list[ClimbMoment]:
    """The deciding instant, unless it is one of the others."""
    at, frame = number_of(result.get("decided_t_s")), _whole(result.get("decided_frame"))
    if at is None or any(abs(moment.t_s - at) < 5e-3 for moment in others):
        return []
    where = f", frame {frame}" if frame is not None else ""
    return [ClimbMoment(at, f"the deciding instant, {number(at, 2)} s{where}", frame)]


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def share_words(result: Mapping[str, object]) -> str:
    """How much of the way to the finish it came; nothing of a descent."""
    if not is_climb(result):
        return ""
    share = number_of(result.get("progress_share"))
    return "" if share is None else f"{percent(min(max(share, 0.0), 1.0))} of the way to the finish"
