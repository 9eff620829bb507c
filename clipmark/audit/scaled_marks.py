"""A reading whose marks are laid onto a picture of another size, on another frame. Pure.

The centre of the top-left pixel is (0, 0), so that a position scales about the outer edge of the
picture, half a pixel beyond: ``(x + 1/2) s - 1/2``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

from pydantic import JsonValue

from clipmark.record.canonical import JsonObject
from clipmark.record.readings import Reading

_LENGTHS = ("rim_px", "scale_u_px", "half_length_px", "u_offset_px")


def scaled_reading(
    reading: Reading, scale: float, frame: int, span: tuple[int, int] | None
) -> Reading:
    """The reading as it would have been marked on the other picture.

    Parameters
    ----------
    reading : Reading
    scale : float
        Size of the other picture over that of the recorded one.
    frame : int
        The frame there.
    span : (int, int) or None
        First and last frame there, of a crawl.

    Returns
    -------
    Reading
        For `clipmark.audit.repeat`: only marks and settings are scaled, no value is.
    """
    result = dict(reading.result)
    settings = dict(cast(JsonObject, result.get("settings") or {}))
    for name in ("travel", "scale"):
        if isinstance(settings.get(name), list):
            settings[name] = _points(cast("list[float]", settings[name]), scale)
    if isinstance(settings.get("patch"), list):
        settings["patch"] = _patch(cast("list[float]", settings["patch"]), scale)
    if isinstance(settings.get("wheels"), list):
        settings["wheels"] = [
            _wheel(item, scale) for item in cast("list[list[float]]", settings["wheels"])
        ]
    if isinstance(settings.get("sheet"), dict):
        settings["sheet"] = _sheet(cast(JsonObject, settings["sheet"]), scale)
    further = settings.get("further_sheets")
    if isinstance(further, list):
        settings["further_sheets"] = [_sheet(cast(JsonObject, item), scale) for item in further]
    settings |= _lengths(settings, scale)
    if span is not None:
        settings["span"] = list(span)
    lines = result.get("lines")
    if isinstance(lines, dict):
        result["lines"] = {name: _described(item, scale) for name, item in lines.items()}
    result |= {"settings": settings, "frame": frame}
    return reading.model_copy(update={"result": result})


def _described(item: JsonValue, scale: float) -> JsonValue:
    if isinstance(item, list):
        return [_described(part, scale) for part in item]
    if not isinstance(item, dict):
        return item
    told = dict(item)
    if isinstance(told.get("marked"), list):
        marked = cast("list[list[float]]", told["marked"])
        told["marked"] = [_points(ends, scale) for ends in marked]
    if isinstance(told.get("carried"), list):
        told["carried"] = [
            _carried(one, scale) for one in cast("list[JsonObject]", told["carried"])
        ]
    return told


def _carried(item: Mapping[str, JsonValue], scale: float) -> JsonObject:
    points = cast("list[list[float]]", item.get("points_px") or [])
    moved: JsonValue = [_points(point, scale) for point in points]
    return {**item, "points_px": moved, **_lengths(item, scale)}


def _lengths(table: Mapping[str, JsonValue], scale: float) -> JsonObject:
    return {
        name: value * scale
        for name in _LENGTHS
        if isinstance(value := table.get(name), (int, float)) and not isinstance(value, bool)
    }


def _points(values: Sequence[float], scale: float) -> JsonValue:
    return [(value + 0.5) * scale - 0.5 for value in values]


def _patch(values: Sequence[float], scale: float) -> JsonValue:
    x, y, width, height = values
    return [(x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5, width * scale, height * scale]


def _wheel(values: Sequence[float], scale: float) -> JsonValue:
    cx, cy, rx, ry, *turn = values
    return [(cx + 0.5) * scale - 0.5, (cy + 0.5) * scale - 0.5, rx * scale, ry * scale, *turn]


def _sheet(told: Mapping[str, JsonValue], scale: float) -> JsonObject:
    corners = cast("list[list[float]]", told["corners"])
    return {**told, "corners": [_points(corner, scale) for corner in corners]}
