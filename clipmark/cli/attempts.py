"""``clipmark attempts``: list, revise, export, rebuild, back up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, screen, table, warn, with_u
from clipmark.errors import RecordError
from clipmark.record.backup import backup
from clipmark.record.changes import changes_by_revision
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.history_words import HistoryLine, history_of
from clipmark.record.models import Call, JournalLine
from clipmark.signing import check_calls, parse_call
from clipmark.workbench import AttemptDetails, export_attempts


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")] = Path(),
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="Write attempts.csv anew from the journal alone.")
    ] = False,
    export: Annotated[
        Path | None,
        typer.Option("--export", metavar="FILE.csv", help="Write the attempts file elsewhere too."),
    ] = None,
    backup_to: Annotated[
        Path | None,
        typer.Option("--backup", metavar="FILE.zip", help="Write a checked copy of the event."),
    ] = None,
    with_clips: Annotated[
        bool, typer.Option("--with-clips", help="Put the clips into the backup as well.")
    ] = False,
    history: Annotated[
        str | None,
        typer.Option(
            "--history", metavar="ID", help="The life of one attempt: revisions, protests, rulings."
        ),
    ] = None,
    revise: Annotated[
        str | None,
        typer.Option(
            "--revise", metavar="ID", help="Change what people say of one attempt (a new revision)."
        ),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Save an attempt without a clip: called only.")
    ] = False,
    call: Annotated[
        list[str] | None,
        typer.Option(
            "--call",
            metavar="CALL@SECONDS",
            help="What the judge called, and when, s from the first shown frame; repeat the "
            "option for more. With --revise they are added to those that are there.",
        ),
    ] = None,
    entry: opt.Entry = None,
    test: opt.Test = None,
    try_no: opt.TryNo = None,
    setup: opt.Setup = None,
    surface: opt.Surface = None,
    step_deg: opt.StepDeg = None,
    set_start_deg: opt.SetStartDeg = None,
    set_end_deg: opt.SetEndDeg = None,
    travel: opt.Travel = None,
    verdict: opt.Verdict = None,
    reason: opt.Reason = None,
    called_by: opt.CalledBy = None,
    by: opt.MarkedBy = None,
    note: opt.Note = None,
    as_json: opt.Json = False,
) -> None:
    """List the attempts of an event, newest revision of each; or revise, export, back up.

    Example: clipmark attempts tarn-hollow --backup tarn-hollow.zip

    Example: clipmark attempts tarn-hollow --revise a0003 --verdict failed --reason spun --by Fell

    Example: clipmark attempts tarn-hollow --new --entry Siskin --test course --call touch@12.4
    --call reverse@15 --by Fell
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, travel,
        verdict, reason, called_by, note,
    )  # fmt: skip
    with EventFolder.open(folder) as event:
        result: dict[str, object] = {"folder": str(event.path), "event": event.name}
        if revise is not None or new:
            calls = [parse_call(text) for text in call or []]
            result |= _save(event, revise, new, details, calls, by)
        elif details.given() or call:
            raise RecordError(
                "details of an attempt were given, but not which; add --revise ID or --new"
            )
        if rebuild:
            result["attempts_file"] = str(event.write_attempts_file())
        if export is not None:
            result["exported"] = str(export_attempts(event, export))
        if backup_to is not None:
            result["backup"] = str(backup(event, backup_to, clips=with_clips))
        lines = event.history(history) if history is not None else None
        told = history_of(event, history) if history is not None else []
        attempts = event.attempts()
        result["findings"] = list(event.findings)
        if lines is not None:
            result["history"] = [line.model_dump(mode="json") for line in lines]
            result["told"] = [line.to_dict() for line in told]
        result["attempts"] = [_as_row(saved) for saved in attempts]
    if as_json:
        emit_json(result)
        return
    if lines is not None:
        table(
            f"Revisions of {history}",
            ("revision", "saved at", "by", "journal line", "SHA-256"),
            [(str(x.revision), str(x.at), x.by, str(x.seq), x.sha256[:10]) for x in lines],
        )
        _print_changes(lines)
        _print_life(str(history), told)
    else:
        _print(event.name, attempts)
    for what in ("saved", "attempts_file", "exported", "backup"):
        if what in result:
            screen.print(f"{what.replace('_', ' ')}: {result[what]}")
    warn(event.findings)


def _print_changes(lines: list[JournalLine]) -> None:
    """What each revision after the first said differently from the one before it."""
    for line, changes in changes_by_revision(lines):
        if changes:
            table(
                f"What revision {line.revision} changed",
                ("what", "before", "after"),
                [(change.field, change.before, change.after) for change in changes],
                words=("before", "after"),
            )
        elif line.revision > 1:
            screen.print(f"Revision {line.revision} changed nothing of what is said.")


def _print_life(attempt: str, told: list[HistoryLine]) -> None:
    """Everything that happened to the attempt, in sentences."""
    screen.print(f"What happened to {attempt} (times are UTC, by the clock of who saved):")
    for line in told:
        text = f"{line.at[:16].replace('T', ' ')}, {line.by}. {' '.join(line.sentences)}"
        screen.print(text, highlight=False, markup=False, soft_wrap=True)


def _save(
    event: EventFolder,
    revise: str | None,
    new: bool,
    details: AttemptDetails,
    calls: list[Call],
    by: str | None,
) -> dict[str, object]:
    """Save what people say of an attempt: a new one, or a revision."""
    if not by:
        raise RecordError("who signs is missing; add --by NAME")
    if revise is not None and new:
        raise RecordError("--revise and --new were both given; keep the one you mean")
    check_calls(event, calls)
    if revise is None:
        if not (details.entry and details.test):
            raise RecordError("a new attempt needs --entry and --test; give both")
        body: dict[str, object] = details.given() | {"calls": calls}
        line = event.save_attempt(body, by=by)
    else:
        saved = event.attempt(revise)
        fresh = {"marked_by": "", "marked_at": None, "software": "", "rules": None, "session": None}
        body = saved.attempt.model_dump() | fresh | details.given()
        body["calls"] = [*saved.attempt.calls, *calls]
        line = event.save_attempt(body, by=by, id=revise, base_revision=saved.revision)
    return {"saved": f"{line.id}, revision {line.revision}"}


def _as_row(saved: SavedAttempt) -> dict[str, object]:
    body = saved.attempt
    row: dict[str, object] = {
        "attempt": saved.id,
        "revision": saved.revision,
        "trusted": saved.trusted,
        "entry": body.entry,
        "test": body.test,
        "try_no": body.try_no,
        "verdict": body.verdict,
        "reason": body.reason,
    }
    for measure in ("angle", "crawl"):
        reading = body.reading(measure)
        if reading is not None:
            for name, value, u95 in reading.values():
                row[name], row[f"{name} (U95)"] = value, u95
    return row


def _print(event: str, attempts: list[SavedAttempt]) -> None:
    rows = []
    for saved in attempts:
        row = _as_row(saved)
        verdict: str = saved.attempt.verdict or "-"
        if saved.attempt.reason:
            verdict += f", {saved.attempt.reason}"
        rows.append(
            (
                f"{saved.id} r{saved.revision}",
                saved.attempt.entry,
                saved.attempt.test,
                str(saved.attempt.try_no or "-"),
                with_u(row.get("ramp_deg"), row.get("ramp_deg (U95)")),
                with_u(row.get("chassis_deg"), row.get("chassis_deg (U95)")),
                with_u(row.get("mean_speed_mm_s"), row.get("mean_speed_mm_s (U95)")),
                verdict,
            )
        )
    columns = (
        "attempt",
        "entry",
        "test",
        "try",
        "ramp deg",
        "chassis deg",
        "speed mm/s",
        "verdict",
    )
    count = "1 attempt" if len(attempts) == 1 else f"{len(attempts)} attempts"
    table(f"{event}: {count}", columns, rows, words=("entry", "test", "verdict"))
