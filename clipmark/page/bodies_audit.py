"""What the audit routes of the page take and answer."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Path
from pydantic import BaseModel, Field, JsonValue

from clipmark.record.texts import Fact, Label, Name, Note

ErrandId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
ClaimText = Annotated[str, Field(min_length=1, max_length=200)]
ProtestId = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]


class ClaimAsked(Fact):
    """A claim in words, such as ``ramp >= 53 deg``."""

    claim: ClaimText


class ProtestAsked(Fact):
    """A protest to be entered, with the ruling that was shown if that is to be filed with it.

    ``errand`` names the ruling; without it the protest is entered and stays open. ``protest`` is
    one that was entered earlier and is ruled on now.
    """

    claim: ClaimText
    by: Name
    protested_by: Label = ""
    note: Note = ""
    errand: Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")] | None = None
    protest: ProtestId | None = None


class CheckAsked(Fact):
    """Whether the contents of the clips are to be checked as well."""

    clips: bool = False


class ErrandStarted(BaseModel):
    """An audit in the background, by its id."""

    errand: str


class ErrandAnswer(BaseModel):
    """How far an audit is, and what it gave."""

    state: Literal["running", "done", "failed"]
    step: str
    done: int
    total: int
    error: str | None
    result: dict[str, JsonValue] | None


class Filed(BaseModel):
    """What was saved; it is on the disk."""

    protest: str
    revision: int
    ruled: bool
