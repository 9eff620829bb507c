"""``clipmark demo``: the invented sample event, measured from its clips beside the known truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from clipmark.cli import options as opt
from clipmark.cli.demo_truth import compare
from clipmark.cli.score_show import show_result
from clipmark.cli.show import emit_json, progress_bar, screen, table, with_u
from clipmark.clip import open_clip
from clipmark.errors import FolderError
from clipmark.evidence import keep_trace
from clipmark.marks_file import MarksFile
from clipmark.marks_measured import measure_marks
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder
from clipmark.scoring.score import score_event
from clipmark.sheet_grade import grade_of_test
from clipmark.uncertainty.digits import number_of
from clipmark.workbench import AttemptDetails, Declaration, save_reading, span_of

SIGNED_BY = "clipmark demo"


def run(
    folder: Annotated[
        Path,
        typer.Argument(metavar="[FOLDER]", help="Where to put the event; must not be there yet."),
    ] = Path("tarn-hollow"),
    as_json: opt.Json = False,
) -> None:
    """Copy the sample event, measure every attempt from its clips, score it, print the standings.

    Example: clipmark demo tarn-hollow
    """
    media = sample_media_folder()
    sample = json.loads((media / "event.json").read_text(encoding="utf-8"))
    attempts: list[dict[str, object]] = sample["attempts"]
    rows: list[dict[str, object]] = []
    measured: dict[str, dict[str, dict[str, object]]] = {}
    with EventFolder.create(folder, name=str(sample["event"])) as event:
        _copy(media, event.path)
        for item in attempts:
            clip_name = str(item["clip"])
            other = measured.get(str(item.get("join")), {}).get("tilt")
            results = _measure(event, media, item, other, quiet=as_json)
            measured[clip_name] = results
            truth = json.loads((media / str(item["truth"])).read_text(encoding="utf-8"))
            rows.extend(compare(clip_name, str(item["entry"]), results, truth))
        name, where = event.name, event.path
        attempts_file = event.write_attempts_file()
        result = score_event(event)
    places = {
        "event folder": str(where),
        "attempts file": str(attempts_file),
        "its schema": str(attempts_file.with_name("attempts.schema.json")),
        "journal": str(event.journal.path),
        "clips": str(where / "clips"),
        "report": str(_report(where)),
    }
    if as_json:
        standings = result.to_dict()["rows"]
        emit_json({"event": name, "readings": rows, "places": places, "standings": standings})
    else:
        _print(name, rows, places)
        show_result(result)


def _report(where: Path) -> Path:
    """The report of the event, its page."""
    from clipmark.reporting import report_of_event  # draws: loaded when there is something to draw

    return report_of_event(where).page


def _copy(media: Path, event: Path) -> None:
    """Rule sheet, session record and lens files of the sample event."""
    try:
        for source in [media / "event.toml", media / "session.toml"]:
            disk.replace_file(event / source.name, source.read_bytes())
        for source in sorted((media / "lenses").glob("*.json")):
            disk.replace_file(event / "lenses" / source.name, source.read_bytes())
    except OSError as error:
        raise disk.explain(error, "copy the sample event", event) from error


def _measure(
    event: EventFolder,
    media: Path,
    item: Mapping[str, object],
    other: Mapping[str, object] | None,
    quiet: bool,
) -> dict[str, dict[str, object]]:
    """Take one clip in, measure what its marks ask for, and save it as one attempt.

    `other` is the tilt of the same truck to the other side.
    """
    taken = event.add_clip(media / str(item["clip"]))
    path = event.path / taken.path
    marks = MarksFile.read(media / str(item["marks"]), event.path / "lenses")
    test_grade = grade_of_test(event.path, str(item["test"]))
    marks = replace(marks, terms=test_grade.terms)
    details = AttemptDetails(
        entry=str(item["entry"]),
        test=str(item["test"]),
        try_no=_whole(item.get("try_no")),
        setup=str(item["setup"]),
        surface=str(item["surface"]),
        step_deg=number_of(item.get("step_deg")),
        set_start_deg=number_of(item.get("set_start_deg")),
        verdict=str(item["verdict"]) or None,
        reason=str(item["reason"]) or None,
        called_by=str(item.get("called_by") or "R. Aldous"),
        grade=number_of(item.get("grade")),
    )
    with open_clip(path) as clip, progress_bar(path.name, quiet=quiet) as bar:
        task = bar.add_task(path.name, total=clip.frame_count)
        traces: dict[str, pd.DataFrame] = {}
        results = measure_marks(
            clip,
            marks,
            lambda done, total: bar.update(task, completed=done, total=total),
            traces.__setitem__,
            other,
        )
        first, last = (
            (marks.span.first, marks.span.last) if marks.span else (0, clip.frame_count - 1)
        )
        span = span_of(clip, first, last)
    declared = Declaration(
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_within_deg,
        level_u_deg=marks.level_u_deg,
        scale_mm=marks.scale_mm,
        wheel_mm=marks.wheel_mm,
        rim_px=marks.rim_px,
        facing=marks.facing,
        edge_fit=marks.edge_fit,
        true_fps=marks.true_fps,
    )
    attempt_id = None
    for measure, result in list(results.items()):
        line = save_reading(
            event,
            path,
            measure,
            result,
            marks.recorded,
            details,
            SIGNED_BY,
            attempt_id=attempt_id,
            span=span,
            declared=declared,
        )
        attempt_id = line.id
        if measure in traces:
            keep_trace(event.path, attempt_id, result, traces[measure], measure=measure)
        if measure == "climb":
            results[measure] = test_grade.graded(measure, result)
    if attempt_id is None:
        raise FolderError(f"the sample event asks for no measurement of {path.name}; reinstall")
    return results


def _print(name: str, rows: list[dict[str, object]], places: dict[str, str]) -> None:
    shown = []
    for row in rows:
        u95 = row["u95"]
        told = "-" if row["inside"] is None else ("yes" if row["inside"] else "no")
        truth = row["truth"]
        shown.append(
            (
                str(row["clip"]).removesuffix(".mp4"),
                str(row["what"]),
                row["value"] if isinstance(row["value"], str) else with_u(row["value"], u95),
                f"{truth:.4g}" if isinstance(truth, float) else str(truth),
                told,
            )
        )
    columns = ("clip", "reading", "value, U (95 %)", "truth", "holds")
    title = f"{name} (invented), measured from its clips"
    table(title, columns, shown, words=("reading", "holds"))
    for what, where in places.items():
        screen.print(f"{what}: {where}", soft_wrap=True, highlight=False)


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) else None
