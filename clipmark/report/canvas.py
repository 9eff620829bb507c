"""A sheet to draw on: paper, lines, text and pictures, px, saved as PNG.

Colours are ``#rrggbb``. Text stands on a baseline; whoever writes asks first how wide it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.report.lettering import mask_of, shown, width_of
from clipmark.report.tokens import bgr

Picture = NDArray[np.uint8]
Anchor = Literal["left", "middle", "right"]
ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
_SHIFT = 4  # fractional bits of the positions of drawn lines


class Canvas:
    """A picture being drawn, blue first.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    """

    def __init__(self, width: int, height: int, paper: str) -> None:
        self.pixels: Picture = np.empty((height, width, 3), np.uint8)
        self.pixels[:] = np.tile(np.array(bgr(paper), np.uint8), (width, 1))

    @classmethod
    def on(cls, picture: Picture) -> Canvas:
        """A canvas that draws on `picture` itself."""
        canvas = cls(1, 1, "#ffffff")
        canvas.pixels = picture
        return canvas

    @property
    def width(self) -> int:
        """Of the sheet, px."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Of the sheet, px."""
        return int(self.pixels.shape[0])

    def text(
        self,
        x: float,
        baseline: float,
        text: str,
        size: float,
        ink: str,
        *,
        bold: bool = False,
        anchor: Anchor = "left",
        halo: str | None = None,
    ) -> float:
        """Write one line; returns how wide it is. `halo` outlines it, for use on a picture."""
        wide = width_of(text, size, bold=bold)
        left = x - {"left": 0.0, "middle": wide / 2, "right": wide}[anchor]
        mask, base = mask_of(text, size, bold=bold)
        if halo is not None:
            reach = max(1, round(size / 9))
            kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
            padded = cv2.copyMakeBorder(mask, reach, reach, reach, reach, cv2.BORDER_CONSTANT)
            grown = np.asarray(cv2.dilate(padded, kernel), np.uint8)
            self._blend(grown, round(left) - reach, round(baseline) - base - reach, halo)
        self._blend(mask, round(left), round(baseline) - base, ink)
        return wide

    def _blend(self, mask: Picture, left: int, top: int, ink: str) -> None:
        x0, y0 = max(0, left), max(0, top)
        x1 = min(self.width, left + mask.shape[1])
        y1 = min(self.height, top + mask.shape[0])
        if x1 <= x0 or y1 <= y0:
            return
        part = mask[y0 - top : y1 - top, x0 - left : x1 - left, None].astype(np.uint16)
        there = self.pixels[y0:y1, x0:x1]
        mixed = (there * (255 - part) + np.asarray(bgr(ink), np.uint16) * part + 127) // 255
        there[:] = mixed.astype(np.uint8)

    def rect(self, x: float, y: float, w: float, h: float, fill: str) -> None:
        """A filled rectangle."""
        self.pixels[
            max(0, round(y)) : max(0, round(y + h)), max(0, round(x)) : max(0, round(x + w))
        ] = bgr(fill)

    def line(
        self, x1: float, y1: float, x2: float, y2: float, ink: str, width: float = 1.0
    ) -> None:
        """A straight line, its edges smooth."""
        one, two = _fixed(x1, y1), _fixed(x2, y2)
        cv2.line(self.pixels, one, two, bgr(ink), max(1, round(width)), cv2.LINE_AA, _SHIFT)

    def dashes(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        ink: str,
        width: float,
        pattern: Sequence[float],
    ) -> None:
        """A dashed line; `pattern` is on, off, on, off ... in px, empty for a solid one."""
        if not pattern:
            self.line(x1, y1, x2, y2, ink, width)
            return
        length = float(np.hypot(x2 - x1, y2 - y1))
        at, number = 0.0, 0
        while at < length:
            until = min(length, at + pattern[number % len(pattern)])
            if number % 2 == 0:
                a, b = at / length, until / length
                self.line(
                    x1 + a * (x2 - x1), y1 + a * (y2 - y1), x1 + b * (x2 - x1),
                    y1 + b * (y2 - y1), ink, width,
                )  # fmt: skip
            at, number = until, number + 1

    def ring(self, x: float, y: float, radius: float, ink: str, width: float) -> None:
        """A circle's outline."""
        cv2.circle(
            self.pixels, _fixed(x, y), round(radius * (1 << _SHIFT)), bgr(ink),
            max(1, round(width)), cv2.LINE_AA, _SHIFT,
        )  # fmt: skip

    def picture(self, picture: Picture, x: int, y: int) -> None:
        """Lay a picture on the sheet, cut where it leaves it."""
        height = min(picture.shape[0], self.height - y)
        width = min(picture.shape[1], self.width - x)
        self.pixels[y : y + height, x : x + width] = picture[:height, :width]

    def png(self) -> bytes:
        """The sheet as a PNG file, without anything but its pixels."""
        done, data = cv2.imencode(".png", self.pixels, [cv2.IMWRITE_PNG_COMPRESSION, 2])
        assert done  # an encoder that is built into the library
        return bytes(data.tobytes())

    def jpeg(self, quality: int = 88) -> bytes:
        """The sheet as a JPEG file, without anything but its pixels."""
        done, data = cv2.imencode(".jpg", self.pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
        assert done
        return bytes(data.tobytes())


def _fixed(x: float, y: float) -> tuple[int, int]:
    limit = 1 << 26  # far outside of any picture, and still within what OpenCV takes
    return tuple(round(min(limit, max(-limit, v * (1 << _SHIFT)))) for v in (x, y))  # type: ignore[return-value]


def shortened(text: str, size: float, room: float, *, bold: bool = False) -> str:
    """A text that fits into `room` px, its end left out where it does not."""
    text = shown(text)
    if width_of(text, size, bold=bold) <= room:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = width_of(text[:middle].rstrip() + ELLIPSIS, size, bold=bold) <= room
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + ELLIPSIS


def wrapped(
    text: str, size: float, room: float, lines: int | None = None, *, bold: bool = False
) -> list[str]:
    """A text in lines that fit into `room` px; the last one shortened where more would follow."""
    found: list[str] = []
    words = shown(text).split(" ")
    line = ""
    while words:
        word = words.pop(0)
        trial = f"{line} {word}" if line else word
        if width_of(trial, size, bold=bold) <= room:
            line = trial
            continue
        if not line:  # one word that is longer than a line
            head = shortened(word, size, room, bold=bold).removesuffix(ELLIPSIS) or word[:1]
            found.append(head)
            if word[len(head) :]:
                words.insert(0, word[len(head) :])
        else:
            found.append(line)
            words.insert(0, word)
            line = ""
    if line:
        found.append(line)
    if lines is not None and len(found) > lines:
        rest = " ".join(found[lines - 1 :])
        cut = shortened(rest, size, room, bold=bold)
        found = [*found[: lines - 1], cut if cut.endswith(ELLIPSIS) else cut + ELLIPSIS]
    return found or [""]
