"""What the marking page's API takes and answers: one model for each body.

Bounds stand here and in `clipmark.record.draft`, so that the published schema says them: list and
string lengths, finite numbers, ordinals from 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import Path
from pydantic import BaseModel, Field, JsonValue

from clipmark.measure.one_fit import LineName, RoundName
from clipmark.record.chain import ID_PATTERN
from clipmark.record.draft import (
    AttemptDraft,
    EightPx,
    FourPx,
    Frame,
    LengthMm,
    LengthPx,
    LensName,
    Marks,
    Px,
    RecordName,
    SquareWithinDeg,
    ViewAngleDeg,
)
from clipmark.record.session_entered import SessionEntered
from clipmark.record.texts import Fact, Label, Name, Note, NotNegative, Positive, Sha256

RECORD_ID = f"^{ID_PATTERN}$"
ClipId = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$", description="Content hash of the clip")]
RecordId = Annotated[str, Path(pattern=RECORD_ID)]
DraftKey = Annotated[str, Path(pattern=RECORD_ID, description="An attempt, or new-<16 hex>")]
JobId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
Revision = Annotated[int, Field(strict=True, ge=1, le=10_000_000)]
Answer = dict[str, Any]


class Refusal(BaseModel):
    """A refusal: one sentence saying what was wrong, where, and what to do."""

    error: str


class DraftPut(Fact):
    """A draft to be kept, by which browser, and whether it takes over from another one."""

    holder: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$")]
    take_over: bool = False
    draft: AttemptDraft


class Kept(BaseModel):
    """That a draft is kept, and since when (UTC)."""

    key: str
    at: str


class HeldRefusal(Refusal):
    """Another browser is writing the draft."""

    holder: str
    at: str


class AngleAsked(Fact):
    """Marks to measure an angle from; live while a point is dragged."""

    marks: Marks
    live: bool = False


class CrawlAsked(Fact):
    """Marks to measure a crawl from, and the test whose hold time and band it is measured with."""

    marks: Marks
    test: Label | None = None


class MotionAsked(Fact):
    """Marks to measure a climb or a side tilt from, with the terms that stand beside them."""

    marks: Marks


class FitAsked(Fact):
    """One mark to be fitted: a line, or the centre of a hub or wheel; and how it is seen."""

    frame: Frame
    what: LineName | RoundName
    line: FourPx | None = None
    point: tuple[Px, Px] | None = None
    rim_px: LengthPx | None = None
    lens: LensName | None = None
    view_angle: ViewAngleDeg | None = None
    square_within: SquareWithinDeg | None = None
    sheet: EightPx | None = None
    sheet_size: tuple[LengthMm, LengthMm] | None = None


class JobStarted(BaseModel):
    """A measurement in the background, by its id."""

    job: str


class SignAsked(Fact):
    """A draft to be signed: by whom, and which revision it replaces."""

    key: RecordName
    by: Name
    draft: AttemptDraft
    base_revision: Revision | None = None


class Signed(BaseModel):
    """What was saved; it is on the disk."""

    id: str
    revision: int
    seq: int
    readings: dict[str, dict[str, JsonValue] | None]


class NewerRefusal(Refusal):
    """Somebody saved a newer revision; `theirs` is that one."""

    theirs: dict[str, JsonValue]


class StandBody(Fact):
    """A stand as the page has it: marks in the marks-file form."""

    name: Name
    camera: Label = ""
    clip: Sha256 | None = None
    frame: Frame | None = None
    marks: Marks = Marks()
    level_u_deg: NotNegative | None = Field(default=None, lt=45)
    square_within_deg: NotNegative | None = Field(default=None, le=90)
    view_angle_deg: Positive | None = Field(default=None, lt=180)
    distance_mm: Positive | None = Field(default=None, le=1e7)
    note: Note = ""


class StandPut(Fact):
    """A stand to be saved, by whom, and which revision it replaces."""

    by: Name
    base_revision: Revision | None = None
    body: StandBody


class StandCheck(Fact):
    """A frame of another clip that a stand is compared with."""

    clip: Sha256
    frame: Frame


class SessionPut(Fact):
    """The session record to be saved, by whom, and which revision it replaces."""

    by: Name
    base_revision: Revision | None = None
    body: SessionEntered


class Saved(BaseModel):
    """What was saved; it is on the disk."""

    id: str
    revision: int
    seq: int


class PairingAsked(Fact):
    """A file-name pattern, such as ``{entry}_{test}_{try}``."""

    pattern: Annotated[str, Field(min_length=1, max_length=200)]


class JobAnswer(BaseModel):
    """How far a measurement in the background is, and what it gave.

    `trace` holds columns of equal length, null where unknown: ``t_s, s_mm, v_mm_s, u_v_mm_s``, and
    of each followed wheel ``wheel1_deg, wheel1_deg_s, wheel1_surface_mm_s, slip1, braking1``; of a
    side tilt ``t_s, platform_deg, chassis_to_platform_deg, tilt_deg, rate_deg_s``.
    """

    state: Literal["running", "done", "failed", "stopped"]
    done: int
    total: int
    error: str | None
    result: dict[str, JsonValue] | None
    followed: list[dict[str, float | int | None]]
    trace: dict[str, list[float | None]] | None


def finite(value: Any) -> Any:
    """Plain JSON values of a result: arrays as lists, NaN and infinity as None."""
    if isinstance(value, (np.ndarray, np.generic)):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    return value
