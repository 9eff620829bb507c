"""What the routes of areas to hide take and answer."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, Field

from clipmark.record.texts import Fact

_FAR = 100_000  # px; larger than any picture
MOST_AREAS = 200  # of one clip
Place = Annotated[float, Field(ge=-_FAR, le=_FAR, allow_inf_nan=False)]
Size = Annotated[float, Field(gt=0, le=_FAR, allow_inf_nan=False)]
Ordinal = Annotated[int, Field(strict=True, ge=0, le=100_000_000)]
Mark = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class AreaBody(Fact):
    """One rectangle, px of the upright picture, in some frames or, without their ends, in all."""

    x: Place
    y: Place
    w: Size
    h: Size
    first_frame: Ordinal | None = None
    last_frame: Ordinal | None = None


class AreasBody(BaseModel):
    """The areas of one clip, and a mark that changes with them."""

    areas: list[AreaBody]
    mark: Mark


class AreasAsked(Fact):
    """Areas to keep in place of those that ``mark`` stands for."""

    areas: Annotated[list[AreaBody], Field(max_length=MOST_AREAS)]
    mark: Mark
