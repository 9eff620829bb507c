"""How ``clipmark climb`` prints a reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from clipmark.cli.show import show_saved, table, warn, with_u
from clipmark.errors import RecordError
from clipmark.record.rule_sheet import read_rule_sheet
from clipmark.sheet_grade import TestGrade, grade_of_test

FIGURES = (
    ("run_up", "mm_s", "run-up speed"),
    ("progress", "mm", "progress up the board"),
    ("finish_t", "s", "finish crossed at"),
    ("slide_back", "mm", "slid back"),
    ("roll_back", "mm", "rolled back"),
    ("went_back", "mm", "went back in all"),
    ("tip_over_t", "s", "tipped over from"),
)
OF_DESCENT = (
    ("speed_down", "mm_s", "speed down"),
    ("stop_distance", "mm", "stopping distance"),
    ("roll_off", "mm", "roll-off while held"),
    ("start_delay", "s", "wheel before body, backing up"),
    ("start_jump", "", "start jump, peak over steady speed"),
)
Result = Mapping[str, object]


def rule_of_reverse(rules: Path, test: str | None) -> TestGrade:
    """The rule of the test named; raises `RecordError` when none, or an unknown one, is named."""
    if not test:
        raise RecordError(
            "calling a reverse needs the test; name it as the rule sheet does (--test)"
        )
    if read_rule_sheet(rules).test(test) is None:
        raise RecordError(f"{rules}: the rule sheet has no test '{test}'; name one of its tests")
    return grade_of_test(rules, test)


def print_climb(result: Result) -> None:
    """Proposal, figures, board and phases on stdout, notes on stderr."""
    proposed = [("proposed", str(result["proposed"])), ("reason", str(result["reason"]))]
    if result["proposed"] == "failed":
        proposed.append(("ended by", f"{result['ended_by']} ({result['ended_by_why']})"))
    proposed.append(("verdict", "given by the judge, not by this"))
    table(
        f"Frames {result['first_frame']} to {result['last_frame']}",
        ("what", "value"),
        proposed,
        words=("value",),
    )
    table("Figures", ("figure", "value, U (95 %)"), _figures(result))
    if result["mode"] == "descend":
        table("Reverse", ("fact", "seen"), _reverse(result), words=("seen",))
    _print_board(result)
    _print_lifts(result)
    _print_phases(result)
    show_saved(result)
    warn([str(item) for item in _items(result.get("warnings"))])


def _figures(result: Result) -> list[tuple[str, str]]:
    rows = []
    listed = FIGURES if result["mode"] == "climb" else (*FIGURES, *OF_DESCENT)
    for name, unit, what in listed:
        for shown in (unit, unit.replace("mm", "px")):
            tail = f"_{shown}" if shown else ""
            value, u95 = result.get(f"{name}{tail}"), result.get(f"{name}_u95{tail}")
            if value is not None:
                rows.append((_named(name, what, result), with_u(value, u95, _unit(shown))))
                break
    share = result.get("progress_share")
    if isinstance(share, float):
        rows.append(("of the way to the finish", f"{share:.0%}"))
    for name, unit, what in (
        ("held_s", "s", "held for"),
        ("delay_to_reverse_s", "s", "from stop to backing up"),
    ):
        if result.get(name) is not None:
            rows.append((what, with_u(result.get(name), None, unit)))
    return rows or [("none", "-")]


def _named(name: str, what: str, result: Result) -> str:
    if name == "run_up":
        return f"{what} at the {result.get('run_up_at')}"
    return what


def _unit(unit: str) -> str:
    return unit.replace("mm_s", "mm/s").replace("px_s", "px/s")


def _reverse(result: Result) -> list[tuple[str, str]]:
    facts = result.get("reverse")
    if not isinstance(facts, Mapping):
        return []
    names = (
        ("wheel_turned_back", "a wheel turned back"),
        ("body_moved_back", "the body moved back"),
        ("driven", "it was driven back"),
    )
    rows = []
    for name, what in names:
        fact = facts.get(name)
        seen = fact.get("seen") if isinstance(fact, Mapping) else None
        told = "not told" if seen is None else "yes" if seen else "no"
        rows.append((what, told + _amount(fact)))
    call = result.get("reverse_call")
    if isinstance(call, Mapping):
        rows.append(("proposed call", f"{call.get('call')}: {call.get('why')}"))
    return rows


def _amount(fact: object) -> str:
    if not isinstance(fact, Mapping) or not fact.get("seen"):
        return ""
    for key, unit in (("deg", "deg"), ("mm", "mm"), ("px", "px")):
        if isinstance(fact.get(key), float):
            return f", {fact[key]:.1f} {unit} from {float(fact['t_s']):.2f} s on"
    return ""


def _print_board(result: Result) -> None:
    moved = result.get("board_moved")
    if not isinstance(moved, Mapping):
        return
    seen = moved.get("moved")
    told = "not told" if seen is None else "moved" if seen else "stood still"
    rows = [("the board", told), ("amount", with_u(moved.get("by_deg"), moved.get("by_u95_deg")))]
    for name in ("start", "decided", "end"):
        value = moved.get(f"ramp_{name}_deg")
        if value is not None:
            at = "the deciding instant" if name == "decided" else f"the {name}"
            shown = with_u(value, moved.get(f"ramp_{name}_u95_deg"), "deg")
            rows.append((f"angle at {at}, frame {moved.get(f'ramp_{name}_frame')}", shown))
    table("Board", ("what", "value, U (95 %)"), rows)


def _print_lifts(result: Result) -> None:
    lifts = _items(result.get("front_lifts"))
    if not lifts:
        return
    rows = [
        (
            f"{lift['t_s']:.2f} to {lift['until_s']:.2f} s",
            f"{lift['most_deg']:.1f} deg",
            "yes" if lift["came_down"] else "no",
        )
        for lift in lifts
    ]
    table("Front off the board", ("when", "at most", "came down"), rows)


def _print_phases(result: Result) -> None:
    rows = []
    for phase in _items(result.get("phases")):
        unit = "mm" if "distance_mm" in phase else "px"
        went = with_u(phase[f"distance_{unit}"], phase[f"distance_u95_{unit}"], unit)
        when = f"{phase['t_s']:.2f} to {phase['until_s']:.2f} s"
        moved_by = str(phase["moved_by"] or "-")
        rows.append((str(phase["phase"]), when, went, str(phase["wheels"]), moved_by))
    if len(rows) > 1:
        table("Phases", ("phase", "when", "went", "wheels", "moved by"), rows, words=("wheels",))


def _items(value: object) -> Sequence[dict[str, float]]:
    return value if isinstance(value, list) else ()
