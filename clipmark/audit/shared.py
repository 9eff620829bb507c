"""What two readings of one clip share, so that it cannot make them differ.

Lens, plane and the level of a line are of the clip: a second marker gets them wrong in the same
way. Where a line lies in the picture is each marker's own, unless both took over the same mark of
a stand.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, cast

from clipmark.marks import Line
from clipmark.measure.angle_marks import name_of_reference
from clipmark.measure.angle_model import HUBS, TURNING
from clipmark.record.readings import Reading
from clipmark.uncertainty.budget import Budget
from clipmark.uncertainty.comparison import Comparison, compare_budgets

Table = Mapping[str, object]
OWN_ENDINGS = (" in the picture", ", repeated marks")  # of a line that somebody marked
ITSELF = " itself"  # of a level or plumb line: how far the thing is from level or upright
SAME_THING_PX, SAME_THING_DEG = 6.0, 1.0  # two lines nearer than that are on one string or edge
CORNERS = "sheet corners"
OF_THE_SPAN = ("camera shake", "time stamps")
OF_THE_EVENT = ("time of the event, times the turning rate",)
OF_THE_PATCH = ("following the body", "noise in the band")
SCALE = "scale mark in the picture"
LENS = ("lens", "picture centre", "lens distortion", "view angle")
SHEETS = ("sheet", "further_sheets", "tags")


def budget_of(reading: Reading, value: str) -> Budget | None:
    """The budget behind a value of a reading, or None where it states none."""
    budgets = reading.result.get("budget")
    rows = budgets.get(value) if isinstance(budgets, dict) else None
    if not isinstance(rows, list) or not rows:
        return None
    told = cast("list[Table]", rows)
    names = [name for name in told[0] if name.startswith("u_") or name == "u"]
    if len(names) != 1:
        return None
    return Budget.from_rows(told, names[0].removeprefix("u").lstrip("_"))


def shared_sources(first: Reading, second: Reading, value: str) -> frozenset[str]:
    """Sources of uncertainty of `value` that move both readings alike.

    Parameters
    ----------
    first, second : Reading
        Two readings of the same measure.
    value : str
        Name of the value, such as ``ramp_deg``.

    Returns
    -------
    frozenset of str
        Names as they stand in both budgets. Empty where the two are not of the same clip or one
        states no budget: then everything counts as each reading's own.
    """
    ours, theirs = budget_of(first, value), budget_of(second, value)
    if ours is None or theirs is None or first.clip_sha256 != second.clip_sha256:
        return frozenset()
    both = {row.source for row in ours} & {row.source for row in theirs}
    return frozenset(source for source in both if _same(source, first, second))


def nearest_turn(value: float, beside: float, name: str) -> float:
    """`value`, of an angle by whole turns moved next to `beside`: 179 deg beside -179 is -181."""
    if not name.endswith("_deg"):
        return value
    return beside + (value - beside + 180.0) % 360.0 - 180.0


def compare_values(first: Reading, second: Reading, value: str) -> Comparison | None:
    """How a value of one reading compares with that of another, without what both share.

    None where one of them does not have the value or states no budget for it.
    """
    ours, theirs = budget_of(first, value), budget_of(second, value)
    one, other = first.number(value), second.number(value)
    if ours is None or theirs is None or one is None or other is None:
        return None
    other = nearest_turn(other, one, value)
    return compare_budgets(one, ours, other, theirs, shared_sources(first, second, value))


def own_budget(reading: Reading, other: Reading, value: str) -> Budget | None:
    """What of the budget of a value is this reading's own, beside another of the same clip."""
    whole = budget_of(reading, value)
    if whole is None:
        return None
    shared = shared_sources(reading, other, value)
    return Budget.of(row for row in whole if row.source not in shared)


def _same(source: str, first: Reading, second: Reading) -> bool:
    """Whether a source that both name is one and the same."""
    frame = _picture_of(first) == _picture_of(second)
    if source == TURNING:
        return frame
    if source == CORNERS:
        return frame and all(_settings(first, second, name) for name in SHEETS)
    if source == HUBS:
        return frame and _lines_of(first, source) == _lines_of(second, source) is not None
    if source == SCALE:
        return _settings(first, second, "scale")
    if source in LENS:
        return _settings(first, second, "lens")
    if source in OF_THE_SPAN:
        return _settings(first, second, "span")
    if source in OF_THE_EVENT:
        followed = ("span", "platform", "chassis", "uphill_tyres")
        return all(_settings(first, second, name) for name in followed)
    if source in OF_THE_PATCH:
        return all(_settings(first, second, name) for name in ("span", "patch"))
    if source.endswith(ITSELF):
        return _one_thing(_lines_of(first, source), _lines_of(second, source))
    if source.endswith(OWN_ENDINGS):
        marked = _lines_of(first, source)
        return frame and marked is not None and marked == _lines_of(second, source)
    return True  # of the scene or of a promise: the plane, a sheet's size, a length


def _one_thing(first: object, second: object) -> bool:
    """Whether two marked level or plumb lines lie on one thing, such as one string."""
    if first is None or second is None:
        return True
    (ours, _), (theirs, _) = (cast("tuple[list[list[float]], object]", x) for x in (first, second))
    one, other = Line(*ours[0]), Line(*theirs[0])
    turn = abs(one.shown_deg - other.shown_deg)
    dx, dy = one.x2 - one.x1, one.y2 - one.y1
    off = [abs((p.x - one.x1) * dy - (p.y - one.y1) * dx) / one.length_px for p in other.ends]
    return min(turn, 180.0 - turn) <= SAME_THING_DEG and max(off) <= SAME_THING_PX


def _settings(first: Reading, second: Reading, name: str) -> bool:
    told = [reading.result.get("settings") for reading in (first, second)]
    ours, theirs = (item.get(name) if isinstance(item, dict) else None for item in told)
    return ours == theirs


def _picture_of(reading: Reading) -> object:
    """Fingerprint of the frame that was marked; of a tilt the reading's own is of an event."""
    return reading.result.get("reference_fingerprint") or reading.fingerprint


def _lines_told(reading: Reading) -> Table | None:
    """The lines of a reading as an angle describes them; a climb and a tilt have them as marked."""
    lines = reading.result.get("lines")
    if isinstance(lines, dict):
        return lines
    settings = reading.result.get("settings")
    if reading.measure not in ("climb", "tilt") or not isinstance(settings, dict):
        return None
    told: dict[str, object] = {
        name: {"marked": [settings[name]]}
        for name in ("ramp", "platform", "chassis", "hubs")
        if settings.get(name) is not None
    }
    for kind in ("level", "plumb"):
        several = settings.get(kind)
        told[kind] = [{"marked": [line]} for line in several] if isinstance(several, list) else []
    return told


def _lines_of(reading: Reading, source: str) -> object:
    """What was marked of the line that a source names; None where that cannot be told."""
    lines = _lines_told(reading)
    if lines is None:
        return None
    name = source
    for ending in (*OWN_ENDINGS, ITSELF):
        name = name.removesuffix(ending)
    named: dict[str, object] = {
        "ramp line": lines.get("ramp"),
        "platform line": lines.get("platform"),
        "chassis line": lines.get("chassis"),
        HUBS.removesuffix(OWN_ENDINGS[0]): lines.get("hubs"),
    }
    kinds: tuple[Literal["level", "plumb"], ...] = ("level", "plumb")
    for kind in kinds:
        found = lines.get(kind)
        several = found if isinstance(found, list) else [] if found is None else [found]
        for number, item in enumerate(several):
            named[name_of_reference(kind, number)] = item
    described = named.get(name)
    if not isinstance(described, dict):
        return None
    return described.get("marked"), described.get("carried")
