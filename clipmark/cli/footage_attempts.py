"""``clipmark footage --attempts``: proposed spans of a long recording, as a table or as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from clipmark.cli.located import located
from clipmark.cli.show import emit_json, progress_bar, screen, table, warn
from clipmark.clip import open_clip
from clipmark.marks import Patch
from clipmark.measure.attempts_found import find_attempts
from clipmark.motion.attempt_spans import MARGIN_S, REST_S


def look_for_attempts(
    clip: Path,
    within: str | None,
    rest_s: float | None,
    margin_s: float | None,
    true_fps: float | None,
    *,
    as_json: bool,
) -> None:
    """Look through a clip and print what is proposed."""
    with (
        located(clip),
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("looking for attempts", quiet=as_json) as bar,
    ):
        area = None
        if within is not None:
            patch = Patch.parse(within, "the region to look in")
            area = (patch.x, patch.y, patch.w, patch.h)
        task = bar.add_task("looking for attempts", total=footage.frame_count)
        found = find_attempts(
            footage,
            rest_s=REST_S if rest_s is None else rest_s,
            margin_s=MARGIN_S if margin_s is None else margin_s,
            within=area,
            progress=lambda done, in_all: bar.update(task, completed=done, total=in_all),
        )
    result = {"clip": clip.name, **found.to_dict()}
    if as_json:
        emit_json(result)
    else:
        _print(result)


def _print(result: Mapping[str, object]) -> None:
    attempts = result["attempts"]
    if isinstance(attempts, list) and attempts:
        table(
            f"{result['clip']}: {len(attempts)} proposed, to be confirmed",
            ("", "frames", "time, s", "starts", "ends", "moving", "how sure"),
            [_row(number, each) for number, each in enumerate(attempts, 1)],
            words=("frames", "starts", "ends", "how sure"),
        )
        for number, each in enumerate(attempts, 1):
            for note in each["notes"]:
                screen.print(f"{number}: {note}", soft_wrap=True)
        screen.print(
            "Nothing is saved: look at each, and mark it with --span, or on the marking page."
        )
    warned = result["warnings"]
    warn([str(each) for each in warned] if isinstance(warned, list) else [])
    if result["not_told"] is not None:
        warn([str(result["not_told"])])


def _row(number: int, span: Mapping[str, object]) -> tuple[str, ...]:
    busy = span["busy"]
    return (
        str(number),
        f"{span['first_frame']}:{span['last_frame']}",
        _times(span["first_t_s"], span["last_t_s"]),
        str(span["start"]),
        str(span["end"]),
        f"{busy:.0%}" if isinstance(busy, float) else "-",
        str(span["sure"]),
    )


def _times(first: object, last: object) -> str:
    if not isinstance(first, float) or not isinstance(last, float):
        return "-"
    return f"{first:.2f} to {last:.2f}"
