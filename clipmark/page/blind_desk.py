"""What the routes of the blind page share: one plan, the picture to be marked now, its secrets.

Only one picture can be asked for at a time, by a token drawn anew whenever the page is started.
What a token stands for never leaves this process.
"""

from __future__ import annotations

import hashlib
import random
import secrets
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, cast

import platformdirs
from fastapi import Depends, Request

from clipmark.audit.blind import SavedPlan, attempt_at, close_plan, save_marking, the_plan
from clipmark.audit.blind_task import Task, measure_anew, recorded_marks, task_of
from clipmark.audit.repeat import true_fps_of
from clipmark.errors import AuditError, ClipmarkError, PageError
from clipmark.marks import Sheet
from clipmark.measure.view import ViewOptions
from clipmark.page.blind_bodies import BlindSign, BlindWork
from clipmark.page.blind_window import Window, window_of
from clipmark.page.jobs import opened
from clipmark.page.shelf import Shelf
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from clipmark.record.instants import utc_now, utc_text
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading
from clipmark.record.rule_sheet import read_rule_sheet

MOST_WORK_BYTES = 100_000
WORDS_OF_SECRETS = 3  # letters; a shorter name would take ordinary words along


@dataclass(frozen=True)
class Shown:
    """The picture behind a token; nothing of it but size and frames is told.

    Attributes
    ----------
    item : int
        Place in the plan, from 1.
    attempt : Attempt
    task : Task
    sha256 : str
        Of the clip.
    window : Window
    size : (int, int)
        Upright picture, px.
    pixel_aspect : float
    """

    item: int
    attempt: Attempt
    task: Task
    sha256: str
    window: Window
    size: tuple[int, int]
    pixel_aspect: float

    @property
    def edge_fit(self) -> bool:
        """Whether measuring moves marks onto edges, as it did at first."""
        settings = cast("dict[str, object]", self.task.readings[0].result["settings"])
        return settings.get("edge_fit") is not False

    def ordinal(self, place: int) -> int:
        """The clip's frame at a place of the window; raises `PageError` beyond it."""
        if not 0 <= place < len(self.window.ordinals):
            raise PageError("there is no such frame in this picture; ask for one that is shown")
        return self.window.ordinals[place]


class BlindDesk:
    """One blind plan on the desk; made with the app, closed with it.

    Parameters
    ----------
    event_path : Path
    plan_id : str
        An open plan.

    Raises
    ------
    AuditError, FolderError, RecordError
        When there is no such plan, it is closed, or the event cannot be opened.
    """

    def __init__(self, event_path: Path, plan_id: str) -> None:
        self.event_path, self.plan_id = event_path, plan_id
        self.event = EventFolder.open(event_path)
        self.lock = threading.RLock()  # held while the event is used
        self._signing = threading.Lock()
        saved = the_plan(self.event, plan_id)
        if saved.plan.closed:
            raise AuditError(
                f"plan {plan_id} is closed, so there is nothing to mark in it; compare it "
                "(--compare), or make a new plan"
            )
        self.shelf = Shelf(event_path)
        self.secrets = secrets_of(self.event, event_path)
        self._tokens = {secrets.token_hex(16): item for item in range(1, saved.total + 1)}
        self._shown: dict[str, Shown] = {}
        self._saved = saved

    def plan(self) -> SavedPlan:
        """The plan as it is now, read anew: it may have been closed elsewhere."""
        with self.lock:
            self._saved = the_plan(self.event, self.plan_id)
            return self._saved

    def token_of(self, item: int) -> str:
        """The token of a picture by its place in the plan."""
        return next(token for token, held in self._tokens.items() if held == item)

    def shown(self, token: str) -> Shown:
        """The picture behind a token, when it is the one to be marked now.

        Raises
        ------
        PageError
            For any other token.
        ClipmarkError
            When its clip cannot be found or opened.
        """
        item = self._current(token, self._saved)
        with self.lock:
            if token not in self._shown:
                self._shown[token] = self._look(item)
            return self._shown[token]

    def sign(self, token: str, asked: BlindSign) -> SavedPlan:
        """Keep what was marked on the picture of a token; one that is signed already stays so.

        Raises
        ------
        ClipmarkError
            When something is missing, cannot be measured, or cannot be kept.
        """
        with self._signing:
            saved = self.plan()
            item = self._tokens.get(token)
            if item is not None and item in saved.markings:
                return saved  # the answer was lost on its way
            if asked.left_out:
                return self._keep(self._current(token, saved), {"left_out": asked.left_out})
            shown = self.shown(token)
            work = asked.work
            marks = work.marks.as_marks()
            readings = [self._measured(shown, reading, work) for reading in shown.task.readings]
            return self._keep(
                shown.item,
                {
                    "marks": recorded_marks(shown.task, shown.attempt, marks),
                    "declared": shown.attempt.declared,
                    "readings": readings,
                    "verdict": work.verdict,
                    "reason": work.reason,
                },
            )

    def close_now(self) -> SavedPlan:
        """Close the plan."""
        with self._signing, self.lock:
            self._saved = close_plan(self.event, self.plan_id)
            return self._saved

    def fit_view(self, shown: Shown, corners: Sequence[float] | None) -> ViewOptions:
        """Lens and promises that a mark is fitted with, as the first marking had them.

        Parameters
        ----------
        shown : Shown
        corners : sequence of float or None
            The sheet as the marker has it, eight px; its size is the first marking's.
        """
        settings = cast("dict[str, object]", shown.task.readings[0].result["settings"])
        told = cast("dict[str, object] | None", settings.get("sheet"))
        square = cast("float | None", settings.get("square_within_deg"))
        sheet = None
        if corners is not None and told is not None:
            width, height = cast("list[float]", told["size_mm"])
            sheet = Sheet.from_values(corners, (width, height), cast(float, told["side_u_mm"]))
        return ViewOptions.declared(
            cast("dict[str, object] | None", settings.get("lens")),
            cast("float | None", settings.get("view_angle_deg")),
            5.0 if square is None else square,
            sheet,
        )

    def rim_px(self, shown: Shown) -> float | None:
        """Rough radius of the rims, px, as it was declared; it helps a hub to be found."""
        settings = cast("dict[str, object]", shown.task.readings[0].result["settings"])
        said = shown.attempt.declared
        found = settings.get("rim_px") or (said.rim_px if said else None)
        return cast("float | None", found)

    # Unsigned work: survives a reload and a restart --------------------------------------------

    def kept_work(self, item: int) -> BlindWork | None:
        """What was marked on a picture and not signed, or None."""
        with suppress(OSError, ValueError):
            return BlindWork.model_validate_json(self._work_path(item).read_bytes())
        return None

    def keep_work(self, token: str, work: BlindWork) -> None:
        """Keep what is marked so far; raises `FolderError` when it cannot be."""
        path = self._work_path(self._current(token, self._saved))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            disk.replace_file(path, work.model_dump_json().encode())
        except OSError as error:
            raise disk.explain(error, "keep what is marked", path) from error

    def close(self) -> None:
        """Let clips go, bring the attempts file up to date."""
        self.shelf.close()
        with self.lock:
            self.event.close()

    def _current(self, token: str, saved: SavedPlan) -> int:
        """Place of the token's picture, when it is the one to be marked now."""
        item = self._tokens.get(token)
        if item is None or item != saved.next_item or saved.plan.closed:
            raise PageError("another picture is to be marked now")
        return item

    def _work_path(self, item: int) -> Path:
        place = f"{self.event_path.resolve()}\n{self.plan_id}\n{item}"
        name = hashlib.sha256(place.encode("utf-8", "surrogatepass")).hexdigest()
        return Path(platformdirs.user_state_dir("clipmark")) / "blind" / f"{name[:32]}.json"

    def _look(self, item: int) -> Shown:
        attempt = attempt_at(self.event, self._saved.plan.items[item - 1].attempt)
        task = task_of(self.event, attempt)
        assert attempt.clip is not None
        sha256 = attempt.clip.sha256
        true_fps = true_fps_of(attempt, task.readings[0])
        with opened(self.shelf, sha256, true_fps) as clip:
            marked = [task.frame, *([] if task.patch_frame is None else [task.patch_frame])]
            window = window_of(
                clip.frame_count,
                clip.times_s.tolist() if clip.has_times else None,
                task.span,
                marked,
                random.Random(secrets.randbits(64)),
            )
            size, aspect = (clip.width, clip.height), float(clip.pixel_aspect)
        with self.shelf.clip(sha256) as clip:
            self.shelf.caches.want(clip)
        return Shown(item, attempt, task, sha256, window, size, aspect)

    def _measured(self, shown: Shown, reading: Reading, work: BlindWork) -> Reading:
        marks = work.marks.as_marks()
        with opened(self.shelf, shown.sha256, true_fps_of(shown.attempt, reading)) as clip:
            return measure_anew(clip, shown.attempt, reading, shown.task, marks)

    def _keep(self, item: int, body: dict[str, object]) -> SavedPlan:
        body["marked_at"] = utc_text(utc_now())
        with self.lock:
            self._saved = saved = save_marking(self.event, self.plan_id, item, body)
        with suppress(OSError):
            self._work_path(item).unlink(missing_ok=True)
        return saved


def secrets_of(event: EventFolder, event_path: Path) -> tuple[str, ...]:
    """Every name of an event that would tell a marker what is shown."""
    found = {str(event_path), str(event_path.resolve()), event_path.name, event.name}
    with suppress(ClipmarkError):
        sheet = read_rule_sheet(event_path)
        found |= {entry.name for entry in sheet.entries} | {test.id for test in sheet.tests}
    for saved in event.attempts():
        attempt = saved.attempt
        found |= {saved.id, attempt.entry, attempt.test, attempt.setup, attempt.surface}
        found |= {attempt.marked_by, attempt.called_by}
        if attempt.stand is not None:
            found.add(attempt.stand.id)
        for ref in (attempt.clip, attempt.lens):
            if ref is not None:
                found |= {Path(ref.path).name, Path(ref.path).stem, ref.sha256 or ""}
    return tuple(sorted(name for name in found if len(name) >= WORDS_OF_SECRETS))


def desk_of(request: Request) -> BlindDesk:
    """The desk of the app that a request came to."""
    return cast(BlindDesk, request.app.state.desk)


BlindDeskOf = Annotated[BlindDesk, Depends(desk_of)]
