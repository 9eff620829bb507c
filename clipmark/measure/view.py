"""How one frame is looked at: pixel aspect, lens, and the plane of motion.

Positions called "square" are px of the square picture (pixel aspect applied); "straight" ones
have the lens's distortion taken out as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FitError, MarkError
from clipmark.geometry.camera import (
    Camera,
    Group,
    assumed_camera,
    camera_from_lens,
    camera_from_view_angle,
)
from clipmark.geometry.distortion import pixels_to_rays, rays_to_pixels
from clipmark.geometry.edge_band import Luma
from clipmark.geometry.edge_fit import EdgeFit
from clipmark.geometry.lens import Lens
from clipmark.geometry.line_mark import Reference
from clipmark.geometry.plane import Rectifier
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.viewing import Viewing, view_from_evidence
from clipmark.marks import Line, Sheet, check_inside
from clipmark.measure.lens_file import LensSource, load_lens
from clipmark.measure.marked_line import MARK_U_PX, MarkedLine, line_from_picture
from clipmark.measure.tags import Tags, find_tags

FloatArray = NDArray[np.float64]
SIDE_TRIM = 0.04  # of a sheet's side left out at each end, where the neighbour side is near


@dataclass(frozen=True, eq=False)
class ViewOptions:
    """What is declared about the camera: lens, view angle, promise, sheets, tags.

    Lengths are those of the first sheet; tags come after the sheets.
    """

    lens: Lens | None = None
    view_angle_deg: float | None = None
    square_within_deg: float = 5.0
    sheets: tuple[Sheet, ...] = ()
    tags: Tags | None = None

    @classmethod
    def declared(
        cls,
        lens: LensSource | None,
        view_angle_deg: float | None,
        square_within_deg: float,
        sheets: Sheet | Sequence[Sheet] | None,
        tags: Tags | None = None,
    ) -> Self:
        """From a lens in any form, read once; raises `LensError` when it cannot be read."""
        read = None if lens is None else load_lens(lens)
        found = (sheets,) if isinstance(sheets, Sheet) else tuple(sheets or ())
        return cls(read, view_angle_deg, square_within_deg, found, tags)

    @property
    def shows_plane(self) -> bool:
        """Whether something of known size lies in the plane of motion."""
        return bool(self.sheets) or self.tags is not None

    def describe(self) -> dict[str, object]:
        """As plain data, whole, so that a reading can be repeated from the journal alone."""
        described: dict[str, object] = {
            "lens": None if self.lens is None else self.lens.to_dict(),
            "view_angle_deg": self.view_angle_deg,
            "square_within_deg": None if self.shows_plane else self.square_within_deg,
            "sheet": _describe_sheet(self.sheets[0]) if self.sheets else None,
        }
        if len(self.sheets) > 1:
            described["further_sheets"] = [_describe_sheet(sheet) for sheet in self.sheets[1:]]
        if self.tags is not None:
            described["tags"] = self.tags.describe()
        return described


def _describe_sheet(sheet: Sheet) -> dict[str, object]:
    return {
        "corners": [[point.x, point.y] for point in sheet.corners],
        "size_mm": [sheet.width_mm, sheet.height_mm],
        "side_u_mm": sheet.side_u_mm,
    }


@dataclass(frozen=True, eq=False)
class Picture:
    """One upright picture with its levels and pixel aspect, ready for fitting.

    Attributes
    ----------
    luma : ndarray, shape (H, W)
    levels : (float, float)
        Code values of black and white.
    aspect : float
        Width of one upright pixel over its height.
    """

    luma: Luma
    levels: tuple[float, float]
    aspect: float

    @property
    def width(self) -> int:
        """Width, px of the upright picture."""
        return int(self.luma.shape[1])

    @property
    def height(self) -> int:
        """Height, px of the upright picture."""
        return int(self.luma.shape[0])

    def to_square(self, points_px: FloatArray) -> FloatArray:
        """Square-picture positions, shape (..., 2)."""
        stretch = np.array([self.aspect, 1.0])
        return np.asarray(np.asarray(points_px) * stretch, dtype=np.float64)

    def from_square(self, points_px: FloatArray) -> FloatArray:
        """Upright-picture positions, shape (..., 2)."""
        stretch = np.array([self.aspect, 1.0])
        return np.asarray(np.asarray(points_px) / stretch, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Look:
    """A picture seen through the best knowledge of its camera and plane.

    Attributes
    ----------
    picture : Picture
    camera_prior : Camera
        What is known of the camera before any sheet.
    viewing : Viewing
        Camera and plane as they enter the reading.
    sheet_sides : tuple of MarkedLine
        The sheet's sides as fitted, if there is a sheet and its sides were visible.
    warnings : tuple of str
    """

    picture: Picture
    camera_prior: Camera
    viewing: Viewing
    sheet_sides: tuple[MarkedLine, ...]
    warnings: tuple[str, ...]

    @property
    def groups(self) -> tuple[Group, ...]:
        """Sources of uncertainty of the view."""
        return self.viewing.groups

    def to_straight(self, points_px: FloatArray) -> FloatArray:
        """Undistorted positions of upright-picture positions, shape (N, 2), px."""
        return straighten(self.picture, self.camera_prior.centre, points_px)

    def from_straight(self, points_px: FloatArray) -> FloatArray:
        """Upright-picture positions of undistorted positions, shape (N, 2), px."""
        return bend(self.picture, self.camera_prior.centre, points_px)

    def flat(self, middle_px: FloatArray) -> Flat:
        """The flat picture around an upright-picture position."""
        middle = self.picture.to_square(np.asarray(middle_px, dtype=np.float64))
        return Flat(self.picture, self.viewing.rectifier(middle))


@dataclass(frozen=True, eq=False)
class Flat:
    """Between the upright picture and a flat one in which wheels are round."""

    picture: Picture
    rectifier: Rectifier

    def to_flat(self, points_px: FloatArray) -> FloatArray:
        """Flat positions of upright-picture positions, shape (N, 2), px."""
        return self.rectifier.to_flat(self.picture.to_square(points_px))

    def from_flat(self, points_px: FloatArray) -> FloatArray:
        """Upright-picture positions of flat positions, shape (N, 2), px."""
        return self.picture.from_square(self.rectifier.from_flat(points_px))


def straighten(picture: Picture, camera: FloatArray, points_px: FloatArray) -> FloatArray:
    """Undistorted positions, px of the square picture, through one camera; NaN beyond the lens."""
    rays = pixels_to_rays(picture.to_square(points_px), camera[None])[0]
    return np.asarray(rays * camera[:2] + camera[2:4], dtype=np.float64)


def bend(picture: Picture, camera: FloatArray, points_px: FloatArray) -> FloatArray:
    """Upright-picture positions of undistorted ones; the inverse of `straighten`."""
    rays = (np.asarray(points_px, dtype=np.float64) - camera[2:4]) / camera[:2]
    return picture.from_square(rays_to_pixels(rays[None], camera[None])[0])


def camera_of(picture: Picture, options: ViewOptions) -> Camera:
    """What is known of the camera: lens file, else view angle, else a wide prior.

    Raises
    ------
    MarkError
        If a lens file and a view angle are both given.
    LensError
        If the lens file is unreadable or belongs to pictures of another shape.
    """
    if options.lens is not None and options.view_angle_deg is not None:
        raise MarkError(
            "both a lens file and a view angle are given; keep the lens file, which says more"
        )
    if options.lens is not None:
        return camera_from_lens(options.lens, picture.width, picture.height, picture.aspect)
    if options.view_angle_deg is not None:
        return camera_from_view_angle(
            picture.width, picture.height, options.view_angle_deg, pixel_aspect=picture.aspect
        )
    return assumed_camera(picture.width, picture.height, picture.aspect)


def look_at(
    picture: Picture,
    options: ViewOptions,
    edge_fit: bool = True,
    references: Sequence[Reference] = (),
    camera: Camera | None = None,
) -> Look:
    """Find camera and plane of motion for one picture.

    Parameters
    ----------
    picture : Picture
    options : ViewOptions
    edge_fit : bool
        Move the sheets' sides onto their true edges; otherwise corners are taken as marked.
    references : sequence of Reference
        Lines known to be level or plumb that shall speak for the plane: two or more.
    camera : Camera, optional
        What is known of the camera, where more is known than the options say.

    Raises
    ------
    MarkError, LensError, PlaneError
    """
    camera = camera or camera_of(picture, options)
    warnings: list[str] = []
    corners: list[SheetCorners] = []
    sides: list[MarkedLine] = []
    for number, sheet in enumerate(options.sheets, 1):
        what = "the sheet" if len(options.sheets) == 1 else f"sheet {number}"
        found, fitted, notes = _sheet_corners(picture, camera, sheet, edge_fit, what)
        corners.append(found)
        sides.extend(fitted)
        warnings.extend(notes)
    if options.tags is not None:
        seen, notes = _tag_corners(picture, camera, options.tags, edge_fit)
        corners.extend(seen)
        warnings.extend(notes)
    viewing = view_from_evidence(
        camera,
        sheets=corners,
        references=references if len(references) > 1 else (),
        square_within_deg=options.square_within_deg,
    )
    warnings.extend(viewing.warnings)
    return Look(picture, camera, viewing, tuple(sides), tuple(warnings))


def _tag_corners(
    picture: Picture, camera: Camera, tags: Tags, edge_fit: bool
) -> tuple[list[SheetCorners], list[str]]:
    """Every tag seen in the picture as a small square sheet."""
    corners, warnings = [], []
    for number, sheet in find_tags(picture.luma, picture.levels, tags):
        found, _, notes = _sheet_corners(picture, camera, sheet, edge_fit, f"tag {number}")
        corners.append(found)
        warnings.extend(notes)
    return corners, warnings


def _sheet_corners(
    picture: Picture, camera: Camera, sheet: Sheet, edge_fit: bool, what: str = "the sheet"
) -> tuple[SheetCorners, tuple[MarkedLine, ...], list[str]]:
    """Corners from the crossings of the fitted sides, or as marked where a side is not seen."""
    marked = np.array([[point.x, point.y] for point in sheet.corners])
    for point in sheet.corners:
        check_inside(point.x, point.y, picture.width, picture.height, what)
    square = picture.to_square(marked)
    clicked = np.broadcast_to(MARK_U_PX**2 * np.eye(2), (4, 2, 2))
    size = (sheet.width_mm, sheet.height_mm)
    as_marked = SheetCorners(square, clicked.copy(), size, sheet.side_u_mm)
    as_marked.handed  # noqa: B018 - refuses crossing or flat corners before any fit
    if not edge_fit:
        return as_marked, (), []
    try:
        sides = tuple(_fit_side(picture, camera, marked, index, what) for index in range(4))
    except FitError as error:
        note = f"{error}; {what}'s corners are taken as marked, each good to {MARK_U_PX:g} px"
        return as_marked, (), [note]
    corners = np.empty((4, 2))
    covariance = np.empty((4, 2, 2))
    for index in range(4):
        before, after = sides[index - 1].fit, sides[index].fit
        assert before is not None
        assert after is not None
        place, spread = _crossing(before, after)
        corners[index] = picture.to_square(bend(picture, camera.centre, place[None]))[0]
        covariance[index] = spread
    dof = min(side.dof for side in sides)
    notes = [note for side in sides for note in side.warnings]
    fitted = SheetCorners(corners, covariance, size, sheet.side_u_mm, "A", dof)
    return fitted, sides, notes


def _fit_side(
    picture: Picture, camera: Camera, corners: FloatArray, index: int, what: str
) -> MarkedLine:
    """Fit the side from one corner to the next, a little shortened at both ends."""
    start, end = corners[index], corners[(index + 1) % 4]
    trim = SIDE_TRIM * (end - start)
    line = Line(*(start + trim), *(end - trim))
    return line_from_picture(
        picture.luma,
        line,
        f"{what}'s side from corner {index + 1} to {(index + 1) % 4 + 1}",
        picture.levels,
        lambda points: straighten(picture, camera.centre, points),
        lambda points: bend(picture, camera.centre, points),
        "step",
    )


def _crossing(first: EdgeFit, second: EdgeFit) -> tuple[FloatArray, FloatArray]:
    """Where two fitted lines cross in straight space, with its covariance, px.

    For each line the offset at the crossing has variance u_offset^2 + (t u_angle)^2 with t the
    distance from its middle; the crossing solves n1.x = c1, n2.x = c2.
    """
    normals = np.stack([first.normal, second.normal])
    levels = np.array([normals[0] @ first.middle, normals[1] @ second.middle])
    place = np.linalg.solve(normals, levels)
    variances = []
    for fit in (first, second):
        along = float((place - fit.middle) @ fit.direction)
        cov = fit.covariance
        variances.append(cov[0, 0] + 2 * along * cov[0, 1] + along**2 * cov[1, 1])
    inverse = np.linalg.inv(normals)
    spread = inverse @ np.diag(variances) @ inverse.T
    return place, np.asarray(spread, dtype=np.float64)
