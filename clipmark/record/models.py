"""What the journal keeps: attempts, stands, lens files, the rule sheet, the session.

Every model is frozen, refuses unknown fields and numbers that are not finite, and carries the
unit in the name. A body is what one journal line holds under ``body``.
"""

import hashlib
import math
from typing import Literal, Self, get_args

from pydantic import Field, JsonValue, model_validator

from clipmark.record.canonical import parse_json
from clipmark.record.markings import Mark, MarkType
from clipmark.record.readings import Reading
from clipmark.record.texts import (
    Angle,
    Count,
    Fact,
    FilePath,
    Instant,
    Label,
    Name,
    Note,
    NotNegative,
    Number,
    Ordinal,
    Positive,
    Sha256,
)

Kind = Literal[
    "attempt", "stand", "lens", "rules", "session", "blind", "protest", "ruling", "scoring"
]
KINDS: tuple[Kind, ...] = get_args(Kind)
Travel = Literal["up", "down", "level"]
Motion = Literal["crawl", "climb", "tilt"]
ClimbMode = Literal["climb", "descend"]
Verdict = Literal["cleared", "failed", "void"]
FailReason = Literal[
    "stalled",
    "spun",
    "slid-back",
    "tipped-back",
    "rolled",
    "off-line",
    "touched",
    "out-of-time",
    "cut-off",
]
VoidReason = Literal["board-moved", "interference", "footage"]
FAIL_REASONS: tuple[str, ...] = get_args(FailReason)
VOID_REASONS: tuple[str, ...] = get_args(VoidReason)


class JournalLine(Fact):
    """One line of the journal: one revision of one record, whole."""

    seq: Ordinal
    at: Instant
    by: str
    kind: Kind
    id: Name
    revision: Ordinal
    body: dict[str, JsonValue]
    previous: Sha256
    sha256: Sha256


class ClipRef(Fact):
    """Which clip: where it lay when the attempt was saved, and the hash that finds it again."""

    path: FilePath
    sha256: Sha256


class FileRef(Fact):
    """Which file of the event folder, and its hash; without one, the file as it now is."""

    path: FilePath
    sha256: Sha256 | None = None


class RecordRef(Fact):
    """Which revision of another record was in force."""

    id: Name
    revision: Ordinal


class Span(Fact):
    """Frames of the attempt, both ends included, with their recorded times."""

    first_frame: Count
    last_frame: Count
    first_t_s: Number | None = None
    last_t_s: Number | None = None

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.last_frame < self.first_frame:
            raise ValueError(
                f"runs backwards, from frame {self.first_frame} to {self.last_frame}; give the "
                "earlier frame first"
            )
        if (
            self.first_t_s is not None
            and self.last_t_s is not None
            and self.last_t_s < self.first_t_s
        ):
            raise ValueError("ends before it begins, by its times; give the earlier time first")
        return self


CALL_NAMES = ("touch", "reverse", "rollover", "marker", "reposition", "out-of-time")


class FurtherClip(Fact):
    """Another file of the same attempt: the camera's next file, or a second camera.

    ``offset_s`` is the attempt's time (that of its own clip) at which the first frame of this
    file was shown.
    """

    clip: ClipRef
    joins: Literal["continues", "second camera"]
    offset_s: Number | None = None


class Declared(Fact):
    """What was said of the view and of the marks beside the marks themselves.

    None is not said; measuring then takes what the command line takes.
    """

    frame: Count | None = None  # ordinal the marks were set on
    rim_px: Positive | None = None
    facing: Literal["left", "right"] | None = None
    view_angle_deg: Positive | None = Field(default=None, lt=180)
    square_within_deg: NotNegative | None = None
    edge_fit: bool = True
    true_fps: Positive | None = None
    # Typed where the mark that they belong to was not set; else they stand with the mark.
    level_u_deg: NotNegative | None = None
    scale_mm: Positive | None = None
    sheet_size_mm: tuple[Positive, Positive] | None = None
    sheet_u_mm: NotNegative | None = None
    wheel_mm: Positive | None = None
    # On which terms a climb or a side tilt is measured, and which motion is followed.
    motion: Motion | None = None
    mode: ClimbMode | None = None
    give_up_s: NotNegative | None = None
    gap_mm: Positive | None = None
    track_mm: Positive | None = None
    track_u_mm: NotNegative | None = None
    low_side: Literal["left", "right"] | None = None
    join: Name | None = None  # the attempt with the other side low


class Call(Fact):
    """What the judge called out while watching, with its instant.

    ``call`` is one of `CALL_NAMES`, or one that the rule sheet names.
    """

    call: Name
    t_s: Number
    frame: Count | None = None
    note: Note = ""


class Claim(Fact):
    """What a protest asserts: measure, relation, value, unit.

    ``within`` goes with "equal to": the value is claimed to lie so far from ``value`` at most, in
    the same unit, which is half of the last digit that was given.
    """

    measure: Name
    relation: Literal["at least", "at most", "above", "below", "equal to"]
    value: Number
    unit: Label = ""
    by: Label = ""
    within: NotNegative | None = None

    def __str__(self) -> str:
        return f"{self.measure} {self.relation} {self._value_text()} {self.unit}".rstrip()

    def _value_text(self) -> str:
        """The value to the digits that it was given with, where they are known."""
        if self.within:
            places = -math.log10(2 * self.within)
            if abs(places - round(places)) < 1e-6 and 0 < round(places) < 15:
                return f"{self.value:.{round(places)}f}"
        return f"{self.value:.15g}"


class Ruling(Fact):
    """What an audit says of the claim; the judge's call stays beside it."""

    outcome: Literal["stands", "falls", "cannot decide"]
    probability: NotNegative | None = Field(default=None, le=1)
    by: Label = ""
    note: Note = ""


class Proposal(Fact):
    """What software proposed; the verdict is a person's."""

    proposed: Literal["cleared", "failed", "unclear"]
    reason: FailReason | VoidReason | None = None
    ended_by: Literal["grip", "balance", "drive", "cannot tell"] | None = None


class Attempt(Fact):
    """One try of one entry at one test. Unknown is None, or an empty text.

    ``marked_by``, ``marked_at``, ``software``, ``rules`` and ``session`` are filled in on saving
    where they are not given.
    """

    entry: Name
    test: Name
    setup: Label = ""
    surface: Label = ""
    try_no: Ordinal | None = None
    step_deg: NotNegative | None = Field(default=None, le=180)
    set_start_deg: Angle | None = None
    set_end_deg: Angle | None = None
    travel: Travel | None = None
    clip: ClipRef | None = None
    further_clips: tuple[FurtherClip, ...] = ()
    span: Span | None = None
    stand: RecordRef | None = None
    lens: FileRef | None = None
    rules: RecordRef | None = None
    session: RecordRef | None = None
    marks: tuple[Mark, ...] = ()
    declared: Declared | None = None
    readings: tuple[Reading, ...] = ()
    tilt_event: Label = ""  # which event of a tilt reading counts
    progress: NotNegative | None = None
    penalties: NotNegative | None = None
    grade: Number | None = None
    calls: tuple[Call, ...] = ()
    proposal: Proposal | None = None
    verdict: Verdict | None = None
    reason: FailReason | VoidReason | None = None
    claim: Claim | None = None
    ruling: Ruling | None = None
    called_by: Label = ""
    marked_by: Label = ""
    marked_at: Instant | None = None
    software: Label = ""
    note: Note = ""

    @model_validator(mode="after")
    def _verdict_and_reason_agree(self) -> Self:
        if self.reason is None:
            return self
        if self.verdict == "void" and self.reason not in VOID_REASONS:
            raise ValueError(
                f"the reason '{self.reason}' is of a failed attempt, but the verdict is void; "
                f"give one of {', '.join(VOID_REASONS)}"
            )
        if self.verdict == "failed" and self.reason not in FAIL_REASONS:
            raise ValueError(
                f"the reason '{self.reason}' is of a void attempt, but the verdict is failed; "
                f"give one of {', '.join(FAIL_REASONS)}"
            )
        if self.verdict not in ("void", "failed"):
            stands = "cleared" if self.verdict else "not given yet"
            raise ValueError(
                f"the reason '{self.reason}' has no place where the verdict is {stands}; leave it "
                "out, or give the verdict failed or void"
            )
        return self

    def reading(self, measure: str) -> Reading | None:
        """The reading that counts: the last one of that measure, or None."""
        found = [reading for reading in self.readings if reading.measure == measure]
        return found[-1] if found else None

    def mark(self, role: str) -> MarkType | None:
        """The last mark set under a role, or None."""
        found = [mark for mark in self.marks if mark.role == role]
        return found[-1] if found else None


class Stand(Fact):
    """One camera position, marked once and used by every attempt filmed from it."""

    name: Name
    camera: Label = ""
    lens: FileRef | None = None
    reference_clip: ClipRef | None = None
    reference_frame: Count | None = None
    reference_fingerprint: Label = ""
    marks: tuple[Mark, ...] = ()
    level_u_deg: NotNegative | None = None
    square_within_deg: NotNegative | None = None
    view_angle_deg: Positive | None = Field(default=None, lt=180)
    distance_mm: Positive | None = None
    note: Note = ""


class EmbeddedFile(Fact):
    """A text file kept word for word, so that clip and journal alone suffice for a replay."""

    path: FilePath
    text: str
    sha256: Sha256

    @classmethod
    def of(cls, path: str, text: str) -> Self:
        """Embed `text`, which is the whole file in UTF-8."""
        return cls(path=path, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())

    @model_validator(mode="after")
    def _hash_fits(self) -> Self:
        if hashlib.sha256(self.text.encode()).hexdigest() != self.sha256:
            raise ValueError(f"the text of {self.path} does not fit its hash")
        return self


class Rules(EmbeddedFile):
    """The rule sheet, ``event.toml``, as it was in force."""


class LensRecord(EmbeddedFile):
    """A lens calibration file as it was used; its JSON form is in docs/formats.md."""

    @model_validator(mode="after")
    def _is_json(self) -> Self:
        try:
            found = parse_json(self.text)
        except ValueError:
            found = None
        if not isinstance(found, dict):
            raise ValueError(f"{self.path} is not a lens file: it must hold one JSON object")
        return self

    @property
    def lens(self) -> dict[str, JsonValue]:
        """The calibration as read from the text."""
        found = parse_json(self.text)
        return found if isinstance(found, dict) else {}


class SetupState(Fact):
    """One set-up as it ran on the day; any change is a new set-up with its own results."""

    setup: Name
    tyres: Label = ""
    tyre_diameter_mm: Positive | None = None
    tyre_state: Literal["new", "clean", "conditioned", "dirty"] | None = None
    runs_since_cleaning: Count | None = None
    mass_g: Positive | None = None
    front_mass_g: NotNegative | None = None
    rear_mass_g: NotNegative | None = None
    left_mass_g: NotNegative | None = None
    right_mass_g: NotNegative | None = None
    wheelbase_mm: Positive | None = None
    track_mm: Positive | None = None
    ride_height_mm: NotNegative | None = None
    body_on: bool | None = None
    battery_before_v: NotNegative | None = None
    battery_after_v: NotNegative | None = None
    settings: Label = ""
    driver: Label = ""
    note: Note = ""


class SessionRecord(Fact):
    """What must be the same and be written down for one sitting."""

    date: str | None = Field(default=None, pattern=r"^\d{4}-\d{2}-\d{2}$")
    place: Label = ""
    filmed_by: Label = ""
    judge: Label = ""
    surface: Label = ""
    surface_side: Label = ""
    surface_age: Label = ""
    surface_care: Label = ""
    room_c: Number | None = None
    tyre_c: Number | None = None
    inclinometer: Label = ""
    inclinometer_zeroed: Label = ""
    inclinometer_u_deg: NotNegative | None = None
    reference_truck: Label = ""
    setups: tuple[SetupState, ...] = ()
    note: Note = ""
    source_sha256: Sha256 | None = None  # of session.toml, where it was read from there
