"""The session record as somebody writes it down now: bounded by what can be true.

A record that the journal holds already is read as `SessionRecord`, whatever stands in it.
"""

import datetime
from typing import Annotated

from pydantic import Field, field_validator

from clipmark.record.models import SessionRecord, SetupState
from clipmark.record.texts import Count, NotNegative, Number, Positive


class SetupEntered(SetupState):
    """A set-up as it is written down now: only what can be true of a truck that people carry."""

    tyre_diameter_mm: Positive | None = Field(default=None, le=5_000)
    runs_since_cleaning: Count | None = Field(default=None, le=100_000)
    mass_g: Positive | None = Field(default=None, le=1_000_000)
    front_mass_g: NotNegative | None = Field(default=None, le=1_000_000)
    rear_mass_g: NotNegative | None = Field(default=None, le=1_000_000)
    left_mass_g: NotNegative | None = Field(default=None, le=1_000_000)
    right_mass_g: NotNegative | None = Field(default=None, le=1_000_000)
    wheelbase_mm: Positive | None = Field(default=None, le=10_000)
    track_mm: Positive | None = Field(default=None, le=10_000)
    ride_height_mm: NotNegative | None = Field(default=None, le=5_000)
    battery_before_v: NotNegative | None = Field(default=None, le=1_000)
    battery_after_v: NotNegative | None = Field(default=None, le=1_000)


class SessionEntered(SessionRecord):
    """A session record as it is written down now, on the page or in ``session.toml``."""

    room_c: Number | None = Field(default=None, ge=-60, le=60)
    tyre_c: Number | None = Field(default=None, ge=-60, le=200)
    inclinometer_u_deg: NotNegative | None = Field(default=None, le=45)
    setups: Annotated[tuple[SetupEntered, ...], Field(max_length=1_000)] = ()

    @field_validator("date")
    @classmethod
    def _is_a_day(cls, date: str | None) -> str | None:
        if date is not None:
            try:
                datetime.date.fromisoformat(date)
            except ValueError:
                raise ValueError(
                    f"is '{date}', which is no day of the calendar; give one such as 2026-05-16"
                ) from None
        return date
