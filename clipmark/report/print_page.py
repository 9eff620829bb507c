"""One page to print to scale: black shapes and words placed in mm, written as PDF or SVG.

Places are mm from the page's top left corner, x right, y down. Both formats carry the sheet's
true size and nothing else scales them: an SVG's user unit is 1 mm, a PDF's is 1/72 inch, written
to 0.1 micrometre. The PDF also asks the print dialogue not to fit the page to the paper
(ISO 32000-1, 12.2, PrintScaling). The same page gives the same bytes.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from clipmark.errors import FolderError, MarkError

PT_PER_MM = 72.0 / 25.4
MONO_EM = 0.6  # width of every character of Courier over its size
WORDS_EM = 0.5  # mean width of Helvetica's lower case and digits over its size
FORMATS = (".pdf", ".svg")

Box = tuple[float, float, float, float]  # left, top, width, height, mm


@dataclass(frozen=True)
class Ink:
    """Rectangles filled together as one black shape, so that no seam shows between neighbours."""

    boxes: tuple[Box, ...]
    grey: float = 0.0  # 0 black to 1 white


@dataclass(frozen=True)
class Words:
    """A line of words from the left end of its baseline; `size_mm` is the font's size."""

    x: float
    y: float
    text: str
    size_mm: float
    mono: bool = False


@dataclass(frozen=True)
class Page:
    """What is printed on one sheet of `width_mm` x `height_mm`."""

    width_mm: float
    height_mm: float
    title: str
    marks: tuple[Ink | Words, ...]


def wrapped(text: str, width_mm: float, size_mm: float, mono: bool = False) -> list[str]:
    """Words broken into lines that fit a width."""
    em = MONO_EM if mono else WORDS_EM
    count = max(int(width_mm / (em * size_mm)), 12)
    return textwrap.wrap(text, count, break_long_words=True, break_on_hyphens=False)


def ruler(x: float, y: float, length_mm: int, *, down: bool = False) -> list[Ink | Words]:
    """A ruler of `length_mm` from (x, y), ticks every mm, numbers every 10 mm.

    The outer edges of its first and last tick are not what counts but their middles, which lie
    exactly at 0 and at `length_mm`. Ticks point up (across) or to the left (down).
    """
    boxes: list[Box] = []
    numbers: list[Ink | Words] = []
    thin = 0.12
    for mm in range(length_mm + 1):
        high = 4.0 if mm % 10 == 0 else 3.0 if mm % 5 == 0 else 2.0
        if down:
            boxes.append((x - high, y + mm - thin / 2, high, thin))
        else:
            boxes.append((x + mm - thin / 2, y - high, thin, high))
        if mm % 10 == 0:
            text = str(mm) if mm else "0 mm"
            place = (x + 0.7, y + mm + 0.75) if down else (x + mm - 0.6 * len(str(mm)), y + 2.4)
            numbers.append(Words(*place, text, 2.1))
    spine = (x, y, 0.2, float(length_mm)) if down else (x, y, float(length_mm), 0.2)
    return [Ink((*boxes, spine)), *numbers]


def write_page(page: Page, out: Path) -> None:
    """Write a page as PDF or SVG, by the ending of the file's name.

    Raises
    ------
    MarkError
        When the ending is another.
    FolderError
        When the file cannot be written.
    """
    check_ending(out)
    data = pdf_bytes(page) if out.suffix.lower() == ".pdf" else svg_text(page).encode("utf-8")
    try:
        out.write_bytes(data)
    except OSError as error:
        raise FolderError(
            f"{out} cannot be written ({error.strerror}); give a file in a folder that is there "
            "and can be written to"
        ) from error


def check_ending(out: Path) -> None:
    """Refuse, as `MarkError`, a file whose name does not end in .pdf or .svg."""
    if out.suffix.lower() not in FORMATS:
        raise MarkError(
            f"the page to print cannot be written as '{out.name}'; end its name in .pdf or .svg"
        )


def svg_text(page: Page) -> str:
    """The page as SVG, one user unit to the mm."""
    width, height = _short(page.width_mm), _short(page.height_mm)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">',
        f"<title>{escape(page.title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
    ]
    for mark in page.marks:
        if isinstance(mark, Ink):
            path = "".join(
                f"M{_short(x)} {_short(y)}h{_short(w)}v{_short(h)}h{_short(-w)}z"
                for x, y, w, h in mark.boxes
            )
            level = round(255 * mark.grey)
            lines.append(f'<path fill="#{level:02x}{level:02x}{level:02x}" d="{path}"/>')
        else:
            family = "Courier, monospace" if mark.mono else "Helvetica, Arial, sans-serif"
            lines.append(
                f'<text x="{_short(mark.x)}" y="{_short(mark.y)}" font-family="{family}" '
                f'font-size="{_short(mark.size_mm)}">{escape(mark.text)}</text>'
            )
    return "\n".join([*lines, "</svg>", ""])


def pdf_bytes(page: Page) -> bytes:
    """The page as PDF 1.7 (ISO 32000-1): one content stream, two of the 14 standard fonts."""
    box = f"[0 0 {_short(page.width_mm * PT_PER_MM)} {_short(page.height_mm * PT_PER_MM)}]"
    content = "\n".join(_pdf_marks(page)).encode("latin-1", "replace")
    font = "<< /Type /Font /Subtype /Type1 /BaseFont /{} /Encoding /WinAnsiEncoding >>"
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None "
        b"/PickTrayByPDFSize true >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents 4 0 R "
        "/Resources << /Font << /F1 5 0 R /F2 6 0 R >> >> >>".encode(),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        font.format("Helvetica").encode(),
        font.format("Courier").encode(),
        b"<< /Title %s >>" % _pdf_string(page.title).encode("latin-1", "replace"),
    ]
    return _pdf_file(objects)


def _pdf_file(objects: Sequence[bytes]) -> bytes:
    """Objects, numbered from 1 (catalogue first, facts last), with their table of places."""
    data = bytearray(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, body in enumerate(objects, start=1):
        places.append(len(data))
        data += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(data)
    data += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    for place in places:
        data += b"%010d 00000 n \n" % place
    data += b"trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\n" % (len(objects) + 1, len(objects))
    return bytes(data + b"startxref\n%d\n%%%%EOF\n" % start)


def _pdf_marks(page: Page) -> list[str]:
    """Drawing operators, in points from the page's bottom left corner."""
    lines = []
    for mark in page.marks:
        if isinstance(mark, Ink):
            lines.append(f"{mark.grey:.3g} g")
            lines.extend(
                f"{_pt(x)} {_pt(page.height_mm - y - h)} {_pt(w)} {_pt(h)} re"
                for x, y, w, h in mark.boxes
            )
            lines.append("f")
        else:
            font = "F2" if mark.mono else "F1"
            lines.append(
                f"0 g BT /{font} {_pt(mark.size_mm)} Tf {_pt(mark.x)} "
                f"{_pt(page.height_mm - mark.y)} Td {_pdf_string(mark.text)} Tj ET"
            )
    return lines


def _pdf_string(text: str) -> str:
    for sign in "\\()":
        text = text.replace(sign, f"\\{sign}")
    return f"({text})"


def _pt(mm: float) -> str:
    return _short(mm * PT_PER_MM)


def _short(value: float) -> str:
    """Four decimals, without the zeros that say nothing."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
