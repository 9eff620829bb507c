"""Parts of a clip that are not to be shown to others: a bystander, a number plate.

Rectangles by the clip's content hash, so that they hold wherever the clip lies, kept in
``hidden-areas.json`` of the event folder. The clip itself is never written to: the areas are made
unrecognisable in what is handed out.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from filelock import FileLock

from clipmark.errors import MarkError, RecordError
from clipmark.record import disk

FILE_NAME = "hidden-areas.json"
_FORM = re.compile(r"^([^@]+)(?:@(\d+):(\d+))?$")


@dataclass(frozen=True, order=True)
class HiddenArea:
    """One rectangle, px of the upright picture, in some frames or in all.

    Attributes
    ----------
    x, y, w, h : float
        Left, top, width, height.
    first, last : int or None
        Frame ordinals, both included; None for the first or last of the clip.
    """

    x: float
    y: float
    w: float
    h: float
    first: int | None = None
    last: int | None = None

    @classmethod
    def parse(cls, text: str) -> HiddenArea:
        """From ``x,y,w,h`` or ``x,y,w,h@FIRST:LAST``.

        Raises
        ------
        MarkError
            When it is written otherwise, is empty, or ends before it begins.
        """
        match = _FORM.match(text.strip())
        parts = [] if match is None else [part.strip() for part in match[1].split(",")]
        try:
            x, y, w, h = (float(part) for part in parts)
        except ValueError:
            raise MarkError(
                f"the area to hide (--blur) '{text[:60]}' cannot be read; give it as x,y,w,h in px "
                "of the upright picture, with @FIRST:LAST behind it for some frames only"
            ) from None
        span = (None, None) if match is None or match[2] is None else (int(match[2]), int(match[3]))
        return cls.checked(x, y, w, h, *span)

    @classmethod
    def checked(
        cls, x: float, y: float, w: float, h: float, first: int | None, last: int | None
    ) -> HiddenArea:
        """An area that can be meant; raises `MarkError` otherwise."""
        if not all(math.isfinite(value) for value in (x, y, w, h)) or w <= 0 or h <= 0:
            raise MarkError(
                f"the area to hide {x:g},{y:g},{w:g},{h:g} has no size; width and height must be "
                "above 0"
            )
        if first is not None and last is not None and last < first:
            raise MarkError(
                f"the area to hide runs backwards, from frame {first} to {last}; give the earlier "
                "frame first"
            )
        return cls(x, y, w, h, first, last)

    def holds_at(self, ordinal: int) -> bool:
        """Whether the area is hidden in that frame."""
        after = self.first is None or ordinal >= self.first
        return after and (self.last is None or ordinal <= self.last)

    def to_dict(self) -> dict[str, float | int | None]:
        """As it is kept."""
        return {"x": self.x, "y": self.y, "w": self.w, "h": self.h, "first_frame": self.first,
                "last_frame": self.last}  # fmt: skip


def kept_areas(event: Path) -> dict[str, tuple[HiddenArea, ...]]:
    """Areas kept in an event folder, by content hash of the clip; empty where there are none.

    Raises
    ------
    RecordError
        When the file cannot be understood: nothing may be shown then that was to be hidden.
    FolderError
        When it cannot be read.
    """
    path = event / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except UnicodeDecodeError:
        raise _unreadable(path, "it is not text") from None
    except OSError as error:
        raise disk.explain(error, "read the hidden areas", path) from error
    try:
        stored = cast("dict[str, list[dict[str, float]]]", json.loads(text)["clips"])
        return {
            str(clip): tuple(
                HiddenArea.checked(
                    float(area["x"]), float(area["y"]), float(area["w"]), float(area["h"]),
                    _whole(area.get("first_frame")), _whole(area.get("last_frame")),
                )
                for area in areas
            )
            for clip, areas in stored.items()
        }  # fmt: skip
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _unreadable(path, f"{type(error).__name__}, {error}") from error


def keep_areas(event: Path, clip_sha256: str, areas: Sequence[HiddenArea]) -> None:
    """Keep exactly these areas of one clip, for every report to come; none forgets the clip's.

    Raises
    ------
    RecordError, FolderError
        As `kept_areas`, or when it cannot be written.
    """
    path = event / FILE_NAME
    try:
        with FileLock(str(event / f".{FILE_NAME}.lock"), timeout=10):
            kept = kept_areas(event)
            kept.pop(clip_sha256, None)
            if areas:
                kept[clip_sha256] = tuple(dict.fromkeys(areas))
            body = {
                "clips": {
                    clip: [area.to_dict() for area in found] for clip, found in sorted(kept.items())
                }
            }
            disk.replace_file(path, (json.dumps(body, indent=1) + "\n").encode("utf-8"))
    except TimeoutError as error:
        raise RecordError(f"{path}: another program is writing it; repeat in a moment") from error
    except OSError as error:
        raise disk.explain(error, "keep the hidden areas", path) from error


def _whole(value: object) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError("a frame is no whole number")
    return value


def _unreadable(path: Path, why: str) -> RecordError:
    return RecordError(
        f"{path}: the areas to hide cannot be read ({why}); mend the file, or take it out and give "
        "the areas again (--blur), since nothing is shown while it is not known what to hide"
    )
