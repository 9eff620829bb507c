"""A copy of a clip that was coded again, by a messenger or an editor: measured as another clip.

It is not what was recorded, and no reading of it replaces one. What it gives is set beside the
saved reading in words, and nothing is saved. Frames are matched by time, marks are scaled with the
picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from numpy.linalg import LinAlgError
from pydantic import JsonValue

from clipmark.audit.compare import is_number
from clipmark.audit.reading_replay import Progress
from clipmark.audit.repeat import REPEATED, repeat_reading, true_fps_of
from clipmark.audit.scaled_marks import scaled_reading
from clipmark.audit.value_words import number_words, words_of
from clipmark.clip import Clip, open_clip
from clipmark.errors import AuditError, ClipmarkError
from clipmark.record.canonical import JsonObject
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading, beside
from clipmark.record.texts import plain

Z95 = 1.959963984540054
_SIDE_PX = 2.0  # what an encoder cuts off or adds so that a side is a multiple of 2, 4 or 8
_LENGTH_S = 0.25  # by how much two clips of one recording may differ in length
_OWN = (  # contributions that two codings of one picture do not share
    "ramp line in the picture",
    "chassis line in the picture",
    "level line in the picture",
    "plumb line in the picture",
    "hub centres in the picture",
    "sheet corners",
    "following the body",
    "camera shake",
    "noise in the band",
    "time stamps",
)


@dataclass(frozen=True)
class OtherValue:
    """One value of both clips.

    Attributes
    ----------
    name : str
    saved, saved_u95, other, other_u95 : float
    difference_u95 : float
        Expanded uncertainty of the difference: of what the two pictures do not share.
    """

    name: str
    saved: float
    saved_u95: float
    other: float
    other_u95: float
    difference_u95: float

    @property
    def ratio(self) -> float:
        """Difference over its expanded uncertainty."""
        d = abs(self.other - self.saved)
        return d / self.difference_u95 if self.difference_u95 > 0 else math.inf if d else 0.0

    @property
    def within(self) -> bool:
        """Whether the two agree within what both state."""
        return self.ratio <= 1

    @property
    def sentence(self) -> str:
        """The comparison in words."""
        off = abs(self.other - self.saved)
        judged = (
            "lies within what both state"
            if self.within
            else f"lies beyond what both state ({self.ratio:.3g} times it)"
        )
        return (
            f"its {words_of(self.name)} is {number_words(self.other, self.other_u95, self.name)}, "
            f"recorded {number_words(self.saved, self.saved_u95, self.name)}; the difference, "
            f"{number_words(off, self.difference_u95, self.name)}, {judged}"
        )


@dataclass(frozen=True)
class OtherReading:
    """A reading of the other clip beside the saved one.

    Attributes
    ----------
    measure : str
    frame, other_frame : int
        Ordinal in the recorded clip and in the other one.
    offset_s : float
        Time of the other frame less that of the recorded one.
    scale : float
        Size of the other picture over that of the recorded one.
    values : tuple of OtherValue
    result : dict or None
        What was measured; None where it could not be.
    sentence : str
    """

    measure: str
    frame: int | None
    other_frame: int | None
    offset_s: float | None
    scale: float
    values: tuple[OtherValue, ...]
    result: JsonObject | None
    sentence: str

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "measure": self.measure,
            "frame": self.frame,
            "other_frame": self.other_frame,
            "time_offset_s": self.offset_s,
            "picture_scale": self.scale,
            "sentence": self.sentence,
            "values": [
                {
                    **vars(item),
                    "difference": item.other - item.saved,
                    "ratio": item.ratio if math.isfinite(item.ratio) else None,
                    "within": item.within,
                }
                for item in self.values
            ],
        }


@dataclass(frozen=True)
class OtherClip:
    """All readings of an attempt on another clip."""

    path: Path
    sha256: str
    recorded_sha256: str
    readings: tuple[OtherReading, ...]

    @property
    def sentence(self) -> str:
        """What this clip is."""
        return (
            f"{self.path.name} is another clip, not the recorded one (SHA-256 "
            f"{self.sha256[:16]}..., recorded {self.recorded_sha256[:16]}...): what follows is not "
            "evidence of the recorded result, and nothing of it is saved."
        )

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "clip": str(self.path),
            "clip_sha256": self.sha256,
            "recorded_sha256": self.recorded_sha256,
            "is_the_recorded_clip": False,
            "sentence": self.sentence,
            "readings": [item.to_dict() for item in self.readings],
        }


def measure_another_clip(
    attempt: Attempt,
    path: Path,
    *,
    recorded: Path | None = None,
    recorded_size: tuple[int, int] | None = None,
    progress: Progress | None = None,
) -> OtherClip:
    """Measure the readings of an attempt on a clip that is not the recorded one.

    Parameters
    ----------
    attempt : Attempt
    path : Path
        The other clip.
    recorded : Path, optional
        The recorded one, where it is there: its size and length are compared.
    recorded_size : (int, int), optional
        Width and height of the recorded upright picture, px, where the clip is not there.
    progress : callable, optional

    Raises
    ------
    AuditError
        When the other clip cannot be of the same recording: another length, another shape.
    FootageError, FolderError
        When it cannot be read.
    """
    if attempt.clip is None:
        raise AuditError("the attempt has no clip, so no other one can be compared with it")
    with open_clip(path) as other:
        stated = _stated_size(attempt, recorded, recorded_size, other)
        scale = _scale(stated, (other.width, other.height), path)
        sha256, count = other.sha256, other.frame_count
        if recorded is not None:
            with open_clip(recorded) as first:
                _check_length(first, other)
    if not count:
        raise AuditError(f"{path.name} holds no frames")
    readings = [
        _measured(attempt, reading, path, recorded, scale, progress) for reading in attempt.readings
    ]
    return OtherClip(path, sha256, attempt.clip.sha256, tuple(readings))


def _stated_size(
    attempt: Attempt, recorded: Path | None, given: tuple[int, int] | None, other: Clip
) -> tuple[float, float]:
    """Size of the recorded picture, px of the upright picture."""
    if recorded is not None:
        with open_clip(recorded) as clip:
            return float(clip.width), float(clip.height)
    if given is not None:
        return float(given[0]), float(given[1])
    for reading in attempt.readings:
        settings = reading.result.get("settings")
        lens = settings.get("lens") if isinstance(settings, dict) else None
        size = lens.get("image_size") if isinstance(lens, dict) else None
        if isinstance(size, list) and len(size) == 2 and other.pixel_aspect == 1:
            return float(cast(float, size[0])), float(cast(float, size[1]))
    raise AuditError(
        "the recorded clip is not there and no lens names the size of its picture, so that the "
        "marks cannot be scaled; give its width and height (--recorded-size), as 1920x1080"
    )


def _scale(recorded: tuple[float, float], other: tuple[int, int], path: Path) -> float:
    """One factor for both sides, or a refusal."""
    scale = math.sqrt((other[0] / recorded[0]) * (other[1] / recorded[1]))
    off = max(abs(a * scale - b) for a, b in zip(recorded, other, strict=True))
    if off > _SIDE_PX:
        raise AuditError(
            f"{path.name} shows {other[0]} x {other[1]} px, the recorded clip "
            f"{recorded[0]:.0f} x {recorded[1]:.0f}: the picture was cropped, turned or stretched, "
            "so that the marks have no place in it; measure it as a clip of its own"
        )
    return scale


def _check_length(first: Clip, other: Clip) -> None:
    if not (first.has_times and other.has_times):
        raise AuditError(
            "one of the two clips carries no frame times, so that frames cannot be matched; "
            "measure the other one as a clip of its own"
        )
    lengths = [float(clip.times_s[-1]) for clip in (first, other)]
    if abs(lengths[0] - lengths[1]) > _LENGTH_S:
        raise AuditError(
            f"{other.path.name} runs {lengths[1]:.2f} s, the recorded clip {lengths[0]:.2f} s: it "
            "was cut or is of another attempt, so that frames cannot be matched by time; measure "
            "it as a clip of its own"
        )


def _true_fps(
    attempt: Attempt, reading: Reading, path: Path, recorded: Path | None
) -> float | None:
    """The declared rate, for a copy that may have been given another stored rate."""
    declared = true_fps_of(attempt, reading)
    if declared is None or recorded is None:
        return declared
    with open_clip(recorded, true_fps=declared) as first, open_clip(path) as other:
        if other.nominal_fps is None or first.time_scale == 1:
            return declared
        return float(other.nominal_fps / first.time_scale)


def _measured(
    attempt: Attempt,
    reading: Reading,
    path: Path,
    recorded: Path | None,
    scale: float,
    progress: Progress | None,
) -> OtherReading:
    frame = reading.frame
    blank = OtherReading(reading.measure, frame, None, None, scale, (), None, "")
    try:
        if reading.measure not in REPEATED or frame is None or reading.t_s is None:
            raise AuditError(
                f"a {reading.measure} reading without frame and time, or of a measure that this "
                "version does not know, cannot be taken on another clip"
            )
        with open_clip(path, true_fps=_true_fps(attempt, reading, path, recorded)) as clip:
            at = _frame_at(clip, reading.t_s)
            span = _span_in(clip, reading, recorded, attempt)
            moved = scaled_reading(reading, scale, at, span)
            result = cast(
                JsonObject, plain(repeat_reading(clip, attempt, moved, progress=progress))
            )
            offset = float(clip.times_s[at]) - reading.t_s
    except (ClipmarkError, LinAlgError, ArithmeticError) as error:
        told = f"The {reading.measure} cannot be measured on it: {str(error).rstrip('.')}."
        return _with(blank, told)
    values = tuple(_values(reading.result, result))
    parts = "; ".join(item.sentence for item in values) or "it gives no value to compare"
    told = (
        f"The {reading.measure}: frame {frame} is its frame {at} by time (offset "
        f"{offset:+.4f} s), its picture {scale:.4g} times as large; {parts}."
    )
    return OtherReading(reading.measure, frame, at, offset, scale, values, result, told)


def _with(blank: OtherReading, sentence: str) -> OtherReading:
    return OtherReading(blank.measure, blank.frame, None, None, blank.scale, (), None, sentence)


def _frame_at(clip: Clip, t_s: float) -> int:
    """The frame nearest in time."""
    if not clip.has_times:
        raise AuditError("the file carries no frame times, so that no frame can be matched")
    times = clip.times_s
    held = float(times[-1] / max(len(times) - 1, 1))
    if t_s > float(times[-1]) + held / 2:
        raise AuditError(
            f"it ends at {float(times[-1]):.3f} s, before the frame that was marked at {t_s:.3f} s"
        )
    return int(abs(times - t_s).argmin())


def _span_in(
    clip: Clip, reading: Reading, recorded: Path | None, attempt: Attempt
) -> tuple[int, int] | None:
    """First and last frame of a crawl in the other clip, by time."""
    if reading.measure != "crawl":
        return None
    settings = reading.result.get("settings")
    span = settings.get("span") if isinstance(settings, dict) else None
    if not isinstance(span, list):
        return None
    first, last = (int(cast(int, item)) for item in span)
    held = attempt.span
    times: tuple[float | None, float | None] = (None, None)
    if recorded is not None:
        with open_clip(recorded, true_fps=true_fps_of(attempt, reading)) as original:
            times = (float(original.times_s[first]), float(original.times_s[last]))
    elif held is not None and (held.first_frame, held.last_frame) == (first, last):
        times = (held.first_t_s, held.last_t_s)
    if times[0] is None or times[1] is None:
        raise AuditError(
            "the recorded clip is not there, and the attempt does not say at which times its span "
            "begins and ends"
        )
    return _frame_at(clip, times[0]), _frame_at(clip, times[1])


def _values(saved: Mapping[str, JsonValue], other: Mapping[str, JsonValue]) -> list[OtherValue]:
    found = []
    for name, value in saved.items():
        beside_it = beside(name, "u95")
        numbers = [value, saved.get(beside_it), other.get(name), other.get(beside_it)]
        if beside_it in saved and all(is_number(item) for item in numbers):
            a, u_a, b, u_b = (float(cast(float, item)) for item in numbers)
            own = [_own_u(table, name) for table in (saved, other)]
            known = own[0] is not None and own[1] is not None
            apart = (
                Z95 * math.hypot(own[0] or 0.0, own[1] or 0.0) if known else math.hypot(u_a, u_b)
            )
            found.append(OtherValue(name, a, u_a, b, u_b, apart))
    return found


def _own_u(result: Mapping[str, JsonValue], name: str) -> float | None:
    """Standard uncertainty of a value from what the picture itself adds; None without a budget."""
    budget = result.get("budget")
    rows = budget.get(name) if isinstance(budget, dict) else None
    if not isinstance(rows, list) or not rows:
        return None
    shares = []
    for row in rows:
        if isinstance(row, dict) and row.get("source") in _OWN:
            u = next((value for key, value in row.items() if key == "u" or key.startswith("u_")), 0)
            shares.append(float(cast(float, u)) if is_number(u) else 0.0)
    return math.hypot(*shares) if shares else None
