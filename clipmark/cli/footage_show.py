"""How ``clipmark footage`` prints what it found: five short tables, then sentences."""

from __future__ import annotations

from collections.abc import Mapping

from clipmark.cli.show import table, warn

Facts = Mapping[str, object]
Row = tuple[str, str]
NOT_TOLD = "not known"


def print_footage(facts: Facts) -> None:
    """Print everything that is known of a file, from the JSON form."""
    for title, rows in (
        (str(facts["clip"]), _file(facts)),
        ("Time", _time(facts)),
        ("Picture", _picture(facts)),
        ("Steadiness", _steadiness(facts)),
        ("What it can support (standard uncertainty, of the footage alone)", _support(facts)),
    ):
        table(title, ("what", "is"), rows, words=("is",))
    _creeps(facts)
    findings = [str(item["sentence"]) for item in _rows(facts, "findings")]
    for title, column, sentences in (
        ("Worth knowing", "finding", findings),
        ("What limits it, the most limiting first", "advice", _sentences(facts.get("advice"))),
    ):
        if sentences:
            table(title, (column,), [(sentence,) for sentence in sentences])
    warn([each for each in _sentences(facts.get("warnings")) if each not in findings])
    told = facts.get("not_told")
    warn([str(each) for each in told.values()] if isinstance(told, Mapping) else [])


def _file(facts: Facts) -> list[Row]:
    depth = f"{facts['bit_depth']} bit, black {facts['black_level']}, white {facts['white_level']}"
    keys = number(facts, "key_interval_frames", 0, "frames")
    blocks = [number(facts, f"blockiness_{grid}", 2) for grid in (8, 16)]
    return [
        ("picture, upright", f"{facts['width']} x {facts['height']} px"),
        ("pixel width to height", str(facts["pixel_aspect"])),
        ("depth", depth),
        ("coded as, in", f"{facts['codec']}, {str(facts['container']).split(',')[0]}"),
        ("bits per pixel", number(facts, "bits_per_px", 3)),
        ("key frames apart", keys if facts["key_interval_frames"] else "one key frame only"),
        ("steps at block borders, 8 and 16 px", f"{blocks[0]}, {blocks[1]} of those beside"),
        ("SHA-256 of the file", str(facts["clip_sha256"])),
    ]


def _time(facts: Facts) -> list[Row]:
    fastest, slowest = (
        number(facts, name, 5, "s") for name in ("shortest_interval_s", "longest_interval_s")
    )
    lost = _count(facts, "frames_missing") + _count(facts, "frames_damaged")
    return [
        ("frames", str(facts["frame_count"])),
        ("lasts", number(facts, "duration_s", 3, "s")),
        ("frames per second, median", number(facts, "median_rate_hz", 3)),
        ("frame interval", f"{fastest} to {slowest}"),
        ("fastest change it can show", number(facts, "fastest_visible_hz", 1, "Hz")),
        ("missing or damaged frames", str(lost)),
        ("frames that repeat the one before", str(facts["frames_repeated"])),
    ]


def _picture(facts: Facts) -> list[Row]:
    clipped = [
        f"{percent(facts, name)} (worst {percent(facts, f'{name}_worst')}, frame "
        f"{facts[f'{name}_worst_frame']})"
        if facts[name] is not None
        else NOT_TOLD
        for name in ("clipped_black", "clipped_white")
    ]
    spread = number(facts, "edge_spread_px", 2, "px")
    if facts["edge_spread_px"] is not None:
        low, high = (number(facts, f"edge_spread_{end}_px", 2) for end in ("low", "high"))
        spread += f" (half of the edges {low} to {high})"
    return [
        ("brightness", number(facts, "brightness", 3, "of white")),
        ("at black", clipped[0]),
        ("at white", clipped[1]),
        ("spread of straight edges, s", spread),
        ("contrast halved at", number(facts, "edge_mtf50_cycles_px", 3, "cycles/px")),
        ("noise per pixel, one picture", number(facts, "noise", 4, "of white")),
        ("noise from picture to picture", number(facts, "noise_temporal", 4, "of white")),
        ("pixels that err together", number(facts, "noise_together_px", 1, "in a row")),
        ("still blocks that are repeated", percent(facts, "repeated_share", 0)),
        ("flicker", _flicker(facts)),
    ]


def _flicker(facts: Facts) -> str:
    if facts["flicker_share"] is None:
        return NOT_TOLD
    if not facts["flicker_share"]:
        return "none stands out"
    seen = number(facts, "flicker_seen_hz", 1, "Hz")
    said = f"{percent(facts, 'flicker_share', 2)} at {seen} as shown"
    may_be = facts.get("flicker_may_be_hz")
    if isinstance(may_be, list) and may_be:
        said += "; may be " + " or ".join(f"{light:.0f} Hz" for light in may_be) + " folded down"
    return said


def _steadiness(facts: Facts) -> list[Row]:
    rows = [
        ("camera", str(facts["camera"])),
        ("shake about its mean over 1 s", number(facts, "shake_px", 2, "px (rms)")),
        ("roll, the same", number(facts, "shake_roll_deg", 3, "deg (rms)")),
    ]
    if facts["rolling_shutter_s"] is None:
        rows.append(("first to last row", "cannot be seen here"))
    else:
        first, u = (
            1e3 * float(str(facts[name])) for name in ("rolling_shutter_s", "rolling_shutter_u_s")
        )
        rows.append(("first to last row", f"{first:.1f} ms, u {u:.1f} ms"))
    return rows


def _support(facts: Facts) -> list[Row]:
    rows = []
    for length in (300, 600, 1000):
        name = f"line_{length}_u"
        value = number(facts, f"{name}_deg", 4, "deg")
        if facts[f"{name}_deg"] is not None:
            low, high = (number(facts, f"{name}_{end}_deg", 4) for end in ("low", "high"))
            value += f" (half of the edges {low} to {high})"
        rows.append((f"angle of an edge {length} px long", value))
    for radius in (25, 50):
        hub = number(facts, f"hub_{radius}_u_px", 3, "px")
        rows.append((f"hub of a rim of {radius} px radius", hub))
    for what, name, places in (
        ("place of a body patch", "body_u", 3),
        ("speed over 0.2 s", "speed_02s_u", 2),
        ("speed over 1 s", "speed_1s_u", 3),
    ):
        unit = "_s" if name.startswith("speed") else ""
        told = number(facts, f"{name}_px{unit}", places, f"px{unit.replace('_', '/')}")
        if facts.get(f"{name}_mm{unit}") is not None:
            in_mm = number(facts, f"{name}_mm{unit}", places, f"mm{unit.replace('_', '/')}")
            told += f" = {in_mm}"
        rows.append((what, told))
    if facts["told_from_moving"] is False:
        rows.append(("these three", "from what stood still: what moves is placed less well"))
    return rows


def _creeps(facts: Facts) -> None:
    """What creeping at usual speeds would show, where a scale is known."""
    rows = [
        (
            number(row, "speed_mm_s", 0, "mm/s"),
            number(row, "window_s", 2, "s"),
            number(row, "noise_floor_mm_s", 2, "mm/s"),
            number(row, "ripple_floor", 3),
            "yes" if row.get("stalls_told") else "no",
        )
        for row in _rows(facts, "creeps")
    ]
    if rows:
        columns = ("creeping at", "filter", "noise of speed", "least ripple", "stalls told")
        table("Even creeping, as it would be read", columns, rows)


def number(facts: Facts, name: str, places: int, unit: str = "") -> str:
    """A number with its unit, or that it is not known."""
    value = facts.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return NOT_TOLD
    return f"{value:.{places}f} {unit}".rstrip()


def percent(facts: Facts, name: str, places: int = 1) -> str:
    """A share in percent, or that it is not known."""
    value = facts.get(name)
    return f"{100 * value:.{places}f} %" if isinstance(value, (int, float)) else NOT_TOLD


def _count(facts: Facts, name: str) -> int:
    value = facts[name]
    return value if isinstance(value, int) else 0


def _sentences(value: object) -> list[str]:
    return [str(each) for each in value] if isinstance(value, (list, tuple)) else []


def _rows(facts: Facts, name: str) -> list[Facts]:
    value = facts.get(name)
    return [row for row in value if isinstance(row, Mapping)] if isinstance(value, list) else []
