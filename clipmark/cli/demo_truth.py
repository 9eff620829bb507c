"""What the demo measured beside what is true of its rendered clips."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from clipmark.uncertainty.digits import number_of

# What is compared: reading, its unit, what people call it, and where the truth has it.
COMPARED = (
    ("ramp", "deg", "ramp, deg"),
    ("chassis", "deg", "chassis, deg"),
    ("mean_speed", "mm_s", "mean speed, mm/s"),
    ("ripple", "", "ripple"),
)


def compare(
    clip: str, entry: str, results: Mapping[str, Mapping[str, object]], truth: Mapping[str, object]
) -> list[dict[str, object]]:
    """One row a reading: value, expanded uncertainty, interval and the known truth beside it."""
    rows: list[dict[str, object]] = []
    for measure, result in results.items():
        if measure in ("tilt", "climb"):
            told = _of_tilt(result, truth) if measure == "tilt" else _of_climb(result, truth)
            rows += [{"clip": clip, "entry": entry, **row} for row in told]
            continue
        for name, unit, what in COMPARED:
            tail = f"_{unit}" if unit else ""
            value = result.get(f"{name}{tail}")
            true = truth_of(f"{name}{tail}", truth)
            if not isinstance(value, (int, float)) or true is None:
                continue
            low, high = result.get(f"{name}_low95{tail}"), result.get(f"{name}_high95{tail}")
            inside = None
            if isinstance(low, (int, float)) and isinstance(high, (int, float)):
                inside = low <= true <= high
            rows.append(
                {
                    "clip": clip,
                    "entry": entry,
                    "what": what,
                    "value": value,
                    "u95": result.get(f"{name}_u95{tail}"),
                    "truth": true,
                    "inside": inside,
                }
            )
        rows += _slip_rows(clip, entry, result, truth)
        stalls = called_stalls(result.get("stalls"))
        motion = truth.get("motion")
        true_stalls = motion.get("stalls") if isinstance(motion, Mapping) else None
        if isinstance(stalls, list) and isinstance(true_stalls, list):
            rows.append(
                {
                    "clip": clip,
                    "entry": entry,
                    "what": "stalls",
                    "value": len(stalls),
                    "u95": None,
                    "truth": len(true_stalls),
                    "inside": len(stalls) == len(true_stalls),
                }
            )
    return rows


def called_stalls(stalls: object) -> list[object] | None:
    """Stalls of a crawl reading without the stops that were asked for; None where not told."""
    if not isinstance(stalls, list):
        return None
    return [s for s in stalls if not (isinstance(s, Mapping) and s.get("commanded"))]


def _slip_rows(
    clip: str, entry: str, result: Mapping[str, object], truth: Mapping[str, object]
) -> list[dict[str, object]]:
    """Slip of each wheel over its way: driving positive, braking negative; the truth is one."""
    motion, found = truth.get("motion"), result.get("slip")
    true = number_of(motion.get("slip")) if isinstance(motion, Mapping) else None
    rows: list[dict[str, object]] = []
    for item in found if isinstance(found, list) and true is not None else []:
        driving = item["driving"] is not None
        kind, sign = ("driving", 1.0) if driving else ("braking", -1.0)
        value, u95 = number_of(item[kind]), number_of(item[f"{kind}_u95"])
        if value is None or u95 is None or true is None:
            continue
        rows.append(
            {
                "clip": clip,
                "entry": entry,
                "what": f"slip of wheel {item['wheel']}",
                "value": sign * value,
                "u95": u95,
                "truth": true,
                "inside": abs(sign * value - true) <= u95,
            }
        )
    return rows


def truth_of(name: str, truth: Mapping[str, object]) -> float | None:
    """A true value from the renderer's truth file, or None where it has none.

    Ripple of a run with stalls has no single truth: whoever stands is not creeping.
    """
    motion = truth.get("motion")
    moving = motion if isinstance(motion, Mapping) else {}
    if name == "ripple" and moving.get("stalls"):
        return None
    value = truth.get(name, moving.get(name))
    return float(value) if isinstance(value, (int, float)) else None


def _row(
    what: str, result: Mapping[str, object], name: str, unit: str, truth: object
) -> list[dict[str, object]]:
    """One value beside its truth; none where the clip does not show it."""
    tail = f"_{unit}" if unit else ""
    value, true = number_of(result.get(f"{name}{tail}")), number_of(truth)
    if value is None or true is None:
        return []
    low, high = (number_of(result.get(f"{name}_{end}{tail}")) for end in ("low95", "high95"))
    inside = None if low is None or high is None else low <= true <= high
    u95 = result.get(f"{name}_u95{tail}")
    return [{"what": what, "value": value, "u95": u95, "truth": true, "inside": inside}]


def _of_tilt(result: Mapping[str, object], truth: Mapping[str, object]) -> list[dict[str, object]]:
    """Angles of first motion and of the gap, and the centre of gravity where sides were joined."""
    rows = _row("tilt at first motion, deg", result, "tilt", "deg", truth.get("tilt_deg"))
    rows += _row("tilt at the gap, deg", result, "gap_tilt", "deg", truth.get("gap_tilt_deg"))
    cog, true = result.get("cog"), truth.get("cog")
    if isinstance(cog, Mapping) and isinstance(true, Mapping):
        rows += _row("centre of gravity, mm", cog, "height", "mm", true.get("height_mm"))
        rows += _row("its offset, mm", cog, "offset", "mm", true.get("offset_mm"))
    return rows


def _of_climb(result: Mapping[str, object], truth: Mapping[str, object]) -> list[dict[str, object]]:
    """Board, ways and the call of a reverse."""
    ramp = result.get("ramp")
    board = cast("Mapping[str, object]", ramp) if isinstance(ramp, Mapping) else {}
    rows = _row("ramp, deg", board, "ramp", "deg", truth.get("ramp_deg"))
    frames = truth.get("frames")
    travel = frames.get("s_mm") if isinstance(frames, Mapping) else None
    if isinstance(travel, list) and result.get("mode") == "climb":
        way = [float(value) for value in travel]
        rows += _row("progress, mm", result, "progress", "mm", max(way) - way[0])
        rows += _row("slid back, mm", result, "slide_back", "mm", max(way) - way[-1])
    call, true = result.get("reverse_call"), truth.get("reverse_call")
    if isinstance(call, Mapping) and true is not None:
        value = call.get("call")
        rows.append(
            {"what": "reverse", "value": value, "u95": None, "truth": true, "inside": value == true}
        )
    return rows
