"""Rough lines along things known to be straight, and the edge points found along them.

Coarse to fine: an edge is first fitted in pieces, each short enough to be straight under a
roughly known bend, then whole under the bend found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FitError, MarkError
from clipmark.geometry.edge_band import Curve, Frame, Mapping, strip
from clipmark.geometry.edge_fit import EdgeFit, fit_edge
from clipmark.geometry.straight_lines import EdgePoints
from clipmark.marks import Point, check_inside
from clipmark.measure.view import Picture, bend, straighten

Floats = NDArray[np.float64]
Kind = Literal["auto", "step", "string"]

MIN_SHARE = 0.15  # of the picture's diagonal; shorter things show no bend worth having
PIECE_PX = 130.0
PIECES = (4, 9)
PIECE_SEARCH_PX, PIECE_SEARCH_DEG = 9.0, 4.0
WHOLE_SEARCH_PX, WHOLE_SEARCH_DEG = 4.0, 0.5
MIN_PIECES = 3
SIDE_PX = (8.0, 14.0)  # how far out the sides of a thin thing lie
CROSSING_DEG = 8.0  # lines that cross more flatly than this hide one another where they cross
SAME_PX = 4.0  # two lines nearer than this all along are one edge, marked twice


@dataclass(frozen=True)
class StraightMark:
    """Rough points along one straight thing: both its ends, and any between, in order.

    ``frame`` is the ordinal of the frame it is marked in, None for the one the others are.
    """

    points: tuple[Point, ...]
    frame: int | None = None

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``x1,y1,x2,y2`` with more points after them if wanted, and ``FRAME:`` before.

        Raises
        ------
        MarkError
            When it is not two or more pairs of numbers.
        """
        before, colon, rest = text.rpartition(":")
        try:
            frame = int(before) if colon else None
            values = [float(part) for part in rest.split(",")]
        except ValueError:
            values, frame = [], None
        if len(values) < 4 or len(values) % 2 or not all(map(math.isfinite, values)):
            raise MarkError(
                f"the straight line '{text}' cannot be read: write its ends as x1,y1,x2,y2, with "
                "more points along it in between if wanted, or FRAME:x1,y1,x2,y2"
            )
        return cls(
            tuple(Point(*values[i : i + 2]) for i in range(0, len(values), 2)),
            frame,
        )

    @property
    def places(self) -> Floats:
        """Points, shape (K, 2), px of the upright picture."""
        return np.array([[point.x, point.y] for point in self.points])


@dataclass(frozen=True, eq=False)
class Followed:
    """One straight thing as followed so far: its fits, and where its ends lie.

    Attributes
    ----------
    ends : ndarray, shape (2, 2)
        On the edge, px of the upright picture.
    points : EdgePoints
        px of the square picture.
    kind : {'auto', 'step', 'string'}
        What it is, 'auto' where that is not told yet.
    noise_px : float
        How well single points can be placed in the picture's noise alone, root mean square.
    warnings : tuple of str
    """

    ends: Floats
    points: EdgePoints
    kind: Kind
    noise_px: float
    warnings: tuple[str, ...]


def check_marks(marks: Sequence[StraightMark], width: int, height: int, diagonal_px: float) -> None:
    """Refuse, as `MarkError`, marks that leave the picture, are short, fold back, or are none."""
    if not marks:
        raise MarkError(
            "no straight line is marked; mark two or more long straight things near the picture's "
            "sides (--straight)"
        )
    for number, mark in enumerate(marks, start=1):
        what = f"straight line {number}"
        for point in mark.points:
            check_inside(point.x, point.y, width, height, what)
        places = mark.places
        chord = places[-1] - places[0]
        length = float(np.hypot(*chord))
        if length < MIN_SHARE * diagonal_px:
            raise MarkError(
                f"{what} is {length:.0f} px long, too short to show how the lens bends; mark "
                f"things of at least {MIN_SHARE * diagonal_px:.0f} px, better right across the "
                "picture"
            )
        if np.any(np.diff(places @ chord) <= 0):
            raise MarkError(
                f"{what} turns back between its ends; mark its points in order, from one end to "
                "the other"
            )


def follow_in_pieces(picture: Picture, mark: StraightMark, camera: Floats, number: int) -> Followed:
    """Fit an edge piece by piece along the chord of its ends, bent as `camera` bends it.

    Raises
    ------
    FitError
        When fewer than three pieces show an edge.
    """
    there, back = maps(picture, camera)
    start, end = there(mark.places[[0, -1]])
    length = float(np.hypot(*(end - start)))
    count = int(np.clip(round(length / PIECE_PX), *PIECES))
    cuts = start + np.linspace(0, 1, count + 1)[:, None] * (end - start)
    pieces = [back(cuts[index : index + 2]) for index in range(count)]
    kind: Kind = "auto"  # once the whole line is fitted, it is told what the thing is
    found, reason = _fit_pieces(picture, pieces, there, back, "step")
    if len(found) < MIN_PIECES:
        kind = "string"
        found, reason = _fit_pieces(picture, pieces, there, back, "string")
    facing = [_faces(fit, end - start) for fit in found]
    most = 1 if sum(facing) >= 0 else -1
    alike = [fit for fit, way in zip(found, facing, strict=True) if way == most]
    if len(alike) < MIN_PIECES:
        raise FitError(
            f"straight line {number}: only {len(alike)} of its {count} pieces show one edge"
            + (f" ({reason})" if reason else "; mark it along one clear edge")
        )
    points = _joined([_edge_points(picture, fit, back) for fit in alike], end - start)
    ends = picture.from_square(points.points[[0, -1]])
    return Followed(ends, points, kind, _noise(points.u_px), ())


def _fit_pieces(
    picture: Picture, pieces: Sequence[Floats], there: Mapping, back: Mapping, kind: Kind
) -> tuple[list[EdgeFit], str]:
    """Fits of the pieces that show an edge, and the last reason why one did not."""
    found: list[EdgeFit] = []
    reason = ""
    for piece in pieces:
        try:
            found.append(
                fit_edge(
                    picture.luma,
                    piece,
                    kind=kind,
                    black=picture.levels[0],
                    white=picture.levels[1],
                    to_straight=there,
                    from_straight=back,
                    search_px=PIECE_SEARCH_PX,
                    search_deg=PIECE_SEARCH_DEG,
                )
            )
        except FitError as error:
            reason = str(error)
    return found, reason


def _faces(fit: EdgeFit, along: Floats) -> int:
    """+1 when the brighter side lies left of the way along the mark, else -1."""
    turn = along[0] * fit.normal[1] - along[1] * fit.normal[0]
    return fit.polarity * (1 if turn < 0 else -1)


def follow_whole(
    picture: Picture, mark: StraightMark, before: Followed, camera: Floats, number: int
) -> Followed:
    """Fit the whole edge under a bend that makes it nearly straight; raises `FitError`."""
    there, back = maps(picture, camera)
    marked, on_edge = there(mark.places[[0, -1]]), there(before.ends)
    chord = on_edge[1] - on_edge[0]
    share = (marked - on_edge[0]) @ chord / (chord @ chord)
    ends = _inside(picture, back(on_edge[0] + share[:, None] * chord))
    kind = _kind_of(picture, ends, there, back) if before.kind == "auto" else before.kind
    try:
        fit = fit_edge(
            picture.luma,
            ends,
            kind=kind,
            black=picture.levels[0],
            white=picture.levels[1],
            to_straight=there,
            from_straight=back,
            search_px=WHOLE_SEARCH_PX,
            search_deg=WHOLE_SEARCH_DEG,
        )
    except FitError as error:
        raise FitError(f"straight line {number}: {error}") from error
    notes = tuple(f"straight line {number}: {note}" for note in fit.warnings if "bowed" not in note)
    points = _joined([_edge_points(picture, fit, back)], chord)
    noise = _noise(points.u_px) / math.sqrt(fit.noise_inflation)
    return Followed(_along(fit.ends, back(on_edge)), points, fit.kind, noise, notes)


def _noise(u_px: Floats) -> float:
    return math.sqrt(float(np.mean(np.square(u_px))))


def _kind_of(picture: Picture, ends: Floats, there: Mapping, back: Mapping) -> Kind:
    """A string when the mean profile stands out from both its sides by more than they differ."""
    frame = Frame.through(there(ends))
    along = np.linspace(-frame.half, frame.half, max(round(frame.half), 16))
    across = np.arange(-SIDE_PX[1], SIDE_PX[1] + 1)
    values, _ = strip(picture.luma, Curve.of(frame, back), along, across, *picture.levels)
    profile = values.mean(axis=0)
    sides = (profile[across <= -SIDE_PX[0]].mean(), profile[across >= SIDE_PX[0]].mean())
    core = profile[np.abs(across) < SIDE_PX[0]]
    out = max(core.max() - max(sides), min(sides) - core.min())
    return "string" if out > abs(sides[0] - sides[1]) else "step"


def _along(ends: Floats, like: Floats) -> Floats:
    """Both ends in the order of two points that they lie at."""
    forward = float(np.dot(ends[1] - ends[0], like[1] - like[0])) >= 0
    return ends if forward else ends[::-1]


def maps(picture: Picture, camera: Floats) -> tuple[Mapping, Mapping]:
    """From px of the upright picture to straight px, and back, through one camera, shape (9,)."""

    def there(points: Floats) -> Floats:
        return straighten(picture, camera, points)

    def back(points: Floats) -> Floats:
        return bend(picture, camera, points)

    return there, back


def check_apart(lines: Sequence[Followed], frames: Sequence[int]) -> None:
    """Refuse, as `FitError`, one edge marked twice, and lines that cross at a flat angle."""
    for second in range(len(lines)):
        for first in range(second):
            if frames[first] == frames[second]:
                _check_pair(lines[first].points, lines[second].points, first + 1, second + 1)


def _check_pair(one: EdgePoints, other: EdgePoints, first: int, second: int) -> None:
    a, b = one.points, other.points
    along = (a[-1] - a[0]) / one.length_px
    place = (b - a[0]) @ along
    beside = (place > 0) & (place < one.length_px)
    if beside.sum() < 2:
        return
    order = np.argsort((a - a[0]) @ along)
    normal = np.array([along[1], -along[0]])
    off = (b - a[0]) @ normal
    own = np.interp(place, ((a - a[0]) @ along)[order], ((a - a[0]) @ normal)[order])
    apart = (off - own)[beside]
    if np.median(np.abs(apart)) < SAME_PX:
        raise FitError(
            f"straight lines {first} and {second} lie on the same edge; mark each edge once, and "
            "another thing for the second"
        )
    turn = abs(float(np.dot(along, b[-1] - b[0]))) / other.length_px
    flat = turn > math.cos(math.radians(CROSSING_DEG))
    if flat and apart.min() < 0 < apart.max():
        raise FitError(
            f"straight lines {first} and {second} cross at a flat angle, so that neither edge is "
            "seen alone there; mark them up to the crossing, or take other edges"
        )


def _edge_points(picture: Picture, fit: EdgeFit, back: Mapping) -> EdgePoints:
    """The segments of a fit that agree, as points of the square picture."""
    parts = fit.segments
    used = parts.used
    along, across = parts.along_px[used], parts.offset_px[used]
    straight = fit.middle + along[:, None] * fit.direction + across[:, None] * fit.normal
    points, ahead, behind = (
        picture.to_square(back(straight + shift * fit.normal)) for shift in (0.0, 0.5, -0.5)
    )
    normals = ahead - behind
    stretch = np.hypot(normals[:, 0], normals[:, 1])
    u = parts.u_offset_px[used] * math.sqrt(fit.noise_inflation) * stretch
    return EdgePoints(points, normals / stretch[:, None], u)


def _joined(parts: Sequence[EdgePoints], along: Floats) -> EdgePoints:
    """Points of several pieces in order along the line, their normals all to one side."""
    points = np.concatenate([part.points for part in parts])
    normals = np.concatenate([part.normals for part in parts])
    u_px = np.concatenate([part.u_px for part in parts])
    side = np.sign(normals @ np.array([along[1], -along[0]]))
    order = np.argsort(points @ along)
    return EdgePoints(points[order], (normals * side[:, None])[order], u_px[order])


def _inside(picture: Picture, points: Floats) -> Floats:
    """Points moved into the picture, where the true end of an edge lies a little beyond it."""
    top = np.array([picture.width - 0.5, picture.height - 0.5])
    return np.asarray(np.clip(points, -0.5, top), dtype=np.float64)
