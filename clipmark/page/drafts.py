"""What is marked but not signed: kept on this machine, by event, so that a crash loses nothing.

One file for each draft in the user's state folder, written whole or not at all. It belongs to the
browser that last wrote it; another one may write it when that has been silent for a while, or
when it says that it takes over.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import platformdirs
from pydantic import ValidationError

from clipmark.errors import FolderError, PageError, RecordError
from clipmark.record import disk
from clipmark.record.chain import is_id
from clipmark.record.draft import AttemptDraft
from clipmark.record.instants import parse_instant, utc_now, utc_text

HELD_S = 30.0  # a draft written by another browser within this is not written over
MOST_DRAFTS = 500
MOST_BYTES = 600_000  # of one draft; 2,000 calls with short notes fit
SIGNED_KEPT = 100  # answers, in case one was lost on its way
_NEW = re.compile(r"new-[0-9a-f]{16}")


@dataclass(frozen=True)
class KeptDraft:
    """One draft as it is kept."""

    key: str
    at: str
    holder: str
    draft: AttemptDraft


class HeldError(RecordError):
    """Another browser is writing this draft; `holder` and `at` say which and since when."""

    def __init__(self, sentence: str, holder: str, at: str) -> None:
        super().__init__(sentence)
        self.holder, self.at = holder, at


def state_folder(event_path: Path) -> Path:
    """Where what belongs to one event on this machine is kept."""
    name = hashlib.sha256(str(event_path.resolve()).encode("utf-8", "surrogatepass")).hexdigest()
    return Path(platformdirs.user_state_dir("clipmark")) / "drafts" / name[:32]


class Drafts:
    """The drafts of one event; safe for several threads.

    Parameters
    ----------
    event_path : Path
    clock : callable
        The time now, UTC.
    """

    def __init__(self, event_path: Path, clock: Callable[[], datetime] = utc_now) -> None:
        self._folder = state_folder(event_path)
        self._clock = clock
        self._lock = threading.RLock()
        self._signed: OrderedDict[str, tuple[AttemptDraft, dict[str, object]]] = OrderedDict()

    @property
    def folder(self) -> Path:
        """Where they lie."""
        return self._folder

    def keys(self) -> set[str]:
        """Keys of all drafts."""
        return {draft.key for draft in self.all()}

    def all(self) -> list[KeptDraft]:
        """Every draft that can be read, newest first."""
        with self._lock:
            paths = list(self._folder.glob("*.json")) if self._folder.is_dir() else []
            found = [draft for path in paths if (draft := _read(path)) is not None]
        return sorted(found, key=lambda draft: draft.at, reverse=True)

    def get(self, key: str) -> KeptDraft:
        """One draft.

        Raises
        ------
        PageError
            When there is none, or it cannot be read any more.
        """
        with self._lock:
            found = _read(self._path(key))
        if found is None:
            raise PageError(f"there is no draft '{key}'; it was signed, or thrown away")
        return found

    def put(self, key: str, holder: str, draft: AttemptDraft, *, take_over: bool = False) -> str:
        """Keep a draft; it is on the disk when this returns. Return when it was kept (UTC).

        Raises
        ------
        HeldError
            When another browser wrote it less than `HELD_S` ago and this one does not take over.
        RecordError
            When it is too large, or there are too many.
        FolderError
            When it cannot be written.
        """
        path = self._path(key)
        with self._lock:
            held = _read(path)
            now = self._clock()
            if held is not None and held.holder != holder and not take_over:
                since_s = (now - parse_instant(held.at)).total_seconds()
                if since_s < HELD_S:
                    raise HeldError(
                        "somebody else is marking this attempt in another window; wait until they "
                        "are done, or take over, and their next change is refused",
                        held.holder,
                        held.at,
                    )
            if held is None and len(list(self._folder.glob("*.json"))) >= MOST_DRAFTS:
                raise RecordError(
                    f"there are {MOST_DRAFTS} unsigned drafts of this event already; sign or throw "
                    "away some of them first"
                )
            at = utc_text(now)
            data = json.dumps(
                {"key": key, "at": at, "holder": holder, "draft": draft.plain()}
            ).encode("utf-8")
            if len(data) > MOST_BYTES:
                raise RecordError(
                    f"the draft takes {len(data)} bytes, and at most {MOST_BYTES} are kept; "
                    "shorten the notes"
                )
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
                disk.replace_file(path, data)
            except OSError as error:
                raise disk.explain(error, "keep the draft", path) from error
        return at

    def remove(self, key: str) -> None:
        """Throw a draft away; one that is not there is no error."""
        path = self._path(key)
        with self._lock:
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                raise disk.explain(error, "throw the draft away", path) from error

    def note_signed(self, key: str, draft: AttemptDraft, answer: dict[str, object]) -> None:
        """Remember what signing a new attempt's draft answered, and throw the draft away."""
        with self._lock:
            if _NEW.fullmatch(key):
                self._signed[key] = (draft, answer)
                if len(self._signed) > SIGNED_KEPT:
                    self._signed.popitem(last=False)
        with contextlib.suppress(PageError, FolderError):  # what was signed is saved all the same
            self.remove(key)

    def signed_as(self, key: str) -> str | None:
        """The attempt that was signed from a new attempt's draft under this key, or None."""
        with self._lock:
            held = self._signed.get(key)
        return None if held is None else str(held[1]["id"])

    def signed_before(self, key: str, draft: AttemptDraft) -> dict[str, object] | None:
        """What signing this very draft under this key answered before, or None."""
        with self._lock:
            held = self._signed.get(key)
        return held[1] if held is not None and held[0] == draft else None

    def _path(self, key: str) -> Path:
        if not (_NEW.fullmatch(key) or is_id(key)):
            raise PageError(
                "a draft is named by its attempt, or new- and 16 hexadecimal digits; open the page "
                "anew"
            )
        name = hashlib.sha256(key.encode("ascii")).hexdigest()[:32]
        return self._folder / f"{name}.json"


def _read(path: Path) -> KeptDraft | None:
    """A draft from its file; None where there is none, or none that this version can read."""
    try:
        data = json.loads(path.read_bytes())
        draft = AttemptDraft.model_validate(data["draft"])
        parse_instant(data["at"])
        return KeptDraft(str(data["key"]), str(data["at"]), str(data["holder"]), draft)
    except (OSError, ValueError, KeyError, TypeError, ValidationError):
        return None
