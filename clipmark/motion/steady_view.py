"""The camera's own motion beside things that turn: pieces of background, those that turn left out.

Beside a board that turns most of the picture may move. A piece that goes where the board goes may
be on it, and then tells nothing of the camera; what remains is fitted to a camera that turns
(`clipmark.motion.camera_fit`). Where all go along, board and camera are told apart only by pieces
that lie clear of the board, on the side where the truck stands. Everything is against the anchor
frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.background import BackgroundFollower, pick_pieces
from clipmark.motion.camera_fit import (
    LEAST_POINTS,
    CameraFit,
    CameraSolution,
    fit_those_that_agree,
)
from clipmark.motion.sampling import FloatArray
from clipmark.motion.templates import Templates

KEPT_CLEAR_PX = 30.0  # around the marks
CARRIED_SHARE = 0.35  # of the way the platform would have taken a piece, below which it went along
CARRIED_PX = 2.0  # the platform must have moved a piece so far for it to be told
LEAST_FRAMES_SHARE = 0.3
MOVED_SIGMAS = 3.0
LEAST_TURN_RAD = 1e-4  # 0.006 deg: less is nothing beside a line's own uncertainty
LEAST_SHIFT_PX = 0.1
ALIKE = 0.9  # correlation with the platform's turn from which a camera's turn is not believed,
ALIKE_RAD = np.radians(1.0)  # unless it is no more than hands do
CALM_FRAMES, CALM_PX = 12, 0.4  # after so many frames in which some pieces move less than that
LOOKED_EVERY = 4  # the background is looked at in every so many frames only
CLEAR_PX = 12.0  # of the board's line, for a piece not to be on it
STILL, MOVING, UNKNOWN, WITH_PLATFORM = "still", "moving", "unknown", "turns with the platform"


@dataclass(frozen=True, eq=False)
class SteadyView:
    """How the camera moved in K frames, against the anchor frame.

    Attributes
    ----------
    judged : {"still", "moving", "unknown", "turns with the platform"}
        Only where it is ``moving`` anything is to be taken out.
    turn_rad, u_turn_rad : ndarray, shape (K,)
        Turn of the picture, clockwise as seen, and its standard uncertainty; 0 where unknown.
    pieces : int
        Of background, used.
    most_turn_rad, most_shift_px : float
        Largest turn, and shift of the picture's middle.
    """

    judged: str
    turn_rad: FloatArray
    u_turn_rad: FloatArray
    pieces: int
    most_turn_rad: float
    most_shift_px: float
    _solution: CameraSolution | None = None

    @property
    def moved(self) -> bool:
        """Whether there is anything to take out."""
        return self.judged == MOVING

    def at_times(self, own_s: FloatArray, times_s: FloatArray) -> SteadyView:
        """The same at other times, (M,), between its own, (K,)."""
        solution = self._solution
        if solution is not None:
            known = np.isfinite(solution.parameters).all(axis=1)
            columns = [np.interp(times_s, own_s[known], p[known]) for p in solution.parameters.T]
            nearest = np.abs(times_s[:, None] - own_s[known]).argmin(axis=1)
            solution = replace(
                solution,
                parameters=np.column_stack(columns),
                covariance=solution.covariance[known][nearest],
            )
        return replace(
            self,
            turn_rad=np.interp(times_s, own_s, self.turn_rad),
            u_turn_rad=np.interp(times_s, own_s, self.u_turn_rad),
            _solution=solution,
        )

    def steady(self, places_px: FloatArray) -> FloatArray:
        """Where places seen in each frame, (K, 2) upright px, lie in the anchor frame's view."""
        if self._solution is None or not self.moved:
            return places_px
        known = np.asarray(np.isfinite(places_px).all(axis=1), dtype=bool)
        where = np.where(known[:, None], places_px, self._solution.fit.middle)
        at = where
        for _ in range(3):  # the field is known over the anchor's picture, the place in this one
            at = where - np.nan_to_num(self._solution.shift_at(at)[0])
        return np.where(known[:, None], at, np.nan)


class BackgroundFeeder:
    """Follows pieces of background away from the anchor frame, either way in time.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Anchor frame.
    ordinal : int
    noise : float
        Of the picture, grey levels.
    lines_px : list of ndarray, shape (2, 2)
        Near these no piece is taken.
    boxes_px : list of four numbers
        Left, top, right, bottom, px: nor in these.
    """

    def __init__(
        self,
        luma: NDArray[np.generic],
        ordinal: int,
        noise: float,
        lines_px: list[FloatArray],
        boxes_px: list[tuple[float, float, float, float]],
    ) -> None:
        blocked = _kept_clear(luma.shape, lines_px, boxes_px)
        pieces = pick_pieces(luma, blocked, noise)
        self._ordinal = ordinal
        self.pieces: Templates | None = pieces
        self._forth = self._back = None
        if pieces is not None:
            self._forth = BackgroundFollower(luma, pieces)
            self._back = BackgroundFollower(luma, pieces)
        self._rows: dict[int, tuple[FloatArray, NDArray[np.bool_]]] = {}
        self._times: dict[int, float] = {}
        self._calm = {True: (0, 0), False: (0, 0)}  # frames without motion, and left out since

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        """Find the pieces in the next frame of its direction; a still camera is looked at less."""
        forth = ordinal >= self._ordinal
        follower = self._forth if forth else self._back
        self._times[ordinal] = t_s
        if follower is None:
            return
        calm, waited = self._calm[forth]
        if calm >= CALM_FRAMES and waited < LOOKED_EVERY - 1:
            self._calm[forth] = (calm, waited + 1)
            return
        shifts, seen = follower.step(luma)
        # Pieces that the platform carries move anyhow; a camera that moves moves them all.
        still = seen & (np.hypot(shifts[:, 0], shifts[:, 1]) < CALM_PX)
        self._calm[forth] = (calm + 1 if still.sum() >= LEAST_POINTS else 0, 0)
        self._rows[ordinal] = (shifts, seen)

    def view(
        self, size_px: tuple[int, int], ends_px: FloatArray, truck_px: FloatArray
    ) -> SteadyView:
        """The camera's motion, see `camera_beside`, in every frame that was fed."""
        every = sorted(self._times)
        times = np.array([self._times[k] for k in every])
        if self.pieces is None or self._forth is None or self._back is None:
            return _nothing(len(every), UNKNOWN)
        looked = np.array([k in self._rows for k in every], dtype=bool)
        rows = [self._rows[k] for k in sorted(self._rows)]
        view = camera_beside(
            self.pieces.centres,
            np.array([row[0] for row in rows]),
            np.array([row[1] for row in rows]),
            np.maximum(self._forth.u_px(), self._back.u_px()),
            times[looked],
            size_px,
            ends_px[looked],
            sorted(self._rows).index(self._ordinal),
            truck_px,
            believe_all=False,
        )
        return view.at_times(times[looked], times)


def camera_beside(
    points_px: FloatArray,
    shifts_px: FloatArray,
    seen: NDArray[np.bool_],
    point_u_px: FloatArray,
    times_s: FloatArray,
    size_px: tuple[int, int],
    ends_px: FloatArray,
    anchor: int,
    truck_px: FloatArray,
    *,
    believe_all: bool,
) -> SteadyView:
    """The camera's motion from P pieces in K frames, those that a platform carries left out.

    Parameters
    ----------
    points_px : ndarray, shape (P, 2)
        Pieces in the anchor frame, upright px.
    shifts_px, seen : ndarray, shapes (K, P, 2) and (K, P)
    point_u_px : ndarray, shape (P, 2)
        Standard uncertainty of one shift.
    times_s : ndarray, shape (K,)
    size_px : tuple of int
    ends_px : ndarray, shape (K, 2, 2)
        Both ends of the platform's line as seen, NaN where it was not.
    anchor : int
        Row of the anchor frame.
    truck_px : ndarray, shape (2,)
        A point on the truck's side of the line in the anchor frame.
    believe_all : bool
        False where the board is there to be turned: a camera that turns in step with it by more
        than hands do is then not believed.
    """
    count = len(times_s)
    used = np.asarray(seen.sum(axis=0) >= LEAST_FRAMES_SHARE * count, dtype=bool)
    apart = used & ~_carried(points_px, shifts_px, seen, ends_px, anchor)
    if apart.sum() < LEAST_POINTS:
        apart = used & _clear_of(points_px, ends_px, anchor, truck_px)
    fit = CameraFit(points_px, point_u_px, size_px)
    found = fit_those_that_agree(fit, shifts_px, seen, apart, times_s)
    if found is None:
        return _nothing(count, UNKNOWN)
    solution, used = found
    view = _judged(solution, int(used.sum()), times_s)
    if view.moved and not believe_all and _alike(view.turn_rad, ends_px):
        return replace(view, judged=WITH_PLATFORM)
    return view


def _judged(solution: CameraSolution, pieces: int, times_s: FloatArray) -> SteadyView:
    known = np.isfinite(solution.parameters[:, 0])
    count = len(times_s)
    if known.sum() < max(3, LEAST_FRAMES_SHARE * count):
        return _nothing(count, UNKNOWN)
    turn = np.interp(times_s, times_s[known], solution.turn_rad()[known])
    u_turn = np.sqrt(solution.covariance[:, 3, 3]) / solution.fit.unit
    usual = float(np.median(u_turn[known]))
    spare = float(np.ptp(turn)) / 2
    u_turn = np.where(known, u_turn, spare + usual)
    middle = np.tile(solution.fit.middle, (count, 1))
    shift, u_shift = (np.nan_to_num(part) for part in solution.shift_at(middle))
    most_turn = float(np.max(np.abs(turn)))
    most_shift = float(np.max(np.hypot(shift[:, 0], shift[:, 1])))
    turned = _stands_out(turn[known], u_turn[known], LEAST_TURN_RAD)
    went = any(_stands_out(shift[known, i], u_shift[known, i], LEAST_SHIFT_PX) for i in range(2))
    judged = MOVING if turned or went else STILL
    found = solution if judged == MOVING else None
    return SteadyView(judged, turn, u_turn, pieces, most_turn, most_shift, found)


def _stands_out(values: FloatArray, u: FloatArray, least: float) -> bool:
    """Whether values differ from zero by more than their noise and a floor, root mean square."""
    size = float(np.sqrt(np.mean(values**2)))
    return size > max(least, MOVED_SIGMAS * float(np.sqrt(np.mean(u**2))))


def _alike(turn: FloatArray, ends_px: FloatArray) -> bool:
    """Whether a camera's turn is a good part of the platform's own, in step with it."""
    way = ends_px[:, 1] - ends_px[:, 0]
    known = np.isfinite(way).all(axis=1)
    if known.sum() < 3:
        return False
    platform = np.unwrap(np.arctan2(way[known, 1], way[known, 0]))
    if np.ptp(turn[known]) < ALIKE_RAD or np.std(platform) < LEAST_TURN_RAD:
        return False
    return bool(np.corrcoef(platform, turn[known])[0, 1] > ALIKE)


def _carried(
    points_px: FloatArray,
    shifts_px: FloatArray,
    seen: NDArray[np.bool_],
    ends_px: FloatArray,
    anchor: int,
) -> NDArray[np.bool_]:
    """Which pieces go where the platform would take them, (P,)."""
    known = np.asarray(np.isfinite(ends_px).all(axis=(1, 2)), dtype=bool)
    if not known.any():
        return np.zeros(len(points_px), dtype=bool)
    rows = np.flatnonzero(known)
    start = ends_px[rows[np.argmin(np.abs(rows - anchor))]]
    ends, told = ends_px[rows], seen[rows]
    way, ahead = ends[:, 1] - ends[:, 0], start[1] - start[0]
    turn = np.arctan2(way[:, 1], way[:, 0]) - np.arctan2(ahead[1], ahead[0])
    c, s = np.cos(turn), np.sin(turn)
    spin = np.stack([np.stack([c, -s], axis=1), np.stack([s, c], axis=1)], axis=1)
    own = points_px - start.mean(axis=0)
    middle = ends.mean(axis=1) - start.mean(axis=0)
    moved = np.einsum("kij,pj->kpi", spin, own) + middle[:, None] - own
    apart = np.sum((shifts_px[rows] - moved) ** 2, axis=2)
    counts = np.maximum(told.sum(axis=0), 1)
    apart_rms = np.sqrt(np.where(told, apart, 0.0).sum(axis=0) / counts)
    whole_rms = np.sqrt(np.where(told, np.sum(moved**2, axis=2), 0.0).sum(axis=0) / counts)
    return np.asarray((whole_rms > CARRIED_PX) & (apart_rms < CARRIED_SHARE * whole_rms))


def _clear_of(
    points_px: FloatArray, ends_px: FloatArray, anchor: int, truck_px: FloatArray
) -> NDArray[np.bool_]:
    """Which pieces lie off the line, on the truck's side, (P,): the board itself is not there."""
    rows = np.flatnonzero(np.isfinite(ends_px).all(axis=(1, 2)))
    if not rows.size:
        return np.zeros(len(points_px), dtype=bool)
    start = ends_px[rows[np.argmin(np.abs(rows - anchor))]]
    way = start[1] - start[0]
    across = np.array([-way[1], way[0]]) / np.hypot(*way)
    side = np.sign(float(across @ (truck_px - start[0])))
    return np.asarray(side * ((points_px - start[0]) @ across) > CLEAR_PX, dtype=bool)


def _kept_clear(
    shape: tuple[int, ...],
    lines_px: list[FloatArray],
    boxes_px: list[tuple[float, float, float, float]],
) -> NDArray[np.bool_]:
    """Where no piece is taken, (H, W): near the lines, and in the boxes."""
    height, width = shape[0], shape[1]
    blocked = np.zeros((height, width), dtype=bool)
    ys, xs = np.ogrid[:height, :width]
    for ends in lines_px:
        way = ends[1] - ends[0]
        length = float(np.hypot(*way))
        across = np.array([-way[1], way[0]]) / length
        off = (xs - ends[0, 0]) * across[0] + (ys - ends[0, 1]) * across[1]
        along = ((xs - ends[0, 0]) * way[0] + (ys - ends[0, 1]) * way[1]) / length
        near = np.abs(off) < KEPT_CLEAR_PX
        blocked |= near & (along > -KEPT_CLEAR_PX) & (along < length + KEPT_CLEAR_PX)
    for left, top, right, bottom in boxes_px:
        x0, y0 = max(int(left - KEPT_CLEAR_PX), 0), max(int(top - KEPT_CLEAR_PX), 0)
        x1, y1 = int(right + KEPT_CLEAR_PX), int(bottom + KEPT_CLEAR_PX)
        blocked[y0 : max(y1, 0), x0 : max(x1, 0)] = True
    return blocked


def _nothing(count: int, judged: str) -> SteadyView:
    zero = np.zeros(count)
    return SteadyView(judged, zero, zero, 0, 0.0, 0.0)
