"""Drawings for the eye: a frame in colour with what was marked and what was measured on it.

Colours are for show; the readings were taken from the luma in ``frames/``. Lines as marked are
dashed, lines as measured are solid, and every line has its name beside it, so that nothing hangs
on colour alone. Letters are those that come with OpenCV; what is not ASCII is left out of drawings.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.audit.bundle_record import BundleRecord, NamedFrame
from clipmark.record.canonical import JsonObject
from clipmark.record.readings import Reading, beside
from clipmark.uncertainty.digits import digits_for

Picture = NDArray[np.uint8]
_Label = tuple[str, float, float]  # a name and where it is to stand, px
# Okabe and Ito (2002, 2008), blue, green, red; each on a black rim, so that it shows on anything.
_INK = {
    "ramp": (0, 94, 213),  # vermillion
    "chassis": (178, 114, 0),  # blue
    "hubs": (178, 114, 0),
    "level": (115, 158, 0),  # green
    "plumb": (115, 158, 0),
}
_OTHER_INK = (66, 228, 240)  # yellow
_WHITE, _BLACK, _PAPER = (255, 255, 255), (0, 0, 0), (248, 248, 248)
_FONT = cv2.FONT_HERSHEY_SIMPLEX
_ROW_PX = 26  # of the caption, at 1000 px width
_LETTER_PX = 11.0  # of a usual letter at scale 0.6, with room


def draw_frame(bgr: Picture, frame: NamedFrame, record: BundleRecord, t_s: float | None) -> bytes:
    """A PNG file: the upright picture with lines, and their values in a strip below.

    Parameters
    ----------
    bgr : ndarray, shape (H, W, 3)
        The upright picture.
    frame : NamedFrame
    record : BundleRecord
    t_s : float or None
        Time of the frame, s from the first shown frame.
    """
    picture = np.ascontiguousarray(bgr).copy()
    unit = max(1.0, max(picture.shape[:2]) / 1000)
    if frame.of == "stand" and record.stand is not None:
        labels: list[_Label] = []
        for mark in cast("list[JsonObject]", record.stand.to_body()["marks"]):
            labels += _draw_mark(picture, mark, unit)
        _draw_labels(picture, labels, unit)
        rows = [f"stand {_ascii(record.stand.name)}, frame {frame.ordinal}", *frame.roles]
    else:
        rows = _draw_attempt(picture, frame, record, unit, t_s)
    rows.append(f"fingerprint {frame.fingerprint[:32]}...")
    return _png(np.vstack([picture, _caption(rows, picture.shape[1], unit)]))


def _draw_attempt(
    picture: Picture, frame: NamedFrame, record: BundleRecord, unit: float, t_s: float | None
) -> list[str]:
    """Everything that was marked or measured on this frame; the rows of the caption."""
    at = "" if t_s is None else f", t = {t_s:.3f} s"
    rows = [f"{_ascii(record.event)}: {record.entry.id} revision {record.entry.revision}",
            f"frame {frame.ordinal}{at}: {', '.join(frame.roles)}"]  # fmt: skip
    labels: list[_Label] = []
    for mark in cast("list[JsonObject]", record.attempt.to_body()["marks"]):
        if mark.get("frame") in (None, frame.ordinal):
            labels += _draw_mark(picture, mark, unit)
    for reading in record.attempt.readings:
        if reading.frame == frame.ordinal:
            for name, ends in measured_lines(reading):
                _line(picture, ends, _INK.get(name, _OTHER_INK), unit, solid=True)
            if reading.measure == "angle":
                rows += [text for name in ("ramp_deg", "chassis_deg", "chassis_to_ramp_deg")
                         if (text := value_text(reading, name))]  # fmt: skip
    _draw_labels(picture, labels, unit)
    if any(reading.frame == frame.ordinal for reading in record.attempt.readings):
        rows.append("dashed: as marked; solid: as measured")
    return rows


def measured_lines(reading: Reading) -> Iterator[tuple[str, list[float]]]:
    """Lines where the measurement found them: name and x1, y1, x2, y2, px."""
    lines = reading.result.get("lines")
    for name, told in lines.items() if isinstance(lines, dict) else ():
        for one in told if isinstance(told, list) else [told]:
            ends = one.get("measured") if isinstance(one, dict) else None
            if isinstance(ends, list) and len(ends) == 4:
                yield name, [float(cast(float, value)) for value in ends]


def value_text(reading: Reading, name: str) -> str:
    """``ramp 45.03 deg, 95 % from 44.91 to 45.15 deg``; empty where it was not measured."""
    value, u95 = reading.number(name), reading.number(beside(name, "u95"))
    low, high = reading.number(beside(name, "low95")), reading.number(beside(name, "high95"))
    if value is None or low is None or high is None:
        return ""
    places = digits_for(u95)
    words = name.removesuffix("_deg").replace("_", " ")
    return f"{words} {value:.{places}f} deg, 95 % from {low:.{places}f} to {high:.{places}f} deg"


def _draw_mark(picture: Picture, mark: JsonObject, unit: float) -> list[_Label]:
    """Draw a mark as it was set; where its name is to stand."""
    get: Any = mark.get
    role, shape = str(get("role")), get("shape")
    if shape == "line":
        ends = [get("x1"), get("y1"), get("x2"), get("y2")]
        _line(picture, ends, _INK.get(role, _OTHER_INK), unit, solid=False)
        near = (0.75 * ends[0] + 0.25 * ends[2], 0.75 * ends[1] + 0.25 * ends[3])
        return [(role, near[0] + 8 * unit, near[1] + 6 * unit)]
    if shape == "patch":
        x, y, w, h = get("x"), get("y"), get("w"), get("h")
        _polygon(picture, [(x, y), (x + w, y), (x + w, y + h), (x, y + h)], unit)
        return [(role, x + 4 * unit, y + 4 * unit)]
    if shape == "sheet":
        corners = get("corners")
        _polygon(picture, corners, unit)
        return [(role, corners[0][0] + 8 * unit, corners[0][1] + 8 * unit)]
    if shape == "wheel":
        radii = (round(get("rx") * 16), round(get("ry") * 16))
        for colour, width in ((_BLACK, 3), (_OTHER_INK, 1)):
            cv2.ellipse(picture, _at((get("cx"), get("cy"))), radii, get("turn_deg"), 0, 360,
                        colour, _width(width, unit), cv2.LINE_AA, 4)  # fmt: skip
        return [(role, get("cx") - 20 * unit, get("cy") + get("ry") + 6 * unit)]
    if shape == "point":
        cv2.drawMarker(picture, (round(get("x")), round(get("y"))), _OTHER_INK,
                       cv2.MARKER_CROSS, round(20 * unit), _width(1, unit))  # fmt: skip
        return [(role, get("x") + 8 * unit, get("y") + 8 * unit)]
    return []


def _at(point: Sequence[float]) -> tuple[int, int]:
    """In sixteenths of a pixel, as OpenCV takes positions; far ones are brought near."""
    x, y = (round(min(max(value, -30000.0), 30000.0) * 16) for value in point)
    return x, y


def _width(width: float, unit: float) -> int:
    return max(1, round(width * unit))


def _line(
    picture: Picture, ends: Sequence[float], ink: Sequence[int], unit: float, *, solid: bool
) -> None:
    start, end = np.array(ends[:2], float), np.array(ends[2:], float)
    length = float(np.hypot(*(end - start)))
    dash = max(length if solid else 9 * unit, 1.0)
    steps = np.arange(0.0, length, dash if solid else 2 * dash)[:2000]
    for colour, width in ((_BLACK, 3), (ink, 1)):
        for step in steps:
            a = start + (end - start) * step / max(length, 1e-9)
            b = start + (end - start) * min(1.0, (step + dash) / max(length, 1e-9))
            cv2.line(picture, _at(a), _at(b), [*colour], _width(width, unit), cv2.LINE_AA, 4)


def _polygon(picture: Picture, corners: Sequence[Sequence[float]], unit: float) -> None:
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        _line(picture, [*a, *b], _OTHER_INK, unit, solid=False)


def _draw_labels(picture: Picture, labels: Sequence[_Label], unit: float) -> None:
    """Names in dark boxes, each below its place where another stands there already."""
    height, width = picture.shape[:2]
    taken: list[tuple[int, int, int, int]] = []
    for text, x, y in labels:
        (wide, tall), _ = cv2.getTextSize(_ascii(text), _FONT, 0.5 * unit, _width(1, unit))
        wide, tall = wide + round(8 * unit), tall + round(8 * unit)
        left = round(min(max(x, 0), max(0, width - wide)))
        top = round(min(max(y, 0), max(0, height - tall)))
        while any(
            left < x0 + w and x0 < left + wide and top < y0 + h and y0 < top + tall
            for x0, y0, w, h in taken
        ):
            top += 2
        taken.append((left, top, wide, tall))
        cv2.rectangle(picture, (left, top), (left + wide, top + tall), (40, 40, 40), -1)
        cv2.putText(picture, _ascii(text), (left + round(4 * unit), top + tall - round(4 * unit)),
                    _FONT, 0.5 * unit, _WHITE, _width(1, unit), cv2.LINE_AA)  # fmt: skip


def _caption(rows: Sequence[str], width: int, unit: float) -> Picture:
    letters = max(20, int(width / (_LETTER_PX * unit)))
    cut = [part for row in rows for part in textwrap.wrap(row, letters)]
    strip = np.full((round((len(cut) + 0.6) * _ROW_PX * unit), width, 3), _PAPER, np.uint8)
    for number, row in enumerate(cut, start=1):
        cv2.putText(strip, _ascii(row), (round(8 * unit), round((number - 0.1) * _ROW_PX * unit)),
                    _FONT, 0.6 * unit, _BLACK, _width(1, unit), cv2.LINE_AA)  # fmt: skip
    return strip


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")


def _png(picture: Picture) -> bytes:
    done, data = cv2.imencode(".png", picture)
    assert done, "OpenCV writes any picture of 8 bits as PNG"
    return bytes(data)
