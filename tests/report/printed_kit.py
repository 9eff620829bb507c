"""Reading a written page back as a printer would: PDF and SVG to pictures, by area."""

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

import numpy as np

NUMBER = r"-?\d+(?:\.\d+)?"
MM_PER_PT = 25.4 / 72
DPI = 200
PX_PER_MM = DPI / 25.4


@dataclass(frozen=True)
class Printed:
    """Boxes (left, top, width, height) in mm with their grey, words, and the sheet's size."""

    size_mm: tuple[float, float]
    boxes: list[tuple[float, float, float, float, float]]
    words: list[str]


def read_svg(path) -> Printed:
    """Every shape of an SVG, in mm by its stated width and viewBox alone."""
    root = ET.fromstring(path.read_text(encoding="utf-8"))
    width, height = (float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
    _, _, units_x, units_y = (float(item) for item in root.get("viewBox").split())
    sx, sy = width / units_x, height / units_y
    boxes, words = [], []
    for item in root:
        tag = item.tag.split("}")[1]
        if tag == "path":
            grey = int(item.get("fill")[1:3], 16) / 255
            for part in re.findall(
                rf"M({NUMBER}) ({NUMBER})h({NUMBER})v({NUMBER})h", item.get("d")
            ):
                x, y, w, h = map(float, part)
                boxes.append((x * sx, y * sy, w * sx, h * sy, grey))
        elif tag == "text":
            words.append(item.text)
    return Printed((width, height), boxes, words)


def read_pdf(path) -> Printed:
    """Every shape of a PDF's one page, in mm by its MediaBox and the default unit of 1/72 inch."""
    text = path.read_bytes().decode("latin-1")
    box = [float(item) for item in re.search(r"/MediaBox \[([^\]]*)\]", text).group(1).split()]
    assert box[:2] == [0, 0]
    assert "UserUnit" not in text
    content = re.search(r"stream\n(.*)\nendstream", text, re.DOTALL).group(1)
    assert not re.search(r"\bcm\b", content), "nothing scales the page"
    boxes, words, grey = [], [], 0.0
    for line in content.splitlines():
        if line.endswith(" re"):
            x, y, w, h = (float(item) for item in line.split()[:4])
            boxes.append((*tuple(v * MM_PER_PT for v in (x, box[3] - y - h, w, h)), grey))
        elif line.endswith(" g"):
            grey = float(line.split()[0])
        elif line.endswith(" ET"):
            words.append(re.sub(r"\\(.)", r"\1", re.search(r"\((.*)\) Tj", line).group(1)))
    return Printed((box[2] * MM_PER_PT, box[3] * MM_PER_PT), boxes, words)


def rasterise(printed: Printed) -> np.ndarray:
    """Grey picture at 200 dots per inch, each dot darkened by the share of it that is inked."""
    width, height = (round(side * PX_PER_MM) for side in printed.size_mm)
    ink = np.zeros((height, width))
    for x, y, w, h, grey in printed.boxes:
        columns, rows = _cover(x, w, width), _cover(y, h, height)
        (x0, x1), (y0, y1) = columns[0], rows[0]
        ink[y0:y1, x0:x1] += (1 - grey) * rows[1][:, None] * columns[1][None, :]
    return np.round(255 * (1 - np.clip(ink, 0, 1))).astype(np.uint8)


def _cover(start_mm, length_mm, count):
    a, b = start_mm * PX_PER_MM, (start_mm + length_mm) * PX_PER_MM
    first, last = max(int(np.floor(a)), 0), min(int(np.ceil(b)), count)
    cells = np.arange(first, last)
    return (first, last), np.clip(np.minimum(cells + 1, b) - np.maximum(cells, a), 0, 1)
