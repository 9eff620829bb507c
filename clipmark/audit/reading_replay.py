"""The readings of an attempt, repeated from a clip file and compared with what was saved.

No event folder is needed: an attempt as it was recorded and a file. Whether that file is the one
that was recorded is told (`ReadingReplay.same_file`), and what it shows is checked frame by frame
against the fingerprints that the readings carry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal, cast

import pandas as pd
from numpy.linalg import LinAlgError
from pydantic import JsonValue

from clipmark.audit.compare import Comparison, Difference, compare_results
from clipmark.audit.repeat import REPEATED, repeat_reading, true_fps_of
from clipmark.audit.value_words import number_words, words_of
from clipmark.audit.versions import VersionDifference, versions_that_differ
from clipmark.clip import Clip, open_clip
from clipmark.errors import ClipmarkError
from clipmark.record.canonical import JsonObject
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading
from clipmark.record.texts import plain

Progress = Callable[[int, int], None]
Traced = Callable[[int, pd.DataFrame], None]  # place of the reading among the attempt's, trace
Outcome = Literal[
    "equal",
    "within rounding",
    "changed",
    "frame decodes differently",
    "clip missing",
    "clip altered",
    "cannot be repeated",
]
AGREEING: tuple[Outcome, ...] = ("equal", "within rounding")
_ORDINALS = ("frame", "first_frame", "last_frame", "span")
_INSTANTS = ("t_s", "until_s", "ripple_span_s")
_SHOWN = 4  # values named in a sentence


@dataclass(frozen=True)
class FrameCheck:
    """One frame as it decodes now, beside its recorded fingerprint.

    Attributes
    ----------
    frame : int
        Ordinal in the recorded clip.
    recorded, found : str
        Fingerprints; `found` is empty where the frame cannot be decoded.
    """

    frame: int
    recorded: str
    found: str

    @property
    def agrees(self) -> bool:
        """Whether the picture is, bit for bit, the one that was measured on."""
        return self.recorded == self.found


@dataclass(frozen=True)
class ReadingReplay:
    """One reading, repeated.

    Attributes
    ----------
    measure : str
        angle, crawl, ...
    place : int
        Which of the attempt's readings, from 0.
    outcome : str
        One of `Outcome`.
    sentence : str
        The same for people, with both values where they differ.
    comparison : Comparison or None
        Field by field; None where nothing could be measured.
    frames : tuple of FrameCheck
    versions : tuple of VersionDifference
        Software that is not of the version it was.
    same_file : bool or None
        Whether the file's hash is the recorded one; None where there is no file.
    result : dict or None
        What was measured now, with ordinals and times of the recorded clip.
    """

    measure: str
    place: int
    outcome: Outcome
    sentence: str
    comparison: Comparison | None = None
    frames: tuple[FrameCheck, ...] = ()
    versions: tuple[VersionDifference, ...] = ()
    same_file: bool | None = None
    result: JsonObject | None = None

    @property
    def agrees(self) -> bool:
        """Whether the reading came back, to the last digit or within rounding."""
        return self.outcome in AGREEING

    def to_dict(self) -> dict[str, object]:
        """As plain data; the repeated result itself is left out."""
        found = self.comparison
        return {
            "measure": self.measure,
            "place": self.place,
            "outcome": self.outcome,
            "agrees": self.agrees,
            "sentence": self.sentence,
            "same_file": self.same_file,
            "largest_difference": None if found is None else found.largest,
            "values": [] if found is None else [difference_row(item) for item in found.values],
            "others": [] if found is None else [difference_row(item) for item in found.others],
            "frames": [
                {
                    "frame": item.frame,
                    "recorded": item.recorded,
                    "found": item.found or None,
                    "agrees": item.agrees,
                }
                for item in self.frames
            ],
            "versions": [
                {"name": item.name, "then": item.then, "now": item.now} for item in self.versions
            ],
        }


def difference_row(item: Difference) -> dict[str, object]:
    """One difference as plain data."""
    return {
        "name": item.name,
        "saved": item.before,
        "saved_u95": item.before_u95,
        "repeated": item.after,
        "repeated_u95": item.after_u95,
        "difference": item.size,
        "within_stated_uncertainty": within_stated(item),
    }


def within_stated(item: Difference) -> bool | None:
    """Whether two numbers lie within the uncertainty that was saved; None where none was."""
    u95 = item.after_u95 if item.before_u95 is None else item.before_u95
    return None if item.size is None or u95 is None else item.size <= u95


def replay_readings(
    attempt: Attempt,
    clip_path: Path,
    *,
    shift: int = 0,
    time_shift_s: float | None = None,
    progress: Progress | None = None,
    traced: Traced | None = None,
) -> list[ReadingReplay]:
    """Repeat every reading of an attempt on one clip file.

    Parameters
    ----------
    attempt : Attempt
    clip_path : Path
        The recorded clip, or a stretch of it cut out without coding it anew.
    shift : int
        Frames that were cut off before the first frame of the file.
    time_shift_s : float, optional
        Seconds that were cut off with them; told by the reading's own frame when not given.
    progress : callable, optional
        Called with frames done and frames in all, of a crawl.
    crawled : callable, optional
        Given every crawl as it is measured, with its trace, and the place of its reading.

    Returns
    -------
    list of ReadingReplay
        One for each reading, in order. What goes wrong is an outcome with its sentence; nothing
        is raised for it.
    """
    return [
        replay_reading(
            attempt,
            reading,
            clip_path,
            place=place,
            shift=shift,
            time_shift_s=time_shift_s,
            progress=progress,
            traced=traced,
        )
        for place, reading in enumerate(attempt.readings)
    ]


def replay_reading(
    attempt: Attempt,
    reading: Reading,
    clip_path: Path,
    *,
    place: int = 0,
    shift: int = 0,
    time_shift_s: float | None = None,
    progress: Progress | None = None,
    traced: Traced | None = None,
) -> ReadingReplay:
    """Repeat one reading; see `replay_readings`."""
    empty = ReadingReplay(
        reading.measure,
        place,
        "cannot be repeated",
        "",
        versions=versions_that_differ(reading.versions),
    )
    try:
        with open_clip(clip_path, true_fps=true_fps_of(attempt, reading)) as clip:
            checked = replace(
                empty,
                frames=_check_frames(clip, reading, shift),
                same_file=clip.sha256 == reading.clip_sha256,
            )
            try:
                kept = None if traced is None else partial(traced, place)
                repeat = partial(repeat_reading, shift=shift, progress=progress, traced=kept)
                now = cast(JsonObject, plain(repeat(clip, attempt, reading)))
                return _compared(reading, now, checked, shift, time_shift_s)
            except (ClipmarkError, LinAlgError, ArithmeticError) as error:
                return _refused(checked, str(error))
    except ClipmarkError as error:  # the file itself, or its declared rate
        return _refused(empty, str(error))


def moved_back(result: Mapping[str, object], shift: int, time_shift_s: float) -> JsonObject:
    """A result with ordinals and times counted from the first frame of the recorded clip.

    Parameters
    ----------
    result : mapping
        In plain JSON values.
    shift, time_shift_s
        Frames and seconds that were cut off before.
    """
    if not shift and not time_shift_s:
        return cast(JsonObject, dict(result))
    return cast(JsonObject, _moved("", cast(JsonValue, dict(result)), shift, time_shift_s))


def _moved(name: str, value: JsonValue, shift: int, time_shift_s: float) -> JsonValue:
    if isinstance(value, dict):
        return {key: _moved(key, item, shift, time_shift_s) for key, item in value.items()}
    if isinstance(value, list):
        return [_moved(name, item, shift, time_shift_s) for item in value]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return value
    if name in _ORDINALS:
        return value + shift
    return value + time_shift_s if name in _INSTANTS else value


def _check_frames(clip: Clip, reading: Reading, shift: int) -> tuple[FrameCheck, ...]:
    """Every frame whose fingerprint the reading carries, decoded now."""
    found: dict[int, FrameCheck] = {}
    for ordinal_key, print_key in (
        ("frame", "fingerprint"),
        ("first_frame", "first_fingerprint"),
        ("last_frame", "last_fingerprint"),
    ):
        ordinal, recorded = reading.result.get(ordinal_key), reading.result.get(print_key)
        if not isinstance(ordinal, int) or not isinstance(recorded, str) or not recorded:
            continue
        try:
            now = clip.frame(ordinal - shift, allow_damaged=True).fingerprint
        except ClipmarkError:
            now = ""
        found.setdefault(ordinal, FrameCheck(ordinal, recorded, now))
    return tuple(found.values())


def _compared(
    reading: Reading,
    now: JsonObject,
    empty: ReadingReplay,
    shift: int,
    time_shift_s: float | None,
) -> ReadingReplay:
    if time_shift_s is None:
        then_s, now_s = reading.t_s, now.get("t_s")
        known = shift and then_s is not None and isinstance(now_s, (int, float))
        time_shift_s = cast(float, then_s) - float(cast(float, now_s)) if known else 0.0
    now = moved_back(now, shift, time_shift_s)
    before: Mapping[str, JsonValue] = reading.result
    after: Mapping[str, JsonValue] = now
    if not empty.same_file:  # its warnings speak of the file, which is another one
        before = {name: value for name, value in before.items() if name != "warnings"}
        after = {name: value for name, value in after.items() if name != "warnings"}
    comparison = compare_results(before, after)
    outcome: Outcome = comparison.sameness
    if not all(item.agrees for item in empty.frames):
        outcome = "frame decodes differently"
    done = replace(empty, comparison=comparison, outcome=outcome, result=now)
    return replace(done, sentence=_sentence(done))


def _refused(empty: ReadingReplay, why: str) -> ReadingReplay:
    gone = [item for item in empty.frames if not item.agrees]
    told = f" {_frames_words(gone)}" if gone else ""
    why = why.rstrip(".")
    return replace(
        empty,
        outcome="cannot be repeated",
        sentence=f"The {empty.measure} reading cannot be repeated: {why}.{told}",
    )


def _sentence(replay: ReadingReplay) -> str:
    """What came out, for people."""
    found = replay.comparison
    assert found is not None
    what = f"The {replay.measure} reading"
    others = ""
    if replay.versions:
        listed = "; ".join(str(item) for item in replay.versions)
        others = f"It was taken with other software: {listed}."
    if replay.outcome == "equal":
        return f"{what} comes back to the last digit. {others}".rstrip()
    if replay.outcome == "within rounding":
        return (
            f"{what} comes back within rounding (largest relative difference "
            f"{found.largest:.1g}). {others}"
        ).rstrip()
    parts = []
    if replay.outcome == "frame decodes differently":
        parts.append(_frames_words([item for item in replay.frames if not item.agrees]))
        if found.sameness != "changed":
            parts.append(f"{what} comes back all the same.")
    if found.sameness == "changed":
        parts.append(f"{what} has changed: {differences_words(found)}.")
    if others:
        parts.append(others)
    elif found.sameness == "changed" and replay.same_file:
        parts.append(
            "The software is of the versions named in the reading, so either the reading was not "
            "measured from these marks, or another computer counts differently."
        )
    return " ".join(parts)


def differences_words(found: Comparison) -> str:
    """Values that changed, both with their uncertainty; else how much of the rest did."""
    if not found.values:
        places = ", ".join(words_of(item.name) for item in found.others[:_SHOWN])
        more = len(found.others) - _SHOWN
        rest = f" and {more} more" if more > 0 else ""
        return f"every value is the same, but not {places}{rest}"
    texts = []
    for item in found.values[:_SHOWN]:
        within = within_stated(item)
        judged = (
            ""
            if within is None
            else ", within the stated uncertainty"
            if within
            else ", beyond the stated uncertainty"
        )
        texts.append(
            f"{words_of(item.name)} was {number_words(item.before, item.before_u95, item.name)}, "
            f"is now {number_words(item.after, item.after_u95, item.name)}{judged}"
        )
    more = len(found.values) - _SHOWN
    return "; ".join(texts) + (f"; and {more} more" if more > 0 else "")


def _frames_words(items: list[FrameCheck]) -> str:
    texts = [
        f"frame {item.frame} does not decode to the picture that was measured on (fingerprint "
        f"{item.recorded[:12]}, now {item.found[:12]})"
        if item.found
        else f"frame {item.frame} cannot be decoded (fingerprint {item.recorded[:12]})"
        for item in items
    ]
    text = "; ".join(texts)
    return f"{text[:1].upper()}{text[1:]}."


__all__ = [
    "AGREEING",
    "REPEATED",
    "FrameCheck",
    "Outcome",
    "ReadingReplay",
    "difference_row",
    "differences_words",
    "moved_back",
    "replay_reading",
    "replay_readings",
    "within_stated",
]
