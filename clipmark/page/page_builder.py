"""Building page caches: the one pass that checks a clip makes its small pictures as well.

The pass decodes in one thread and watches the decoder's log; a second thread brings the pictures
to size and packs them. Both stand still while an answer is being made that somebody waits for.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from clipmark.clip import Clip, Finding, check
from clipmark.clip.picture import Picture
from clipmark.errors import ClipmarkError, DecoderError
from clipmark.page import encode, page_cache
from clipmark.page.lanes import RightOfWay
from clipmark.page.page_cache import Pack, PackError, PackWriter

State = Literal["none", "building", "ready", "failed"]
MOST_PACKS = 3  # finished packs held open; with the one being made they fill the bound on all
_WAITING = 6  # decoded pictures between the two threads
_MOST_PAUSE_S = 30.0


class StoppedError(Exception):
    """The pass was told to end."""


@dataclass(frozen=True)
class CacheState:
    """How far the page cache of a clip is; `every` 1 means every frame."""

    state: State = "none"
    done: int = 0
    total: int = 0
    every: int = 1


class Found(NamedTuple):
    """What a checking pass found: ordinals, and sentences for people."""

    missing: tuple[int, ...]
    damaged: tuple[int, ...]
    findings: tuple[Finding, ...]


class _Packing:
    """The second thread: from decoded pictures to the pack."""

    def __init__(self, clip: Clip, writer: PackWriter) -> None:
        self._clip, self._writer = clip, writer
        self._size = encode.size_within(
            clip.width, clip.height, page_cache.LONG_SIDE, page_cache.LONG_SIDE
        )
        self._waiting: queue.Queue[tuple[int, Picture] | None] = queue.Queue(_WAITING)
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="page cache", daemon=True)
        self._thread.start()

    def give(self, ordinal: int, picture: Picture) -> None:
        """Hand a picture over; waits when the other thread is behind."""
        if self.failure is None and self._writer.wants(ordinal):
            self._waiting.put((ordinal, picture))

    def end(self) -> None:
        """Wait until all that was given is packed."""
        self._waiting.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (given := self._waiting.get()) is not None:
            if self.failure is not None:
                continue
            ordinal, picture = given
            try:
                bgr = encode.upright_bgr(picture, self._clip.upright_transform, self._size)
                self._writer.add(ordinal, encode.jpeg(bgr, encode.CACHE_QUALITY))
            except Exception as error:
                self.failure = error


class PageCaches:
    """The page caches of all clips of a process, built one at a time, the newest wish first.

    Parameters
    ----------
    lease : callable
        Gives a clip by SHA-256, open as long as the context lasts.
    right_of_way : RightOfWay
        Taken while an answer is made.
    clip_bytes, total_bytes : int
        Bounds on one pack and on all.
    """

    def __init__(
        self,
        lease: Callable[[str], AbstractContextManager[Clip]],
        right_of_way: RightOfWay,
        *,
        clip_bytes: int = page_cache.CLIP_BYTES,
        total_bytes: int = page_cache.TOTAL_BYTES,
    ) -> None:
        self._lease, self._right_of_way = lease, right_of_way
        self._clip_bytes, self._total_bytes = clip_bytes, total_bytes
        self._changed = threading.Condition()
        self._packs: OrderedDict[str, Pack] = OrderedDict()
        self._states: dict[str, CacheState] = {}
        self._wishes: list[str] = []
        self._building: str | None = None
        self._stops: set[str] = set()
        self._found: dict[str, Found] = {}
        self._died: dict[str, Found] = {}
        self._closed = False
        self._thread: threading.Thread | None = None

    def want(self, clip: Clip) -> None:
        """Have the cache of an open clip: from disk, or built as soon as it is its turn.

        What an earlier checking pass found is told to the clip.
        """
        sha256 = clip.sha256
        with self._changed:
            self._stops.discard(sha256)  # a pass told to end that has not yet goes on
            if self._states.get(sha256, CacheState()).state == "building":
                return
            if self._recall(clip):
                return
            self._states[sha256] = CacheState("building", 0, clip.frame_count)
            self._wishes.append(sha256)
            if self._thread is None and not self._closed:
                self._thread = threading.Thread(target=self._run, name="check", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def recall(self, clip: Clip) -> None:
        """Tell a clip opened anew what a pass found before, at this start or an earlier one.

        Without it a clip closed in between would have its damaged frames measured on.
        """
        with self._changed:
            found = self._found.get(clip.sha256) or self._died.get(clip.sha256)
            if found is not None:
                clip.note_check(*found)
            elif clip.sha256 not in self._states:
                self._recall(clip)

    def state(self, sha256: str) -> CacheState:
        """How far a clip's cache is."""
        with self._changed:
            return self._states.get(sha256, CacheState())

    def checked(self, sha256: str) -> bool:
        """Whether a pass over all pictures of a clip came to its end."""
        with self._changed:
            return sha256 in self._found

    def stop(self, sha256: str) -> None:
        """End the pass over a clip, or the waiting for it; what it made so far goes."""
        with self._changed:
            if sha256 in self._wishes:
                self._wishes.remove(sha256)
                self._states[sha256] = CacheState()
            if self._building == sha256:
                self._stops.add(sha256)
            self._changed.notify_all()

    def get(self, sha256: str, ordinal: int) -> bytes | None:
        """The small JPEG of exactly this frame, if the cache has it."""
        return self._read(sha256, lambda pack: ordinal if ordinal in pack else None)[1]

    def nearest(self, sha256: str, ordinal: int, reach: int) -> tuple[int, bytes] | None:
        """The small JPEG nearest to a frame, with its ordinal."""
        found, data = self._read(
            sha256, lambda pack: pack.nearest(ordinal, max(reach, pack.every - 1))
        )
        return None if data is None else (found, data)

    def close(self) -> None:
        """End the pass that runs; returns when it has ended."""
        with self._changed:
            self._closed = True
            self._wishes.clear()
            thread = self._thread
            self._changed.notify_all()
        if thread is not None:
            thread.join(timeout=5.0)
        with self._changed:
            for pack in self._packs.values():
                pack.close()
            self._packs.clear()

    def _read(self, sha256: str, choose: Callable[[Pack], int | None]) -> tuple[int, bytes | None]:
        pack = self._pack(sha256)
        ordinal = None if pack is None else choose(pack)
        if pack is None or ordinal is None:
            return -1, None
        try:
            return ordinal, pack.get(ordinal)
        except PackError:
            self._spoilt(sha256, pack)
            return -1, None

    def _pack(self, sha256: str) -> Pack | None:
        """The pack of a clip, opened again where it was closed for the sake of others."""
        with self._changed:
            pack = self._packs.get(sha256)
            if pack is not None:
                self._packs.move_to_end(sha256)
                return pack
            if self._closed or self._states.get(sha256, CacheState()).state != "ready":
                return None
            pack = page_cache.open_pack(sha256)
            if pack is not None:
                self._hold(sha256, pack)
                return pack
            self._states[sha256] = CacheState()
        self._make_anew(sha256)
        return None

    def _hold(self, sha256: str, pack: Pack) -> None:
        """Hold a pack open; finished ones not read for longest are closed. The lock is held."""
        self._packs[sha256] = pack
        self._packs.move_to_end(sha256)
        others = [key for key in self._packs if key not in (sha256, self._building)]
        for key in others[: max(0, len(others) + 1 - MOST_PACKS)]:
            self._packs.pop(key).close()

    def _spoilt(self, sha256: str, pack: Pack) -> None:
        """Throw a finished pack away that does not hold what was put in; it is built anew."""
        with self._changed:
            finished = self._packs.get(sha256) is pack and bool(pack.facts)
            if not finished:
                return
            del self._packs[sha256]
            pack.close()
            page_cache.delete_pack(sha256)
            self._states[sha256] = CacheState()
        self._make_anew(sha256)

    def _make_anew(self, sha256: str) -> None:
        with contextlib.suppress(ClipmarkError), self._lease(sha256) as clip:
            self.want(clip)

    def _recall(self, clip: Clip) -> bool:
        """Take a clip's finished pack into use; one that cannot be meant is deleted.

        False where there is none. The lock is held.
        """
        pack = self._packs.get(clip.sha256) or page_cache.open_pack(clip.sha256)
        if pack is None:
            return False
        try:
            findings = tuple(Finding(c, s, t, tuple(o)) for c, s, t, o in pack.facts["findings"])
            missing, damaged = tuple(pack.facts["missing"]), tuple(pack.facts["damaged"])
            if pack.facts["frame_count"] != clip.frame_count:
                raise ValueError("of other frames")
        except (KeyError, TypeError, ValueError):
            pack.close()
            self._packs.pop(clip.sha256, None)
            page_cache.delete_pack(clip.sha256)
            return False
        found = Found(missing, damaged, findings)
        clip.note_check(*found)
        self._hold(clip.sha256, pack)
        self._found[clip.sha256] = found
        total = clip.frame_count
        self._states[clip.sha256] = CacheState("ready", total, total, pack.every)
        return True

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or self._wishes)
                if self._closed:
                    return
                self._building = sha256 = self._wishes.pop()
            end = CacheState("failed")
            try:
                with self._lease(sha256) as clip:
                    end = self._build(clip)
            except StoppedError:
                end = CacheState()
            except Exception:  # a clip that vanished, a full disk: the page works without
                end = CacheState("failed")
            finally:
                with self._changed:
                    self._building = None
                    self._states[sha256] = end
                    if end.state != "ready" and (pack := self._packs.pop(sha256, None)):
                        pack.close()

    def _note_death(self, clip: Clip, error: DecoderError) -> None:
        """Tell the clip, now and when it is opened again, that its check ended with the decoder."""
        said = f"The check of this clip did not come to its end: {error}."
        found = Found((), (), (Finding("unchecked", "warning", said),))
        with self._changed:
            self._died[clip.sha256] = found
        clip.note_check(*found)

    def _build(self, clip: Clip) -> CacheState:
        sha256, total = clip.sha256, clip.frame_count
        page_cache.make_room(frozenset(self._packs), self._total_bytes - self._clip_bytes)
        writer: PackWriter | None = None
        with contextlib.suppress(OSError):
            folder = page_cache.pages_folder() / sha256
            writer = PackWriter(folder, sha256, self._clip_bytes)
        packing = None if writer is None else _Packing(clip, writer)

        def observe(ordinal: int, picture: Picture) -> None:
            self._right_of_way.wait_until_free(_MOST_PAUSE_S)
            if self._closed or sha256 in self._stops:
                raise StoppedError
            if packing is not None:
                packing.give(ordinal, picture)

        def progress(done: int, count: int) -> None:
            with self._changed:
                every = 1 if writer is None else writer.pack.every
                if writer is not None:
                    self._hold(sha256, writer.pack)
                self._states[sha256] = CacheState("building", done, count, every)

        whole = False
        try:
            try:
                health = check(clip, progress, observe)
            except DecoderError as error:
                self._note_death(clip, error)
                raise
            found = Found(health.missing, health.damaged, health.findings)
            with self._changed:
                self._found[sha256] = found
            if writer is None or packing is None:
                return CacheState("failed", total, total)
            packing.end()
            if packing.failure is not None:
                raise packing.failure
            pack = writer.finish(_facts(total, found))
            whole = True
            with self._changed:
                self._hold(sha256, pack)
            return CacheState("ready", total, total, pack.every)
        finally:
            if packing is not None and not whole:
                packing.end()
            if writer is not None and not whole:
                writer.abandon()


def _facts(total: int, found: Found) -> dict[str, Any]:
    """What the checking pass found, as it is stored in the pack."""
    return {
        "frame_count": total,
        "missing": list(found.missing),
        "damaged": list(found.damaged),
        "findings": [[f.code, f.severity, f.sentence, list(f.ordinals)] for f in found.findings],
    }
