"""The board's own line through an attempt: did it move, by how much, and how steep was it when.

The ramp line is followed in the same decoding pass as the truck, anchored in the first frame of
the span. Its angle in the reference frame is that of `clipmark angle`, with lens, plane and level;
other frames add their turn against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import ClipmarkError, FollowError
from clipmark.measure.angle import measure_angle
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.climb_marks import ClimbReady
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.values import Value, named
from clipmark.motion.line_ends import EndsFollower
from clipmark.motion.line_follow import FollowedLine, LineFollower, LineTrack
from clipmark.motion.line_sway import sway_of
from clipmark.motion.passes import Following
from clipmark.motion.steady_view import SteadyView, camera_beside
from clipmark.motion.templates import picture_noise

PIECE_S = 0.25  # places are compared as means over so long
MOVED_SIGMAS = 4.0
LEAST_MOVED_DEG = 0.15  # less than inclinometers tell (TRADE: 0.1 to 0.2 deg)
LEAST_SEEN = 5
Z95 = 1.96


@dataclass(frozen=True, eq=False)
class Board:
    """The board's line as followed; K frames of the truck's own.

    Attributes
    ----------
    turn_rad : ndarray, shape (K,)
        Since the reference frame, clockwise as seen; 0 where the line was not seen.
    ramp_px : ndarray, shape (2, 2)
        In the reference frame, the lower end first, upright px.
    track : LineTrack or None
    at_reference : AngleReading or None
        None without a level or plumb line.
    uphill_right : bool
    notes : tuple of str
    reference_turn_rad : float
        Turn of the track in the reference frame.
    view : SteadyView or None
        The camera's own motion, None where the line was not followed.
    """

    turn_rad: FloatArray
    ramp_px: FloatArray
    track: LineTrack | None
    at_reference: AngleReading | None
    uphill_right: bool
    notes: tuple[str, ...]
    reference_turn_rad: float = 0.0
    view: SteadyView | None = None

    def steeper_deg(self, track: LineTrack) -> FloatArray:
        """How much steeper the board stood than in the reference frame, deg, NaN unseen."""
        turned = np.degrees(track.turn_rad - self.reference_turn_rad)
        return -turned if self.uphill_right else turned

    def steadied(self, following: Following, reference: int, size_px: tuple[int, int]) -> Board:
        """The board as a camera that stood still would have seen it turn.

        A held camera rolls by more than a board that is pushed; what it does is read from pieces
        that the board does not carry. `reference` is the ordinal of the frame they are chosen in.
        """
        track = self.track
        if track is None or len(track.ordinals) != len(following.ordinals):
            return self
        anchor = int(np.argmin(np.abs(following.ordinals - reference)))
        places = following.body_px
        known = np.flatnonzero(np.isfinite(places).all(axis=1))
        if not known.size or not track.seen.any():
            return self
        view = camera_beside(
            following.points_px,
            following.shifts_px,
            following.seen,
            following.point_u_px,
            following.times_s,
            size_px,
            track.ends_px,
            anchor,
            places[known[np.argmin(np.abs(known - anchor))]],
            believe_all=True,
        )
        if not view.moved:
            return replace(self, view=view)
        steady = replace(
            track,
            turn_rad=track.turn_rad - view.turn_rad,
            u_turn_rad=np.hypot(track.u_turn_rad, view.u_turn_rad),
        )
        zero = _turn_near(steady, reference)
        return replace(self, track=steady, reference_turn_rad=zero, view=view)


def start_board(clip: Clip, ready: ClimbReady) -> tuple[FollowedLine | None, str]:
    """A follower of the ramp line from the first frame of the span, or why there is none.

    Where no straight edge shows, the line's ends are followed.
    """
    first = ready.crawl.span.first
    reference = ready.crawl.reference
    frame = reference if first == reference.ordinal else clip.frame(first)
    ends = np.array(ready.ramp.as_tuple()).reshape(2, 2)
    to_straight, from_straight = ready.to_straight, ready.from_straight
    try:
        by_edge = LineFollower(
            frame.luma,
            ends,
            ready.picture.levels,
            ordinal=first,
            t_s=frame.time_s,
            to_straight=to_straight,
            from_straight=from_straight,
        )
        return by_edge, ""
    except FollowError as error:
        no_edge = str(error)
    try:
        by_ends = EndsFollower(
            frame.luma,
            ends,
            "ramp line",
            ordinal=first,
            t_s=frame.time_s,
            aspect=ready.picture.aspect,
            noise=picture_noise(frame.luma, 2.0 ** (frame.bit_depth - 8)),
            to_straight=to_straight,
            from_straight=from_straight,
        )
    except FollowError:
        return None, (
            f"The board's line could not be followed: {no_edge}. Whether the board moved is not "
            "told."
        )
    said = "The board shows no straight edge; its line was followed by two patches at its ends."
    return by_ends, said


def read_board(
    clip: Clip,
    ready: ClimbReady,
    follower: FollowedLine | None,
    ordinals: NDArray[np.intp],
    why: str,
) -> Board:
    """The board from its followed line, for the frames `ordinals` (K,)."""
    marks, notes = ready.marks, [why] if why else []
    reading = None
    reference = ready.crawl.reference.ordinal
    if marks.level is not None or marks.plumb is not None:
        try:
            reading = _angle(clip, ready, reference)
        except ClipmarkError as error:
            notes.append(f"The board's angle is not given: {error}.")
    else:
        notes.append(
            "No level or plumb line was given, so no angle is; all else stands. Mark one (--level "
            "or --plumb)."
        )
    marked = _lower_first(np.array(ready.ramp.as_tuple()).reshape(2, 2))
    right = ready.uphill == "right"
    track = None if follower is None else follower.track()
    if track is None or not track.seen.any():
        return Board(np.zeros(len(ordinals)), marked, None, reading, right, tuple(notes))
    seen = np.flatnonzero(track.seen)
    at = int(seen[np.argmin(np.abs(track.ordinals[seen] - reference))])
    zero = _turn_near(track, reference)
    turn = np.interp(ordinals, track.ordinals[seen], track.turn_rad[seen]) - zero
    ramp = _lower_first(track.ends_px[at])
    lost = 1 - seen.size / len(track.ordinals)
    if lost > 0.1:
        reasons = [reason for reason in track.reasons if reason]
        most = max(set(reasons), key=reasons.count)
        notes.append(
            f"The board's line was lost in {lost:.0%} of the frames (mostly: {most}); what it did "
            "there is not told."
        )
    return Board(turn, ramp, track, reading, right, tuple(notes), zero)


def _turn_near(track: LineTrack, ordinal: int) -> float:
    """Turn in the frames nearest to one, their median."""
    seen = np.flatnonzero(track.seen)
    near = seen[np.argsort(np.abs(track.ordinals[seen] - ordinal))[:LEAST_SEEN]]
    return float(np.median(track.turn_rad[near]))


def _angle(clip: Clip, ready: ClimbReady, ordinal: int) -> AngleReading:
    marks = ready.marks
    return measure_angle(
        clip,
        ordinal,
        ramp=ready.ramp,
        level=marks.level,
        plumb=marks.plumb,
        level_u_deg=marks.level_u_deg,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_within_deg,
        sheet=marks.sheet,
        sheet_size=marks.sheet_size,
        sheet_u_mm=marks.sheet_u_mm,
        tags=marks.tags,
        edge_fit=marks.edge_fit,
        budget_draws=500,
    )


def _lower_first(ends_px: FloatArray) -> FloatArray:
    return ends_px if ends_px[0, 1] >= ends_px[1, 1] else ends_px[::-1]


def describe_board(board: Board, decided_frame: int | None) -> dict[str, object]:
    """``board_moved`` as printed: whether, by how much, when, and the angle at three instants.

    ``moved`` is None where the line was not followed. The angle is a magnitude, deg, with its
    expanded uncertainty; None without a level line.
    """
    track = board.track
    if track is None:
        return {"moved": None, "why": "the board's line was not followed"} | _instants(
            board, None, decided_frame
        )
    steeper = board.steeper_deg(track)
    means, times, frames, u = _pieces(track, steeper)
    if len(means) < 2:
        return {"moved": None, "why": "the board's line was seen too briefly"} | _instants(
            board, track, decided_frame
        )
    last = means[-1] - means[0]
    us = np.hypot(u, u[0])
    limits = np.maximum(MOVED_SIGMAS * us, LEAST_MOVED_DEG)
    most = int(np.argmax(np.abs(means - means[0]) / limits))
    amount, u_amount, limit = float(means[most] - means[0]), float(us[most]), float(limits[most])
    moved = abs(amount) > limit
    value = Value(amount, u_amount, amount - Z95 * u_amount, amount + Z95 * u_amount)
    since = None
    if moved:
        gone = np.flatnonzero(np.abs(means - means[0]) > limits)
        since = int(gone[0])
    sway = sway_of(track.t_s, steeper, np.degrees(track.u_turn_rad))
    words = "the board stood still"
    if moved:
        words = (
            f"the board became {'steeper' if amount > 0 else 'flatter'} by {abs(amount):.2f} deg"
        )
    return {
        "moved": bool(moved),
        "why": words,
        **named("by", "deg", value),
        "at_end_deg": float(last),
        "limit_deg": limit,
        "since_t_s": None if since is None else float(times[since]),
        "since_frame": None if since is None else int(frames[since]),
        "seen_share": float(track.seen.mean()),
        "sway": None if sway is None else sway.to_dict(),
    } | _instants(board, track, decided_frame)


def _pieces(
    track: LineTrack, steeper: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Medians over pieces of the span, when and in which frame each began, and u of each."""
    seen = np.flatnonzero(track.seen & np.isfinite(steeper))
    if seen.size < 2 * LEAST_SEEN:
        return np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0)
    piece = np.floor((track.t_s[seen] - track.t_s[seen[0]]) / PIECE_S).astype(int)
    means, times, frames, spreads = [], [], [], []
    for number in np.unique(piece):
        rows = seen[piece == number]
        if rows.size < LEAST_SEEN:
            continue
        means.append(float(np.median(steeper[rows])))
        times.append(float(track.t_s[rows[0]]))
        frames.append(float(track.ordinals[rows[0]]))
        own = float(np.degrees(np.median(track.u_turn_rad[rows])))  # covered alike: no averaging
        scatter = 1.2533 * float(np.std(steeper[rows], ddof=1)) / math.sqrt(rows.size)
        spreads.append(max(own, scatter))
    # A truck that passes, with its shadow, draws the line aside for a piece or so; a board that
    # moved stays moved.
    calm = (
        scipy.ndimage.median_filter(np.array(means), 3, mode="nearest") if len(means) > 2 else means
    )
    return (
        np.asarray(calm, dtype=np.float64),
        np.array(times),
        np.array(frames),
        np.asarray(spreads, dtype=np.float64),
    )


def _instants(
    board: Board, track: LineTrack | None, decided_frame: int | None
) -> dict[str, object]:
    """Ramp angle at the start, at the deciding instant and at the end."""
    out: dict[str, object] = {}
    frames: tuple[int | None, ...] = (None, decided_frame, None)
    if track is not None and track.seen.any():
        seen = track.ordinals[track.seen]
        frames = (int(seen[0]), decided_frame, int(seen[-1]))
    for name, frame in zip(("start", "decided", "end"), frames, strict=True):
        value, at = _at(board, track, frame)
        out |= named(f"ramp_{name}", "deg", value)
        out[f"ramp_{name}_frame"] = at
    return out


def _at(
    board: Board, track: LineTrack | None, frame: int | None
) -> tuple[Value | None, int | None]:
    """The board's angle in a frame, a magnitude, from the nearest frames in which it was seen."""
    reading = board.at_reference
    value = None if reading is None else reading.values.get("ramp")
    if value is None or frame is None or track is None:
        return None, None
    seen = np.flatnonzero(track.seen)
    near = seen[np.argsort(np.abs(track.ordinals[seen] - frame))[:LEAST_SEEN]]
    if not near.size or abs(int(track.ordinals[near[0]]) - frame) > LEAST_SEEN:
        return None, None
    steeper = float(np.median(board.steeper_deg(track)[near]))
    own = float(np.degrees(np.median(track.u_turn_rad[near])))
    u = math.hypot(value.u, own)
    grown = u / value.u if value.u > 0 else 1.0
    sign = -1.0 if value.estimate < 0 else 1.0
    low, high = sorted((sign * value.low95, sign * value.high95))
    middle = abs(value.estimate)
    estimate = middle + steeper
    return Value(
        estimate, u, estimate - grown * (middle - low), estimate + grown * (high - middle)
    ), int(track.ordinals[near[0]])
