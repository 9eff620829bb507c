"""The columns of ``attempts.csv``: name, type, unit, meaning, limits, in their fixed order."""

from dataclasses import dataclass, field
from typing import Literal

from clipmark.record.canonical import JsonObject
from clipmark.record.models import FAIL_REASONS, VOID_REASONS

ColumnType = Literal["string", "integer", "number", "datetime"]
_HASH = {"pattern": "[0-9a-f]{64}"}
_FROM_0: JsonObject = {"minimum": 0}
_FROM_1: JsonObject = {"minimum": 1}
_HALF_TURN: JsonObject = {"minimum": -180, "maximum": 180}
_TO_HALF_TURN: JsonObject = {"minimum": 0, "maximum": 180}
_LARGEST = 1e12  # a limit on both sides also keeps INF out
_FINITE: JsonObject = {"minimum": -_LARGEST, "maximum": _LARGEST}
_FINITE_FROM_0: JsonObject = {"minimum": 0, "maximum": _LARGEST}


@dataclass(frozen=True)
class Column:
    """One column of the attempts file."""

    name: str
    type: ColumnType
    unit: str
    meaning: str
    constraints: JsonObject = field(default_factory=dict)


def _text(name: str, meaning: str, **constraints: object) -> Column:
    return Column(name, "string", "", meaning, dict(constraints))  # type: ignore[arg-type]


def _number(name: str, unit: str, meaning: str, limits: JsonObject) -> Column:
    return Column(name, "number", unit, meaning, limits)


def _count(name: str, meaning: str, limits: JsonObject) -> Column:
    return Column(name, "integer", "1", meaning, limits)


_U95 = "expanded uncertainty (95 %) of"

COLUMNS: tuple[Column, ...] = (
    _text("attempt", "id of the attempt", required=True),
    _count(
        "revision", "which revision of the attempt this row shows", {**_FROM_1, "required": True}
    ),
    _text("event", "name of the event, from the rule sheet"),
    _text("test", "which test of the event", required=True),
    _text("entry", "which entry ran", required=True),
    _text("setup", "which set-up of the entry"),
    _text("surface", "what it ran on"),
    _count("try_no", "which try at this step, from 1", _FROM_1),
    _number("step_deg", "deg", "step of the ladder the board was set to", _TO_HALF_TURN),
    _number("set_start_deg", "deg", "set angle by the inclinometer, at the start", _HALF_TURN),
    _number("set_end_deg", "deg", "set angle by the inclinometer, at the end", _HALF_TURN),
    _text("travel", "which way the entry went on the board", enum=["up", "down", "level"]),
    _number("ramp_deg", "deg", "ramp angle from level, a magnitude", _TO_HALF_TURN),
    _number("ramp_u95_deg", "deg", f"{_U95} ramp_deg", _TO_HALF_TURN),
    _number("chassis_deg", "deg", "chassis angle from level, positive nose up", _HALF_TURN),
    _number("chassis_u95_deg", "deg", f"{_U95} chassis_deg", _TO_HALF_TURN),
    _count("angle_frame", "frame ordinal the angles were read on, from 0", _FROM_0),
    _text("tilt_event", "which event of the tilt test tilt_deg belongs to"),
    _number("tilt_deg", "deg", "platform angle at that event, a magnitude", _TO_HALF_TURN),
    _number("tilt_u95_deg", "deg", f"{_U95} tilt_deg", _TO_HALF_TURN),
    _number("tilt_rate_deg_s", "deg/s", "how fast the platform was tilted then", _FINITE),
    _number("finish_t_s", "s", "time of the finish, from the first shown frame", _FINITE),
    _number("mean_speed_mm_s", "mm/s", "mean speed over the span", _FINITE),
    _number("mean_speed_u95_mm_s", "mm/s", f"{_U95} mean_speed_mm_s", _FINITE_FROM_0),
    _number("slowest_speed_mm_s", "mm/s", "slowest speed held without a stall", _FINITE),
    _number("ripple", "1", "speed ripple within ripple_band_hz over mean speed", _FINITE_FROM_0),
    _number("ripple_u95", "1", f"{_U95} ripple", _FINITE_FROM_0),
    _text("ripple_band_hz", "band of the ripple, Hz, as from:to"),
    _number("noise_floor_mm_s", "mm/s", "speed below which the clip shows noise", _FINITE_FROM_0),
    _count("stalls", "number of stalls", _FROM_0),
    _number("rollback_mm", "mm", "backward travel beyond the noise", _FINITE_FROM_0),
    _number("progress", "1", "gates or sections passed, as the rule sheet counts", _FINITE_FROM_0),
    _number("penalties", "1", "penalty points as called", _FINITE_FROM_0),
    _number("grade", "1", "grade given by the rule sheet's scale", _FINITE),
    _text("verdict", "the judge's verdict", enum=["cleared", "failed", "void"]),
    _text("reason", "why it failed or is void", enum=[*FAIL_REASONS, *VOID_REASONS]),
    _text("claim", "what a protest asserts: measure, relation, value, unit"),
    _text("ruling", "what an audit says of the claim", enum=["stands", "falls", "cannot decide"]),
    _text("called_by", "who judged"),
    _text("marked_by", "who marked and signed"),
    Column("marked_at", "datetime", "", "when it was marked, UTC"),
    _text("note", "free text"),
    _text("clip", "where the clip lay when the attempt was saved"),
    _text("clip_sha256", "SHA-256 of the clip", **_HASH),
    _count("first_frame", "first frame ordinal of the attempt, from 0", _FROM_0),
    _count("last_frame", "last frame ordinal of the attempt, included", _FROM_0),
    _number("first_t_s", "s", "time of the first frame, from the first shown frame", _FINITE),
    _number("last_t_s", "s", "time of the last frame, from the first shown frame", _FINITE),
    _text("software", "name and version of the program that saved it"),
    _count(
        "journal_seq",
        "number of the journal line the row was made from",
        {**_FROM_1, "required": True},
    ),
    _text("journal_sha256", "hash of that journal line", required=True, **_HASH),
)
COLUMN_NAMES: tuple[str, ...] = tuple(column.name for column in COLUMNS)
TEXT_COLUMNS: frozenset[str] = frozenset(
    column.name for column in COLUMNS if column.type == "string"
)


def attempts_schema() -> JsonObject:
    """The Table Schema (Data Package standard 2.0) that describes ``attempts.csv``.

    ``fieldsMatch`` is left at its default, exact: same fields, same number, same order.
    """
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "missingValues": [""],
        "primaryKey": ["attempt"],
        "fields": [_field_of(column) for column in COLUMNS],
    }


def _field_of(column: Column) -> JsonObject:
    unit = f" ({column.unit})" if column.unit not in ("", "1") else ""
    found: JsonObject = {
        "name": column.name,
        "type": column.type,
        "description": f"{column.meaning}{unit}",
    }
    if column.unit:
        found["unit"] = column.unit
    if column.constraints:
        found["constraints"] = column.constraints
    return found
