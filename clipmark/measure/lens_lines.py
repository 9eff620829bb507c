"""How a lens bends, from straight things in a clip: without a board.

See `clipmark.geometry.straight_lines` for what lines can tell and what they cannot: the focal
length stays the one of a declared view angle, or a wide guess.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip.clip import Clip
from clipmark.errors import FitError, LensError
from clipmark.geometry.camera import CORNER_BEND, LONG_SIDE_VIEW_DEG, VIEW_ANGLE_U, Camera
from clipmark.geometry.edge_band import Mapping
from clipmark.geometry.lens import Lens
from clipmark.geometry.straight_lines import (
    STRAIGHT_U,
    BendFit,
    EdgePoints,
    fit_bend,
    reaches_corner,
)
from clipmark.geometry.straight_search import SmallPicture, coarse_terms, search_bend
from clipmark.measure.straight_marks import (
    Followed,
    StraightMark,
    check_apart,
    check_marks,
    follow_in_pieces,
    follow_whole,
    maps,
)
from clipmark.measure.values import Value, named
from clipmark.measure.view import Picture, ViewOptions, camera_of

Floats = NDArray[np.float64]

ROUNDS = 5
SETTLED = 0.05  # of its standard uncertainty: a smaller change of the bend is none
# A bend less sure than this says hardly more than what is assumed of any phone.
MAX_U_BEND = CORNER_BEND / math.sqrt(3.0) / 2
NOT_STRAIGHT_PX, NOT_STRAIGHT_SHARE, NOT_STRAIGHT_NOISES = 0.5, 0.0006, 4.0
COVERAGE = 1.96  # normal, 95 %: hundreds of degrees of freedom


@dataclass(frozen=True, eq=False)
class StraightLine:
    """One straight thing as it entered: in px of the upright picture, and how it fits.

    ``bow_px`` is how far it ran off its chord in the picture, ``rms_px`` what is left of that.
    """

    frame: int
    ends: tuple[tuple[float, float], tuple[float, float]]
    length_px: float
    bow_px: float
    rms_px: float
    used_fraction: float


@dataclass(frozen=True, eq=False)
class StraightLens:
    """The lens found from straight lines.

    Attributes
    ----------
    lens : Lens
        With ``focal`` 'view angle' or 'assumed': the bend is measured, the focal length is not.
    corner_bend_percent : Value
        Radial displacement at the picture's corner over its straight radius; negative: barrel.
    lines : tuple of StraightLine
    frame : int
    t_s : float
    clip_sha256, fingerprint : str
    warnings : tuple of str
    """

    lens: Lens
    corner_bend_percent: Value
    lines: tuple[StraightLine, ...]
    frame: int
    t_s: float
    clip_sha256: str
    fingerprint: str
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """As plain data: the lens file, and what it came from (a lens file may hold both)."""
        return {
            **self.lens.to_dict(),
            "method": "straight lines",
            **named("corner_bend", "percent", self.corner_bend_percent),
            "lines": [
                {
                    "frame": line.frame,
                    "ends": [list(end) for end in line.ends],
                    "length_px": line.length_px,
                    "bow_px": line.bow_px,
                    "rms_px": line.rms_px,
                    "used_fraction": line.used_fraction,
                }
                for line in self.lines
            ],
            "frame": self.frame,
            "t_s": self.t_s,
            "clip_sha256": self.clip_sha256,
            "fingerprint": self.fingerprint,
            "warnings": list(self.warnings),
        }


def lens_from_lines(
    clip: Clip,
    frame: int,
    straight: Sequence[StraightMark],
    *,
    view_angle_deg: float | None = None,
    straight_u: float = STRAIGHT_U,
) -> StraightLens:
    """Find the bend of the lens from things known to be straight.

    Parameters
    ----------
    clip : Clip
    frame : int
        Ordinal of the frame in which they are marked, where a mark names no other.
    straight : sequence of StraightMark
        Rough ends, on the edge within about 5 px, px of the upright picture.
    view_angle_deg : float, optional
        Horizontal view angle of the upright picture; without it the focal length is a guess.
    straight_u : float
        Standard bow of each thing over its length.

    Raises
    ------
    MarkError, FitError, FrameError, LensError
        A sentence each.
    """
    frames = [frame if mark.frame is None else mark.frame for mark in straight]
    pictures = {ordinal: _picture(clip, ordinal) for ordinal in sorted({frame, *frames})}
    first = pictures[frame]
    camera = camera_of(first, ViewOptions(view_angle_deg=view_angle_deg))
    check_marks(straight, first.width, first.height, math.hypot(first.width, first.height))
    views = [pictures[ordinal] for ordinal in frames]
    lines, bend = _follow(views, straight, camera, straight_u)
    check_apart(lines, frames)
    _check(lines, bend)
    value = 100.0 * bend.corner_bend
    u = 100.0 * bend.u_corner_bend
    shown = clip.frame(frame)
    return StraightLens(
        lens=lens_of_bend(bend, camera),
        corner_bend_percent=Value(value, u, value - COVERAGE * u, value + COVERAGE * u),
        lines=tuple(
            _told(line, ordinal, bend, index)
            for index, (line, ordinal) in enumerate(zip(lines, frames, strict=True))
        ),
        frame=frame,
        t_s=shown.time_s,
        clip_sha256=clip.sha256,
        fingerprint=shown.fingerprint,
        warnings=_warnings(lines, bend, camera),
    )


def _picture(clip: Clip, ordinal: int) -> Picture:
    levels = (float(clip.black_level), float(clip.white_level))
    return Picture(clip.frame(ordinal).luma, levels, float(clip.pixel_aspect))


def _follow(
    pictures: Sequence[Picture],
    marks: Sequence[StraightMark],
    camera: Camera,
    straight_u: float,
) -> tuple[list[Followed], BendFit]:
    """Search the bend, then fit edges and bend in turn until the bend stands still."""
    focal = float(camera.centre[0])
    middle = (float(camera.centre[2]), float(camera.centre[3]))
    bend1 = _search(pictures, marks, camera)
    start = coarse_terms(bend1)
    lens = _bent(camera, *start)
    jobs = list(zip(pictures, marks, range(1, len(marks) + 1), strict=True))
    lines = [follow_in_pieces(picture, mark, lens, number) for picture, mark, number in jobs]
    bend: BendFit | None = None
    for _ in range(ROUNDS):
        before = bend
        bend = fit_bend(
            [line.points for line in lines],
            camera.size_px,
            focal,
            start=start if before is None else _terms(before.params, camera),
            middle_px=middle,
            straight_u=straight_u,
        )
        if before is not None:
            change = abs(bend.corner_bend - before.corner_bend)
            if change < SETTLED * bend.u_corner_bend:
                break
        lines = [
            follow_whole(picture, mark, line, bend.params, number)
            for (picture, mark, number), line in zip(jobs, lines, strict=True)
        ]
    assert bend is not None
    return lines, bend


def _search(pictures: Sequence[Picture], marks: Sequence[StraightMark], camera: Camera) -> float:
    """The coarse bend that all marks agree on; frames of one clip are all of one size."""
    first = pictures[0]

    def through(bend1: float) -> tuple[Mapping, Mapping]:
        return maps(first, _bent(camera, *coarse_terms(bend1)))

    small = {id(item): SmallPicture.of(item.luma, *item.levels) for item in pictures}
    return search_bend(
        [small[id(item)] for item in pictures], [mark.places for mark in marks], through
    )


def _bent(camera: Camera, bend1: float, bend2: float) -> Floats:
    """The camera's parameters with a bend at the corner."""
    lens = camera.centre.copy()
    square = _corner_square(camera)
    lens[4], lens[5] = bend1 / square, bend2 / square**2
    return lens


def _terms(params: Floats, camera: Camera) -> tuple[float, float]:
    square = _corner_square(camera)
    return float(params[4] * square), float(params[5] * square**2)


def _corner_square(camera: Camera) -> float:
    width, height = camera.size_px
    return float((width**2 + height**2) / 4 / camera.centre[0] ** 2)


def _check(lines: Sequence[Followed], bend: BendFit) -> None:
    """Refuse lines that are not straight, or that show too little of the bend."""
    for index, line in enumerate(lines):
        allowed = max(
            NOT_STRAIGHT_PX,
            NOT_STRAIGHT_SHARE * line.points.length_px,
            NOT_STRAIGHT_NOISES * line.noise_px,
        )
        if bend.rms_px[index] > allowed:
            raise FitError(
                f"straight line {index + 1} is not straight: under the lens that suits all lines "
                f"best its edge still runs {bend.rms_px[index]:.1f} px (rms) off a straight line; "
                "leave it out, or mark another thing"
            )
    if bend.u_corner_bend > MAX_U_BEND:
        raise FitError(
            "the lines show too little of how the lens bends: its bend at the picture's corner "
            f"would be known to {200 * bend.u_corner_bend:.1f} % (95 %), hardly better than what "
            "is assumed of any phone; mark longer things, nearer the picture's sides, and more of "
            "them"
        )


def _warnings(lines: Sequence[Followed], bend: BendFit, camera: Camera) -> tuple[str, ...]:
    notes = [note for line in lines for note in line.warnings]
    if len(lines) == 1:
        notes.append(
            "one line alone cannot tell a bowed thing from a lens that bends; mark a second one "
            "elsewhere in the picture, best across the first"
        )
    if not reaches_corner(bend.params, camera.size_px):
        notes.append(
            "the lens found folds back within the picture's corners; it holds where the lines ran, "
            "so keep what you measure there, or mark lines nearer the corners"
        )
    if camera.source == "assumed":
        notes.append(
            "straight lines do not tell the focal length: it stays a wide guess; give the view "
            "angle (--view-angle), or put a sheet in the plane of motion"
        )
    return tuple(notes)


def _told(line: Followed, frame: int, bend: BendFit, index: int) -> StraightLine:
    points: EdgePoints = line.points
    (x1, y1), (x2, y2) = line.ends.tolist()
    return StraightLine(
        frame=frame,
        ends=((x1, y1), (x2, y2)),
        length_px=points.length_px,
        bow_px=points.bow_px,
        rms_px=float(bend.rms_px[index]),
        used_fraction=float(bend.used[index]),
    )


def lens_of_bend(bend: BendFit, camera: Camera) -> Lens:
    """A lens of a bend that is measured and a focal length that is not.

    The covariance holds both: the bend's own, and that of the focal length with the distortion
    going with it (``k1`` as its square, ``k2`` as its fourth power), to first order.

    Raises
    ------
    LensError
        When the camera's focal length is known from a calibration already.
    """
    if camera.source == "lens":
        raise LensError(
            "the lens is calibrated already; straight lines would add nothing to its focal length"
        )
    params = bend.params
    focal = float(params[0])
    if camera.source == "assumed":
        view = 2 * math.atan(max(camera.size_px) / 2 / focal)
        low, high = LONG_SIDE_VIEW_DEG
        u_view = math.radians(high - low) / 2 / math.sqrt(3.0)
        focal_u = max(camera.size_px) / 4 / math.sin(view / 2) ** 2 * u_view
    else:
        focal_u = VIEW_ANGLE_U * focal
    covariance = np.zeros((9, 9))
    covariance[2:6, 2:6] = bend.covariance
    by_focal = np.zeros(9)
    by_focal[:2] = 1.0
    by_focal[4], by_focal[5] = 2 * params[4] / focal, 4 * params[5] / focal
    covariance += focal_u**2 * np.outer(by_focal, by_focal)
    width, height = camera.size_px
    rms = math.sqrt(float(np.mean(np.square(bend.rms_px))))
    return Lens(
        model="ordinary",
        fx=focal,
        fy=focal,
        cx=float(params[2]),
        cy=float(params[3]),
        distortion=(float(params[4]), float(params[5]), 0.0, 0.0, 0.0),
        image_size=(round(width), round(height)),
        covariance=covariance,
        rms_px=rms,
        focal="assumed" if camera.source == "assumed" else "view angle",
    )
