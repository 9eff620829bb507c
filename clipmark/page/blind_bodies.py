"""What the blind page's API takes and answers; nothing names a clip, an attempt or a value."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from fastapi import Path
from pydantic import Field, model_validator

from clipmark.measure.one_fit import LineName, RoundName
from clipmark.record.draft import MOST_TYRES, MOST_WHEELS, EightPx, FourPx, LengthPx, Marks, Px
from clipmark.record.models import FAIL_REASONS, VOID_REASONS, FailReason, Verdict, VoidReason
from clipmark.record.texts import Angle, Fact, Label

MOST_PLACES = 100_000_000
Token = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$", description="The picture to be marked")]
Place = Annotated[int, Path(ge=0, le=MOST_PLACES, description="frame, counted from 0")]
Wheels = tuple[tuple[Px, Px, LengthPx, LengthPx, Angle], ...]
Tyres = tuple[tuple[Px, Px, LengthPx, LengthPx], ...]


class BlindMarks(Fact):
    """What is marked, px of the upright picture; None is not marked."""

    level: FourPx | None = None
    plumb: FourPx | None = None
    ramp: FourPx | None = None
    hubs: FourPx | None = None
    chassis: FourPx | None = None
    sheet: EightPx | None = None
    scale: FourPx | None = None
    wheels: Annotated[Wheels, Field(max_length=MOST_WHEELS)] = ()
    patch: tuple[Px, Px, LengthPx, LengthPx] | None = None
    travel: FourPx | None = None
    platform: FourPx | None = None
    uphill_tyres: Annotated[Tyres, Field(max_length=MOST_TYRES)] = ()
    finish: FourPx | None = None

    def as_marks(self) -> Marks:
        """The same as measuring takes them."""
        return Marks.model_validate(self.model_dump())


class BlindWork(Fact):
    """Everything that is said of one picture."""

    marks: BlindMarks = BlindMarks()
    verdict: Verdict | None = None
    reason: FailReason | VoidReason | None = None

    @model_validator(mode="after")
    def _reason_fits(self) -> Self:
        fitting = {"failed": FAIL_REASONS, "void": VOID_REASONS}.get(self.verdict or "", ())
        if self.reason is not None and self.reason not in fitting:
            raise ValueError("the reason does not fit the verdict; choose another")
        return self


class BlindSign(Fact):
    """One picture signed: what was marked, or why it cannot be marked."""

    work: BlindWork = BlindWork()
    left_out: Label = ""


class BlindFit(Fact):
    """One mark to be fitted onto the picture."""

    frame: Annotated[int, Field(strict=True, ge=0, le=MOST_PLACES)]
    what: LineName | RoundName
    line: FourPx | None = None
    point: tuple[Px, Px] | None = None
    rim_px: LengthPx | None = None
    sheet: EightPx | None = None


class FittedBody(Fact):
    """Where the fit puts a line or a wheel: places in the picture, and no angle."""

    picture_points: list[tuple[float, float]] | None = None
    runner_up_line: FourPx | None = None
    measured: list[float] | None = None
    radius_px: float | None = None
    wheel: list[float] | None = None
    warnings: list[str] = Field(default_factory=list)


class WantedBody(Fact):
    """One thing to be marked."""

    name: str
    hint: str
    count: int
    needed: bool


class PictureBody(Fact):
    """The picture to be marked now; its frames are counted from 0."""

    token: str
    width: int
    height: int
    pixel_aspect: float
    frame_count: int
    times_s: list[float] | None
    frame: int
    patch_frame: int | None
    edge_fit: bool
    wanted: list[WantedBody]


class NowBody(Fact):
    """How far the marker is, and what is to be marked now; `sentence` where it cannot be shown."""

    state: Literal["marking", "done", "closed"]
    number: int
    total: int
    kept: int
    token: str | None = None
    picture: PictureBody | None = None
    work: BlindWork | None = None
    sentence: str | None = None


class KeptBody(Fact):
    """That a picture was signed, and how many are."""

    kept: int
    total: int
    sentence: str


class HereBody(Fact):
    """Where the work is, which way it goes, and how wide frames are shown, px."""

    ordinal: Annotated[int, Field(ge=0, le=MOST_PLACES)]
    direction: Literal[-1, 0, 1] = 0
    width: Annotated[int, Field(ge=1, le=1 << 16)] = 1280


class RefusalBody(Fact):
    """A refusal: one sentence."""

    error: str
