"""Standings and attempts of a scoring as tables for other programs: CSV, JSON, Parquet.

CSV is UTF-8, RFC 4180; with a decimal comma it is what a spreadsheet of such a country opens by
itself: semicolons, a byte order mark, commas in numbers. Texts a spreadsheet would run as a
formula are guarded as in ``attempts.csv``.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path

from clipmark.errors import RecordError
from clipmark.record import disk
from clipmark.record.attempts_file import guarded
from clipmark.scoring.result import EventResult, plain_of, points_text

FORMATS = (".csv", ".json", ".parquet")
Table = list[dict[str, object]]
_ATTEMPT = (
    "attempt", "revision", "test", "class_name", "entry", "setup", "surface", "try_no", "step_deg",
    "verdict", "reason", "value", "u95", "low95", "high95", "unit", "points", "counted",
    "left_out", "set_deg", "measured_deg", "measured_u95_deg", "set_differs_deg", "claim",
    "ruling", "under_protest", "called_by", "clip", "clip_sha256", "frame", "note", "journal_seq",
)  # fmt: skip


def standings_table(result: EventResult) -> Table:
    """One row for each row of the standings; points, place and value of every test beside it."""
    found: Table = []
    for row in result.rows:
        line: dict[str, object] = {
            "class_name": row.class_name,
            "place": row.place,
            "tied": row.tied,
            "entry": row.entry,
            "setup": row.setup,
            "driver": row.driver,
            "total": row.total,
            "total_u95": row.total_u95,
            "place_p": row.place_p[row.place - 1] if row.place else None,
            "place_low95": row.place_low95,
            "place_high95": row.place_high95,
            "separated": row.separated if row.place else None,
            "under_protest": row.under_protest,
            "remarks": "; ".join(row.remarks),
        }
        for test in result.tests:
            score = row.test(test.id)
            line[f"{test.id}: points"] = score.points if score else None
            line[f"{test.id}: place"] = score.place if score else None
            line[f"{test.id}: value"] = score.value if score else None
            line[f"{test.id}: u95"] = score.u95 if score else None
            line[f"{test.id}: unit"] = score.unit if score else ""
        found.append(line)
    return found


def attempts_table(result: EventResult) -> Table:
    """One row for each attempt, as it was scored."""
    return [{name: getattr(item, name) for name in _ATTEMPT} for item in result.attempts]


def write_table(table: Table, out: Path, *, decimal_comma: bool = False) -> None:
    """Write a table by the ending of the file's name.

    Raises
    ------
    RecordError
        For another ending, or where Parquet is asked for and its library is not there.
    FolderError
        When the file cannot be written.
    """
    ending = out.suffix.lower()
    if ending not in FORMATS:
        raise RecordError(f"{out.name} cannot be written; end its name in .csv, .json or .parquet")
    if decimal_comma and ending != ".csv":
        raise RecordError(
            f"a decimal comma (--decimal-comma) has no place in {out.name}; it is for .csv"
        )
    if ending == ".parquet":
        data = _parquet(table, out)
    elif ending == ".json":
        data = (json.dumps(plain_of(table), ensure_ascii=False, indent=1) + "\n").encode()
    else:
        data = csv_text(table, decimal_comma=decimal_comma).encode(
            "utf-8-sig" if decimal_comma else "utf-8"
        )
    try:
        disk.replace_file(out, data)
    except OSError as error:
        raise disk.explain(error, "write the table", out) from error


def csv_text(table: Table, *, decimal_comma: bool = False) -> str:
    """The table as CSV, CRLF at line ends, empty for unknown."""
    sink = io.StringIO()
    writer = csv.writer(sink, delimiter=";" if decimal_comma else ",", lineterminator="\r\n")
    columns = list(table[0]) if table else []
    writer.writerow([guarded(name) for name in columns])
    for line in table:
        writer.writerow([_cell(line[name], decimal_comma) for name in columns])
    return sink.getvalue()


def _cell(value: object, decimal_comma: bool) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return guarded(value)
    text = points_text(value) if isinstance(value, Decimal) else _number(value)
    return text.replace(".", ",") if decimal_comma else text


def _number(value: object) -> str:
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _parquet(table: Table, out: Path) -> bytes:
    try:
        import pyarrow  # type: ignore[import-untyped,import-not-found,unused-ignore] # noqa: F401
    except ImportError:
        raise RecordError(
            f"{out.name} needs the library pyarrow, which is not installed; install it with pip "
            "install 'clipmark[parquet]', or write .csv or .json"
        ) from None
    import pandas as pd

    sink = io.BytesIO()
    pd.DataFrame(_plain_lines(table)).to_parquet(sink, index=False)
    return sink.getvalue()


def _plain_lines(table: Sequence[Mapping[str, object]]) -> list[dict[str, object]]:
    """Decimals as floats, so that a column has one type."""
    return [
        {k: float(v) if isinstance(v, Decimal) else v for k, v in line.items()} for line in table
    ]
