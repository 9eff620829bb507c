"""An attempt as it is being marked: what the page keeps until somebody signs.

Marks stand in the marks-file form (see `clipmark.marks_file`): the names of the command line,
px of the upright picture. Every text, list and number is bounded, since this is what comes in
from outside. Whether the marks make sense in the picture is checked when they are measured.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from clipmark.record.chain import ID_PATTERN, is_id
from clipmark.record.models import ClimbMode, FailReason, Motion, Travel, Verdict, VoidReason
from clipmark.record.texts import (
    Angle,
    Fact,
    Label,
    Name,
    Note,
    NotNegative,
    Number,
    Sha256,
)

LARGEST_FRAME = 50_000_000  # nine days at 60 frames/s
LARGEST_PX = 100_000.0
MOST_WHEELS = 16
MOST_TYRES = 2  # uphill, of one truck
MOST_CALLS = 2_000
MOST_CLIPS = 20

Px = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=-LARGEST_PX, le=LARGEST_PX)]
LengthPx = Annotated[float, Field(allow_inf_nan=False, strict=True, gt=0.01, le=LARGEST_PX)]
LengthMm = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0.01, le=1e6)]
Frame = Annotated[int, Field(strict=True, ge=0, le=LARGEST_FRAME)]
Seconds = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=-1e6, le=1e7)]
ViewAngleDeg = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=1, lt=180)]
SquareWithinDeg = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, le=90)]
FourPx = tuple[Px, Px, Px, Px]
EightPx = tuple[Px, Px, Px, Px, Px, Px, Px, Px]
RecordName = Annotated[str, Field(pattern=f"^{ID_PATTERN}$")]


def _lens_name(name: str) -> str:
    if not (name.endswith(".json") and is_id(name.removesuffix(".json"))):
        raise ValueError(
            "is not the plain name of a lens file; give one that lies in lenses/, such as "
            "phone.json"
        )
    return name


LensName = Annotated[
    str,
    AfterValidator(_lens_name),
    Field(max_length=69, json_schema_extra={"pattern": rf"^{ID_PATTERN}\.json$"}),
]


class Marks(Fact):
    """Marks of one clip in the marks-file form; None is not marked."""

    frame: Frame | None = None
    ramp: FourPx | None = None
    chassis: FourPx | None = None
    hubs: FourPx | None = None
    rim_px: LengthPx | None = None
    facing: Literal["left", "right"] | None = None
    level: FourPx | None = None
    plumb: FourPx | None = None
    level_u: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, lt=45)] | None = None
    sheet: EightPx | None = None
    sheet_size: tuple[LengthMm, LengthMm] | None = None
    sheet_u_mm: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, le=1e5)] | None = (
        None
    )
    scale: FourPx | None = None
    scale_mm: LengthMm | None = None
    patch: tuple[Px, Px, LengthPx, LengthPx] | None = None
    patch_frame: Frame | None = None
    span: tuple[Frame, Frame] | None = None
    travel: FourPx | None = None
    finish: FourPx | None = None
    wheels: Annotated[
        tuple[tuple[Px, Px, LengthPx, LengthPx, Angle], ...], Field(max_length=MOST_WHEELS)
    ] = ()
    wheel_mm: LengthMm | None = None
    platform: FourPx | None = None
    uphill_tyres: Annotated[
        tuple[tuple[Px, Px, LengthPx, LengthPx], ...], Field(max_length=MOST_TYRES)
    ] = ()
    motion: Motion | None = None
    mode: ClimbMode | None = None
    give_up_s: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, le=3600)] | None = (
        None
    )
    gap_mm: LengthMm | None = None
    track_mm: LengthMm | None = None
    track_u_mm: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, le=1e5)] | None = (
        None
    )
    low_side: Literal["left", "right"] | None = None
    join: RecordName | None = None
    lens: LensName | None = None
    view_angle: ViewAngleDeg | None = None
    square_within: SquareWithinDeg | None = None
    edge_fit: bool = True
    true_fps: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=1, le=1e5)] | None = None

    @field_validator("wheels", "uphill_tyres", mode="before")
    @classmethod
    def _none_of_several(cls, several: object) -> object:
        return () if several is None else several

    @field_validator("edge_fit", mode="before")
    @classmethod
    def _fit_unless_said(cls, edge_fit: object) -> object:
        return True if edge_fit is None else edge_fit

    @model_validator(mode="after")
    def _span_forward(self) -> Self:
        if self.span is not None and self.span[1] < self.span[0]:
            raise ValueError(
                f"the span {self.span[0]}:{self.span[1]} runs backwards; give the earlier frame "
                "first"
            )
        return self

    def given(self) -> dict[str, object]:
        """What is marked, as a marks file holds it; ``frame`` is always there."""
        found = self.model_dump(mode="json", exclude_none=True)
        for name in ("wheels", "uphill_tyres"):
            if not getattr(self, name):
                found.pop(name, None)
        return {"frame": 0, **found}


class Details(Fact):
    """What people say of the attempt; None is unknown, and so is an empty text."""

    entry: Label | None = None
    test: Label | None = None
    try_no: Annotated[int, Field(strict=True, ge=1, le=1_000_000)] | None = None
    setup: Label | None = None
    surface: Label | None = None
    step_deg: Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0, le=180)] | None = None
    set_start_deg: Angle | None = None
    set_end_deg: Angle | None = None
    travel: Travel | None = None
    progress: NotNegative | None = None
    penalties: NotNegative | None = None
    grade: Number | None = None
    verdict: Verdict | None = None
    reason: FailReason | VoidReason | None = None
    called_by: Label | None = None
    note: Note | None = None

    @field_validator("entry", "test", "setup", "surface", "called_by", "note", mode="after")
    @classmethod
    def _empty_is_unknown(cls, text: str | None) -> str | None:
        return text or None

    @field_validator("travel", "verdict", "reason", mode="before")
    @classmethod
    def _not_chosen(cls, choice: object) -> object:
        return None if choice == "" else choice


class DraftCall(Fact):
    """One call of the judge, at its instant in the clip (or in the attempt, without a clip)."""

    call: Name
    t_s: Seconds
    frame: Frame | None = None
    note: Note = ""

    @field_validator("note", mode="before")
    @classmethod
    def _no_note(cls, note: object) -> object:
        return "" if note is None else note


class FurtherDraftClip(Fact):
    """Another file of the same attempt: the camera's next file, or a second camera.

    ``offset_s`` is the time in this clip's own attempt at which that file's first frame was shown.
    """

    clip: Sha256
    joins: Literal["continues", "second camera"] = Field(alias="as")
    offset_s: Seconds | None = None

    model_config = Fact.model_config | {"populate_by_name": True, "serialize_by_alias": True}


class AttemptDraft(Fact):
    """An attempt as it is being marked, whole."""

    attempt: RecordName | None = None
    base_revision: Annotated[int, Field(strict=True, ge=1, le=10_000_000)] | None = None
    clip: Sha256 | None = None
    further_clips: Annotated[tuple[FurtherDraftClip, ...], Field(max_length=MOST_CLIPS)] = ()
    details: Details = Details()
    marks: Marks = Marks()
    calls: Annotated[tuple[DraftCall, ...], Field(max_length=MOST_CALLS)] = ()
    stand: RecordName | None = None

    def plain(self) -> dict[str, object]:
        """The draft as the page has it."""
        return self.model_dump(mode="json", by_alias=True)
