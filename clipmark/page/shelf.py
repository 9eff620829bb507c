"""The clips of one event: found by content only, a few of them open at a time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from clipmark.clip import Clip, open_clip
from clipmark.errors import ClipmarkError, DecoderError, FolderError, FootageError, PageError
from clipmark.page.frame_store import FrameStore, Once
from clipmark.page.lanes import RightOfWay
from clipmark.page.page_builder import PageCaches
from clipmark.page.readahead import ReadAhead
from clipmark.page.reader import ClipReader
from clipmark.record.clips import clip_files, clip_sha256

MOST_OPEN = 4
_WITH_PICTURES = 2  # open clips that keep their decoded pictures
_OWN_RING_BYTES = 48 << 20  # a clip's own ring; the reader's is the large one


@dataclass(frozen=True)
class OnShelf:
    """One clip by its content.

    Attributes
    ----------
    sha256, name : str
        SHA-256 of the file, hex; its file name.
    path : Path
        Where it lies now; never told to the page.
    size_bytes : int
    refusal : str or None
        Why it could not be opened, when that was tried.
    """

    sha256: str
    name: str
    path: Path
    size_bytes: int
    refusal: str | None = None


@dataclass(frozen=True)
class ClipFacts:
    """What is known of a clip that was open at some time.

    Attributes
    ----------
    width, height : int
        Upright picture, px.
    frame_count : int
    has_times : bool
    duration_s : float or None
        From the first to the last shown frame; None without times.
    pixel_aspect : float
        Width over height of one upright pixel.
    warnings : tuple of str
    damaged, missing : tuple of int
        Ordinals, as far as known.
    """

    width: int
    height: int
    frame_count: int
    has_times: bool
    duration_s: float | None
    pixel_aspect: float
    warnings: tuple[str, ...]
    damaged: tuple[int, ...]
    missing: tuple[int, ...]


class _Open:
    """An open clip with its reader, and how many use it."""

    def __init__(self, clip: Clip, reader: ClipReader) -> None:
        self.clip, self.reader = clip, reader
        self.ahead = ReadAhead(reader)
        self.leases = 0
        self.leaving = False

    def rest(self) -> None:
        """Let the decoded pictures go while others are worked on."""
        self.ahead.rest()
        self.reader.rest()

    def close(self) -> None:
        self.ahead.close()
        self.reader.close()
        self.clip.close()


class Shelf:
    """The clips under ``clips/`` of an event, by the SHA-256 of their content; for many threads.

    Parameters
    ----------
    event_path : Path
        The event folder.
    most_open : int
        Clips kept open; the one not used longest is closed, once nobody uses it.

    Attributes
    ----------
    caches : PageCaches
        The page caches of these clips.
    """

    def __init__(self, event_path: Path, *, most_open: int = MOST_OPEN) -> None:
        self._event_path, self._most_open = event_path, most_open
        self._lock = threading.Lock()
        self._listing = threading.Lock()
        self._known: dict[str, OnShelf] = {}
        self._hashed: dict[Path, tuple[int, int, str]] = {}
        self._listed = False
        self._open: OrderedDict[str, _Open] = OrderedDict()
        self._opening: Once[None] = Once()
        self._facts: dict[str, ClipFacts] = {}
        self._closed = False
        self.store = FrameStore()
        self.right_of_way = RightOfWay()
        self.caches = PageCaches(self.clip, self.right_of_way)

    def refresh(self) -> list[OnShelf]:
        """Look into the folder again; every clip in order of its path.

        Raises
        ------
        FolderError
            If the folder cannot be read.
        """
        with self._listing:
            found: dict[str, OnShelf] = {}
            for path in clip_files(self._event_path):
                with suppress(OSError, FolderError):  # gone or locked since it was listed
                    size = path.stat().st_size
                    sha256 = self._hash_of(path)
                    found.setdefault(sha256, OnShelf(sha256, path.name, path, size))
            with self._lock:
                for sha256, clip in found.items():
                    old = self._known.get(sha256)
                    if old is not None and old.path == clip.path:
                        found[sha256] = old
                self._known, self._listed = found, True
                gone = [sha256 for sha256 in self._open if sha256 not in found]
            for sha256 in gone:
                self._drop(sha256)
                self.store.forget(sha256)
            return list(found.values())

    def find(self, sha256: str) -> OnShelf:
        """The clip with this content.

        Raises
        ------
        PageError
            If the event has none.
        """
        with self._lock:
            known, listed = self._known.get(sha256), self._listed
        if known is None or not listed:
            self.refresh()
            with self._lock:
                known = self._known.get(sha256)
        if known is None:
            raise PageError(
                f"no clip of this event has the content {sha256[:12]}...; put its file into "
                "clips/ and list the clips again"
            )
        return known

    def path(self, sha256: str) -> Path:
        """Where the clip lies now, for this process alone; raises as `find` does."""
        return self.find(sha256).path

    def facts(self, sha256: str) -> ClipFacts | None:
        """What is known of a clip; None if it was never open."""
        with self._lock:
            opened = self._open.get(sha256)
            if opened is not None:
                self._facts[sha256] = _facts_of(opened.clip)
            return self._facts.get(sha256)

    @contextmanager
    def clip(self, sha256: str) -> Iterator[Clip]:
        """The clip, open as long as the context lasts.

        Raises
        ------
        PageError
            If the event has no such clip.
        FolderError, FootageError
            If it cannot be opened.
        """
        with self._lease(sha256) as opened:
            yield opened.clip

    @contextmanager
    def reader(self, sha256: str) -> Iterator[ClipReader]:
        """The reader of its frames, likewise."""
        with self._lease(sha256) as opened:
            yield opened.reader

    def apart(self, sha256: str, true_fps: float) -> Clip:
        """The clip opened once more, for whoever closes it: slow motion of a known true rate.

        Parameters
        ----------
        sha256 : str
        true_fps : float
            Frames per second that the camera took.

        Raises
        ------
        PageError, FolderError, FootageError
            As `clip` does.
        """
        on_shelf = self.find(sha256)
        clip = open_clip(on_shelf.path, true_fps=true_fps)
        return self._as_asked(clip, on_shelf)

    def here(self, sha256: str, ordinal: int, direction: int, width: int) -> None:
        """Tell where in a clip the work is, so that its neighbours are made ready."""
        with self._lease(sha256) as opened:
            opened.reader.check_ordinal(ordinal)
            opened.ahead.here(ordinal, direction, width)

    def close(self) -> None:
        """Stop all work and close all clips."""
        with self._lock:
            self._closed = True
        self.caches.close()
        with self._lock:
            opened, self._open = list(self._open.values()), OrderedDict()
        for one in opened:
            one.close()

    @contextmanager
    def _lease(self, sha256: str) -> Iterator[_Open]:
        opened = self._borrow(sha256)
        try:
            yield opened
        except DecoderError:  # this one frame was too much for the decoder
            raise
        except FootageError:  # the file changed under the open clip
            self._drop(sha256)
            raise
        finally:
            with self._lock:
                opened.leases -= 1
                leave = opened.leaving and opened.leases == 0
            if leave:
                opened.close()

    def _borrow(self, sha256: str) -> _Open:
        while True:
            with self._lock:
                if self._closed:
                    raise PageError("the page is being closed; start it again")
                opened = self._open.get(sha256)
                if opened is not None:
                    opened.leases += 1
                    self._open.move_to_end(sha256)
                    resting = list(self._open.values())[:-_WITH_PICTURES]
            if opened is not None:
                for other in resting:
                    other.rest()
                return opened
            self._opening.do(sha256, lambda: self._open_now(sha256))

    def _open_now(self, sha256: str) -> None:
        with self._lock:
            if sha256 in self._open:
                return
        on_shelf = self.find(sha256)
        try:
            clip = open_clip(on_shelf.path, ring_bytes=_OWN_RING_BYTES)
        except ClipmarkError as error:
            self._note_refusal(on_shelf, str(error))
            raise
        clip = self._as_asked(clip, on_shelf)
        self._note_refusal(on_shelf, None)
        opened = _Open(clip, ClipReader(clip, self.store, self.right_of_way))
        with self._lock:
            closed = self._closed
            if not closed:
                self._facts[sha256] = _facts_of(clip)
                self._open[sha256] = opened
            surplus = [k for k, o in self._open.items() if not o.leases and o is not opened]
            surplus = surplus[: max(0, len(self._open) - self._most_open)]
        if closed:  # while it was being opened
            opened.close()
        for other in surplus:
            self._drop(other)

    def _as_asked(self, clip: Clip, on_shelf: OnShelf) -> Clip:
        """A clip just opened, knowing its damage; closed and refused if the file has changed."""
        if clip.sha256 != on_shelf.sha256:
            clip.close()
            self.refresh()
            raise PageError(f"{on_shelf.name} has changed; list the clips again")
        self.caches.recall(clip)
        return clip

    def _note_refusal(self, on_shelf: OnShelf, refusal: str | None) -> None:
        """Remember why a clip could not be opened, or that it could."""
        with self._lock:
            if on_shelf.sha256 in self._known:
                self._known[on_shelf.sha256] = replace(on_shelf, refusal=refusal)

    def _drop(self, sha256: str) -> None:
        """Close a clip, as soon as nobody uses it."""
        with self._lock:
            opened = self._open.pop(sha256, None)
            if opened is None:
                return
            self._facts[sha256] = _facts_of(opened.clip)
            opened.leaving = True
            close_now = opened.leases == 0
        if close_now:
            opened.close()

    def _hash_of(self, path: Path) -> str:
        state = path.stat()
        size, changed, known = self._hashed.get(path, (-1, -1, ""))
        if (size, changed) != (state.st_size, state.st_mtime_ns):
            known = clip_sha256(path)
            self._hashed[path] = (state.st_size, state.st_mtime_ns, known)
        return known


def _facts_of(clip: Clip) -> ClipFacts:
    return ClipFacts(
        width=clip.width,
        height=clip.height,
        frame_count=clip.frame_count,
        has_times=clip.has_times,
        duration_s=float(clip.times_s[-1]) if clip.has_times else None,
        pixel_aspect=float(clip.pixel_aspect),
        warnings=tuple(clip.warnings),
        damaged=tuple(sorted(clip.damaged)),
        missing=tuple(sorted(clip.missing)),
    )
