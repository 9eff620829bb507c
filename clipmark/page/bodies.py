"""What the marking page's API takes and answers: one model for each body.

Bounds stand here, so that the published schema says them: list and string lengths, finite
numbers, ordinals from 0.
"""

from __future__ import annotations

from pydantic import BaseModel


class Refusal(BaseModel):
    """A refusal: one sentence saying what was wrong, where, and what to do."""

    error: str
