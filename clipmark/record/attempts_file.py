"""``attempts.csv``: one row per attempt, made from the journal alone.

UTF-8, RFC 4180 (CRLF, quotes where needed), one header row, empty for unknown, rows in the order
in which the attempts were first saved. Text that a spreadsheet would run as a formula gets a
leading apostrophe (see `guarded`); numbers may be negative and are never touched.
"""

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from pydantic import ValidationError

from clipmark.errors import RecordError
from clipmark.record.chain import Entry
from clipmark.record.columns import COLUMN_NAMES, TEXT_COLUMNS, attempts_schema
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading, beside
from clipmark.record.texts import findings_of
from clipmark.uncertainty.digits import number_of

CSV_NAME = "attempts.csv"
SCHEMA_NAME = "attempts.schema.json"
_DECIMALS = 6  # 1/100 of any standard uncertainty above 5e-5 in the column's unit
_MOST_DECIMALS = 15
_U_SHARE = 100.0  # rounding stays below this fraction of the standard uncertainty
# First characters that a spreadsheet takes for a formula (OWASP's list, with line feed and the
# full-width forms). A semicolon, tab or line end inside a text starts a new cell where a
# spreadsheet cuts there instead of at the comma; quotes and spaces may stand before the formula.
_FORMULA = "=+\\-@\t\r\n＝＋－＠"
_RISKY = re.compile(rf"(^|[;\t\r\n])(?=['\" ]*[{_FORMULA}])")
_GUARDED = re.compile(rf"(^|[;\t\r\n])'(?=['\" ]*[{_FORMULA}])")


def guarded(text: str) -> str:
    """Put an apostrophe before what a spreadsheet would run as a formula.

    A spreadsheet shows such a cell as text. `unguarded` gives back the very text.

    Examples
    --------
    >>> guarded("=1+1"), guarded("Moss; -2 kg"), guarded("fine")
    ("'=1+1", "Moss;' -2 kg", 'fine')
    """
    return _RISKY.sub(r"\1'", text)


def unguarded(cell: str) -> str:
    """Take away the apostrophes that `guarded` put in, and no others."""
    return _GUARDED.sub(r"\1", cell)


def csv_line(cells: Sequence[str]) -> str:
    """One record of RFC 4180, CRLF at its end; a lone empty field is quoted.

    Examples
    --------
    >>> csv_line(["a,b", "c", ""]).encode()
    b'"a,b",c,\\r\\n'
    """
    sink = io.StringIO()
    csv.writer(sink, lineterminator="\r\n").writerow(cells)
    return sink.getvalue()


def number_text(value: float | int | None, u95: float | None = None) -> str:
    """A number for a cell; empty for unknown.

    Six decimals, or six significant digits below 1, trailing zeros left out; more where 1/100 of
    the standard uncertainty (half of `u95`) is finer than that.

    Examples
    --------
    >>> number_text(45.0), number_text(44.98231274, 0.31), number_text(-1.25e-9)
    ('45', '44.982313', '-1.25e-09')
    """
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    decimals = _DECIMALS
    if u95 is not None and u95 > 0:
        decimals = max(decimals, math.ceil(-math.log10(u95 / 2 / _U_SHARE)))
    if abs(value) < 1 and decimals == _DECIMALS:
        return "0" if value == 0 else f"{value:.6g}"
    if decimals > _MOST_DECIMALS:
        return repr(value)
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".")


def cells_of(line: Entry, attempt: Attempt, event: str) -> dict[str, str]:
    """The cells of one attempt by column name, texts not yet guarded.

    Of several readings of one measure the last one counts.
    """
    cells = dict.fromkeys(COLUMN_NAMES, "")
    cells |= _identity(line, attempt, event)
    cells |= _evidence(attempt)
    if angle := attempt.reading("angle"):
        cells |= _angle_cells(angle)
    if tilt := attempt.reading("tilt"):
        cells |= _tilt_cells(tilt, attempt.tilt_event)
    if climb := attempt.reading("climb"):
        cells |= _numbers_of(climb, "finish_t_s")
    if crawl := attempt.reading("crawl"):
        cells |= _crawl_cells(crawl)
    return cells


def row_of(line: Entry, event: str) -> str:
    """The CSV record of one attempt line of the journal.

    Raises
    ------
    RecordError
        When the body is not an attempt.
    """
    try:
        attempt = Attempt.model_validate(line.body)
    except ValidationError as error:
        raise RecordError(
            f"journal line {line.seq} does not hold an attempt that this version can read: "
            f"{findings_of(error)}; open it with the version that wrote it"
        ) from None
    cells = cells_of(line, attempt, event)
    return csv_line(
        [guarded(cells[name]) if name in TEXT_COLUMNS else cells[name] for name in COLUMN_NAMES]
    )


def file_text(rows: Iterable[str]) -> str:
    """The whole attempts file from its rows."""
    return csv_line(COLUMN_NAMES) + "".join(rows)


def schema_text() -> str:
    """``attempts.schema.json``."""
    return json.dumps(attempts_schema(), indent=2, ensure_ascii=False) + "\n"


def read_keys(text: str) -> set[tuple[str, str, str]]:
    """Attempt, journal line and its hash of each row of an attempts file; raises as `read_rows`."""
    at = [COLUMN_NAMES.index(name) for name in ("attempt", "journal_seq", "journal_sha256")]
    return {(cells[at[0]], cells[at[1]], cells[at[2]]) for cells in _cells_of_rows(text)}


def read_rows(text: str) -> list[dict[str, str]]:
    """Read an attempts file back, texts as they were before the guard.

    Raises
    ------
    RecordError
        When the header or a row is not of this form.
    """
    return [
        {
            name: unguarded(cell) if name in TEXT_COLUMNS else cell
            for name, cell in zip(COLUMN_NAMES, cells, strict=True)
        }
        for cells in _cells_of_rows(text)
    ]


def _cells_of_rows(text: str) -> Iterator[list[str]]:
    """The cells of each row, as they stand in the file."""
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        if tuple(next(rows, ())) != COLUMN_NAMES:
            raise RecordError(
                "the attempts file has not the columns of this version; rebuild it from the journal"
            )
        for number, cells in enumerate(rows, start=2):
            if len(cells) != len(COLUMN_NAMES):
                raise RecordError(
                    f"row {number} of the attempts file has {len(cells)} cells where "
                    f"{len(COLUMN_NAMES)} belong; rebuild it from the journal"
                )
            yield cells
    except csv.Error as error:
        raise RecordError(
            f"the attempts file is not CSV: {error}; rebuild it from the journal"
        ) from None


def _identity(line: Entry, attempt: Attempt, event: str) -> dict[str, str]:
    return {
        "attempt": line.id,
        "revision": str(line.revision),
        "event": event,
        "test": attempt.test,
        "entry": attempt.entry,
        "setup": attempt.setup,
        "surface": attempt.surface,
        "try_no": number_text(attempt.try_no),
        "step_deg": number_text(attempt.step_deg),
        "set_start_deg": number_text(attempt.set_start_deg),
        "set_end_deg": number_text(attempt.set_end_deg),
        "travel": attempt.travel or "",
        "progress": number_text(attempt.progress),
        "penalties": number_text(attempt.penalties),
        "grade": number_text(attempt.grade),
        "verdict": attempt.verdict or "",
        "reason": attempt.reason or "",
        "claim": str(attempt.claim) if attempt.claim else "",
        "ruling": attempt.ruling.outcome if attempt.ruling else "",
        "called_by": attempt.called_by,
        "note": attempt.note,
        "journal_seq": str(line.seq),
        "journal_sha256": line.sha256,
    }


def _evidence(attempt: Attempt) -> dict[str, str]:
    cells = {
        "marked_by": attempt.marked_by,
        "marked_at": attempt.marked_at or "",
        "software": attempt.software,
    }
    if attempt.clip:
        cells |= {"clip": attempt.clip.path, "clip_sha256": attempt.clip.sha256}
    if attempt.span:
        cells |= {
            "first_frame": number_text(attempt.span.first_frame),
            "last_frame": number_text(attempt.span.last_frame),
            "first_t_s": number_text(attempt.span.first_t_s),
            "last_t_s": number_text(attempt.span.last_t_s),
        }
    return cells


def _value_and_u95(
    source: Mapping[str, object], name: str, column: str, *, magnitude: bool = False
) -> dict[str, str]:
    """Cells of a value and of its expanded uncertainty, both empty where it is unknown."""
    value, u95 = number_of(source.get(name)), number_of(source.get(beside(name, "u95")))
    if value is None:
        return {column: "", beside(column, "u95"): ""}
    return {
        column: number_text(abs(value) if magnitude else value, u95),
        beside(column, "u95"): number_text(u95, u95),
    }


def _numbers_of(reading: Reading, *names: str) -> dict[str, str]:
    return {
        name: number_text(reading.number(name), reading.number(beside(name, "u95")))
        for name in names
    }


def _angle_cells(reading: Reading) -> dict[str, str]:
    return (
        _value_and_u95(reading.result, "ramp_deg", "ramp_deg", magnitude=True)
        | _value_and_u95(reading.result, "chassis_deg", "chassis_deg")
        | {"angle_frame": number_text(reading.frame)}
    )


def _tilt_cells(reading: Reading, wanted: str) -> dict[str, str]:
    """Of the tilt reading's events the wanted one; without a wish the reading's own angle."""
    events = reading.result.get("events")
    for event in events if isinstance(events, list) else []:
        if wanted and isinstance(event, dict) and event.get("event") == wanted:
            return _tilt_of(event, wanted)
    if wanted:
        return {"tilt_event": wanted}
    lifted = "lift-off" if reading.result.get("lift_off") is True else ""
    return _tilt_of(reading.result, lifted)


def _tilt_of(source: Mapping[str, object], event: str) -> dict[str, str]:
    rate = number_of(source.get("rate_deg_s"))
    return _value_and_u95(source, "tilt_deg", "tilt_deg", magnitude=True) | {
        "tilt_event": event,
        "tilt_rate_deg_s": number_text(rate),
    }


def _crawl_cells(reading: Reading) -> dict[str, str]:
    return (
        _value_and_u95(reading.result, "mean_speed_mm_s", "mean_speed_mm_s")
        | _value_and_u95(reading.result, "ripple", "ripple")
        | _numbers_of(reading, "slowest_speed_mm_s", "noise_floor_mm_s", "rollback_mm")
        | {
            "ripple_band_hz": _band_text(reading.result.get("ripple_band_hz")),
            "stalls": _stall_count(reading.result.get("stalls")),
        }
    )


def _stall_count(stalls: object) -> str:
    """How many stalls; a stop before a move the other way was asked for and is none."""
    if not isinstance(stalls, list):
        return ""
    asked = [isinstance(stall, Mapping) and bool(stall.get("commanded")) for stall in stalls]
    return str(asked.count(False))


def _band_text(band: object) -> str:
    """``0.5:5``, as the command line takes it."""
    if isinstance(band, str):
        return band
    if isinstance(band, list) and len(band) == 2:
        return ":".join(number_text(number_of(edge)) for edge in band)
    return ""
