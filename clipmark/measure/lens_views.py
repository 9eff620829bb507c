"""Reading a clip or photographs of a board: one pass, the sharpest picture of every short span."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, open_clip
from clipmark.errors import FolderError, LensError
from clipmark.measure.lens_board import Board, Luma8, Sighting, find_board, other_count

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]

PHOTOS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp"})
SPANS = 160  # pictures of a clip that a board is looked for in, at most
SPAN_S = 0.2  # and not more often than this
ROWS = 16  # every so many rows tell how sharp a picture is
LARGER_PROBED = 6  # pictures looked at for whether the board is larger than was asked for
PROBED = 12  # pictures searched for a board of another size when none was found


@dataclass(frozen=True, eq=False)
class SeenBoard:
    """A board found in one picture of the source.

    Attributes
    ----------
    name : str
        ``frame 412``, or the photograph's file name.
    frame : int or None
        Frame ordinal, for a clip.
    sighting : Sighting
    moved_px : float
        How far the board moves from one frame to the next, px; 0 for photographs.
    """

    name: str
    frame: int | None
    sighting: Sighting
    moved_px: float = 0.0


@dataclass(frozen=True, eq=False)
class SeenBoards:
    """All sightings of one source.

    Attributes
    ----------
    size : (int, int)
        Width and height of the upright picture, px.
    pixel_aspect : float
    boards : tuple of SeenBoard
    looked_at : int
        Pictures searched.
    other : (int, int) or None
        Inner corners of another board: seen when the one asked for was nowhere, or a larger one
        that it is only a part of.
    clip_sha256 : str or None
    warnings : tuple of str
    """

    size: tuple[int, int]
    pixel_aspect: float
    boards: tuple[SeenBoard, ...]
    looked_at: int
    other: tuple[int, int] | None
    clip_sha256: str | None
    warnings: tuple[str, ...] = ()


def look(sources: Sequence[Path], board: Board, progress: Progress | None = None) -> SeenBoards:
    """Find the board in a clip, a folder of photographs, or photographs.

    Parameters
    ----------
    sources : sequence of Path
        One clip; one folder; or one or more photographs.
    board : Board
    progress : callable, optional
        Called with (pictures done, pictures in all).

    Raises
    ------
    LensError
        If there is nothing to read, or photographs differ in size.
    FolderError, FootageError
        If a file cannot be read.
    """
    photos = _photos(sources)
    if photos is not None:
        return _look_at_photos(photos, board, progress)
    with open_clip(sources[0]) as clip:
        return _look_at_clip(clip, board, progress)


def _photos(sources: Sequence[Path]) -> list[Path] | None:
    """Photographs in order; None when the source is a clip."""
    if not sources:
        raise LensError(
            "no clip or photographs were given; name a clip, or a folder of photographs"
        )
    if len(sources) == 1 and sources[0].is_dir():
        try:
            found = sorted(p for p in sources[0].iterdir() if p.suffix.lower() in PHOTOS)
        except OSError as error:
            raise FolderError(
                f"the folder {sources[0].name} cannot be read ({error.strerror}); check its rights"
            ) from error
        if not found:
            raise LensError(
                f"the folder {sources[0].name} holds no photographs (JPEG, PNG, TIFF, BMP or WebP)"
                "; name the folder they lie in, or a clip"
            )
        return found
    photos = [path for path in sources if path.suffix.lower() in PHOTOS]
    if not photos and len(sources) == 1:
        return None
    if len(photos) < len(sources):
        stray = next(path for path in sources if path.suffix.lower() not in PHOTOS)
        raise LensError(
            f"{stray.name} is no photograph, and several files were given; give one clip, or "
            "photographs alone"
        )
    return list(photos)


def _look_at_photos(photos: Sequence[Path], board: Board, progress: Progress | None) -> SeenBoards:
    size: tuple[int, int] | None = None
    first = ""
    unread: list[str] = []
    found: list[SeenBoard] = []
    other: tuple[int, int] | None = None
    larger = _Larger(board)
    for number, path in enumerate(photos):
        luma = _read_photo(path)
        if luma is None:
            unread.append(path.name)
            continue
        own = (int(luma.shape[1]), int(luma.shape[0]))
        if size is None:
            size, first = own, path.name
        elif own != size:
            raise LensError(
                f"{path.name} has {own[0]} x {own[1]} px, but {first} has {size[0]} x {size[1]}: a "
                "lens file belongs to one size of picture, held one way up; take out the odd ones"
            )
        sighting = find_board(luma, board, full=True)
        if sighting is not None:
            larger.look(luma)
            found.append(SeenBoard(path.name, None, sighting))
        elif not found and other is None and number < PROBED:
            other = other_count(luma)
        if progress is not None:
            progress(number + 1, len(photos))
    if size is None:
        raise LensError(
            f"none of the {len(photos)} photographs can be read as a picture, the first being "
            f"{photos[0].name}; copy them from the camera again"
        )
    told: tuple[str, ...] = ()
    if unread:
        told = (f"{_listed(unread)} cannot be read as a picture and was left out",)
    return SeenBoards(
        size,
        1.0,
        tuple(found),
        len(photos) - len(unread),
        larger.agreed if found else other,
        None,
        told,
    )


class _Larger:
    """Whether the board asked for is only a part of the one that is seen.

    A part of a chessboard is a chessboard, so the finder finds it: nothing else tells that the
    number of corners was miscounted.
    """

    def __init__(self, board: Board) -> None:
        self._board = board
        self._seen: list[tuple[int, int]] = []
        self._looks = LARGER_PROBED if board.dictionary is None else 0

    def look(self, luma: Luma8) -> None:
        """Count the corners of the board in one of the first pictures that show it."""
        if not self._looks:
            return
        self._looks -= 1
        count = other_count(luma)
        if count is not None:
            self._seen.append(count)

    @property
    def agreed(self) -> tuple[int, int] | None:
        """A larger count that two pictures or more agree on."""
        asked = max(self._board.across, self._board.down), min(self._board.across, self._board.down)
        for count in self._seen:
            larger = count != asked and count[0] >= asked[0] and count[1] >= asked[1]
            if larger and self._seen.count(count) > 1:
                return count
        return None


def _read_photo(path: Path) -> Luma8 | None:
    """Grey picture, upright, or None; raises `FolderError` when the file cannot be opened."""
    try:
        content = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise FolderError(
            f"the photograph {path.name} cannot be read ({error.strerror}); check its path"
        ) from error
    if not content.size:
        return None
    picture = cv2.imdecode(content, cv2.IMREAD_GRAYSCALE)
    return None if picture is None else np.asarray(picture, np.uint8)


def _look_at_clip(clip: Clip, board: Board, progress: Progress | None) -> SeenBoards:
    found: list[SeenBoard] = []
    looked = 0
    probes: list[Luma8] = []
    span = _span(clip)
    larger = _Larger(board)
    for frame, luma in _sharpest(clip, span, progress):
        looked += 1
        sighting = find_board(luma, board)
        if sighting is not None:
            larger.look(luma)
            found.append(SeenBoard(f"frame {frame}", frame, sighting))
            probes = []
        elif not found:
            probes = [*probes, luma] if len(probes) < PROBED else probes
    other = larger.agreed
    if not found:
        for luma in probes:
            sighting = find_board(luma, board, full=True)
            other = other_count(luma) if sighting is None else None
            if other is not None or sighting is not None:
                break
    return SeenBoards(
        (clip.width, clip.height),
        float(clip.pixel_aspect),
        tuple(_with_motion(found)),
        looked,
        other,
        clip.sha256,
        tuple(clip.warnings),
    )


def _span(clip: Clip) -> int:
    """Frames from which the sharpest one is taken."""
    rate = float(clip.nominal_fps) if clip.nominal_fps else 30.0
    return max(1, round(SPAN_S * rate), -(-clip.frame_count // SPANS))


def _sharpest(clip: Clip, span: int, progress: Progress | None) -> Iterator[tuple[int, Luma8]]:
    """The sharpest frame of each span, its ordinal and 8-bit luma, in one pass."""
    best: tuple[float, int, NDArray[np.integer]] | None = None
    at = 0
    with clip.frames() as frames:
        for frame in frames:
            if best is not None and frame.ordinal // span != at:
                yield best[1], _eight_bit(best[2], clip.bit_depth)
                best = None
            at = frame.ordinal // span
            sharp = _sharpness(frame.luma)
            if best is None or sharp > best[0]:
                best = (sharp, frame.ordinal, frame.luma)
            if progress is not None:
                progress(frame.ordinal + 1, clip.frame_count)
    if best is not None:
        yield best[1], _eight_bit(best[2], clip.bit_depth)


def _sharpness(luma: NDArray[np.integer]) -> float:
    """Energy of the brightness steps along every 16th row: higher is sharper, within one scene."""
    rows = luma[ROWS // 2 :: ROWS].astype(np.float32)
    steps = np.diff(rows, axis=1).ravel()
    return float(steps @ steps)


def _eight_bit(luma: NDArray[np.integer], depth: int) -> Luma8:
    shifted = luma if depth == 8 else luma >> (depth - 8)
    return np.ascontiguousarray(shifted, dtype=np.uint8)


def _with_motion(found: Sequence[SeenBoard]) -> Iterator[SeenBoard]:
    """Sightings with how fast the board went, by the nearer of its neighbours in time."""
    middles = [np.nanmean(item.sighting.corners_px, axis=0) for item in found]
    for k, item in enumerate(found):
        paces = [
            float(np.hypot(*(middles[j] - middles[k])))
            / max(abs((found[j].frame or 0) - (item.frame or 0)), 1)
            for j in (k - 1, k + 1)
            if 0 <= j < len(found)
        ]
        yield SeenBoard(item.name, item.frame, item.sighting, min(paces, default=0.0))


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
