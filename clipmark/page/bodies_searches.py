"""What the routes that look for attempts take and answer."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Path
from pydantic import BaseModel, Field, JsonValue

from clipmark.measure.attempts_found import MOST_S
from clipmark.motion.attempt_spans import MARGIN_S, REST_S
from clipmark.record.texts import Fact

_FAR = 100_000  # px; larger than any picture
SearchId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
Seconds = Annotated[float, Field(ge=0, le=MOST_S, allow_inf_nan=False)]
Place = Annotated[float, Field(ge=-_FAR, le=_FAR, allow_inf_nan=False)]
Size = Annotated[float, Field(gt=0, le=_FAR, allow_inf_nan=False)]
Rate = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]


class RegionBody(Fact):
    """Where attempts happen, px of the upright picture."""

    x: Place
    y: Place
    w: Size
    h: Size


class SearchAsked(Fact):
    """How to look: the longest rest within one attempt, the margin, s; the region."""

    rest_s: Seconds = REST_S
    margin_s: Seconds = MARGIN_S
    within: RegionBody | None = None
    true_fps: Rate | None = None


class SearchStarted(BaseModel):
    """A search in the background, by its id."""

    search: str


class SearchAnswer(BaseModel):
    """How far a search is."""

    state: Literal["running", "done", "failed"]
    done: int
    total: int
    error: str | None


class SearchedBody(BaseModel):
    """What was found in a clip last, and the search that runs on it."""

    running: str | None
    found: dict[str, JsonValue] | None
