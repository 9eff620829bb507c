"""What is known of the camera: its lens parameters, and where their spread comes from.

Three cases, one form. A lens file gives its own parameters and covariance; a declared horizontal
view angle gives the focal length; and with neither, a wide prior stands in. Each independent
source of doubt is a *latent*: a number of mean 0 and standard deviation 1, normal or rectangular,
that the parameters are a function of. Monte Carlo draws latents, a sheet corrects them.

Positions are px of the square picture (pixel aspect applied); see
`clipmark.geometry.distortion` for the parameter vector.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.distortion import reach_px
from clipmark.geometry.lens import Lens

FloatArray = NDArray[np.float64]
Kind = Literal["A", "B"]

VIEW_ANGLE_U = 0.02  # relative standard uncertainty of the focal length from a declared angle
LONG_SIDE_VIEW_DEG = (50.0, 85.0)  # rectangular: phones and small cameras without zoom, video crop
CENTRE_U = 0.01  # standard uncertainty of the principal point over the width, uncalibrated cameras
CORNER_BEND = 0.02  # half-width of the radial displacement at the corner, phone-like cameras
# Powers of the focal length that k1, k2, p1, p2, k3 go with where the picture stays as it is.
FOCAL_POWERS = (2, 4, 1, 1, 6)
LENS_FILE_F_U = 0.005  # of a lens file without covariance: focal length, relative,
LENS_FILE_CENTRE_U = 0.0025  # principal point over the width,
LENS_FILE_BEND_U = 0.001  # and radial displacement at the corner
REDRAWS = 8
BEND_LATENT = 3  # of a camera without a lens file


@dataclass(frozen=True)
class Group:
    """One named source of uncertainty, as a line of a budget.

    Attributes
    ----------
    name : str
        For people, and the key by which it is drawn alone.
    kind : {'A', 'B'}
        Evaluated from repeated observations, or otherwise (JCGM 100:2008, 3.3.4).
    dof : float
        Degrees of freedom; inf when declared.
    advice : str
        What would make it smaller.
    """

    name: str
    kind: Kind
    dof: float
    advice: str


@dataclass(frozen=True, eq=False)
class Camera:
    """What is known of a camera.

    Attributes
    ----------
    source : {'lens', 'view angle', 'assumed'}
        Lens file, declared view angle, or the wide prior.
    centre : ndarray, shape (9,) or (8,)
        Parameter vector at all latents 0: the estimate.
    size_px : (float, float)
        Width and height of the square picture.
    groups : tuple of Group
        Sources of uncertainty; `latent_group[i]` is the index of the group of latent i.
    latent_group : tuple of int
    rectangular : ndarray of bool, shape (m,)
        Which latents are rectangular; the others are normal.
    """

    source: Literal["lens", "view angle", "assumed"]
    centre: FloatArray
    size_px: tuple[float, float]
    groups: tuple[Group, ...]
    latent_group: tuple[int, ...]
    rectangular: NDArray[np.bool_]
    _spread: FloatArray  # (P, m): change of the parameters per latent, the focal length apart
    _view_rad: tuple[float, float]  # mean and standard deviation of the long side's view angle
    _focal_u: float  # relative, of a declared view angle

    def params(self, latents: FloatArray) -> FloatArray:
        """Parameter vectors, shape (n, P), at latents of shape (n, m)."""
        params = self.centre + latents @ self._spread.T
        if self.source == "lens":
            return np.asarray(params, dtype=np.float64)
        if self.source == "view angle":
            focal = self.centre[0] * np.exp(self._focal_u * latents[:, 0])  # never below 0
        else:
            mean, spread = self._view_rad
            view = np.clip(mean + spread * latents[:, 0], 0.1, 2.9)
            focal = max(self.size_px) / 2 / np.tan(view / 2)
        params[:, 0] = focal
        params[:, 1] = focal * (self.centre[1] / self.centre[0])
        # The bend is declared at the picture's corner, so k1 follows the focal length.
        ratio = focal / self.centre[0]
        params[:, 4] *= np.square(ratio)
        if np.any(self.centre[5:]) or np.any(self._spread[5:]):
            params[:, 5:] *= ratio[:, None] ** np.array(FOCAL_POWERS[1:])
        return np.asarray(params, dtype=np.float64)

    @property
    def bend_latent(self) -> int | None:
        """Which latent is the bend that is assumed of an uncalibrated lens; None with a file."""
        return None if self.source == "lens" else BEND_LATENT

    @property
    def bend_is_known(self) -> bool:
        """Whether the bend is known from something in the picture, not merely assumed."""
        return self.source != "lens" and not bool(self.rectangular[BEND_LATENT])

    @property
    def corner_bend(self) -> float:
        """Radial displacement at the picture's corner over the corner's distance, by k1."""
        return float(self.centre[4]) * _corner_square(self.size_px, float(self.centre[0]))

    @property
    def corner_bend_per_latent(self) -> float:
        """Change of `corner_bend` with the bend's latent."""
        per_latent = float(self._spread[4, BEND_LATENT])
        return per_latent * _corner_square(self.size_px, float(self.centre[0]))

    def with_bend(self, mean: float, sd: float) -> Camera:
        """The same uncalibrated camera with its bend normal, in units of the present latent."""
        centre, spread = self.centre.copy(), self._spread.copy()
        centre[4] += spread[4, BEND_LATENT] * mean
        spread[4, BEND_LATENT] *= sd
        rectangular = self.rectangular.copy()
        rectangular[BEND_LATENT] = False
        return replace(self, centre=centre, _spread=spread, rectangular=rectangular)

    def draw_latents(
        self, rng: np.random.Generator, n: int, groups: Sequence[str] | None = None
    ) -> FloatArray:
        """Draw latents, shape (n, m), from all groups or those named; the others stay at 0.

        A lens that took this picture cannot fold back inside it, so draws that do, within the
        circle where the estimate itself holds, are drawn again (a truncated distribution).
        """
        latents = self._draw_once(rng, n, groups)
        for _ in range(REDRAWS):
            folded = np.flatnonzero(self.folds(self.params(latents)))
            if not folded.size:
                return latents
            latents[folded] = self._draw_once(rng, folded.size, groups)
        latents[self.folds(self.params(latents))] = 0.0
        return latents

    def folds(self, params: FloatArray) -> NDArray[np.bool_]:
        """Which lenses, shape (n, P), fold back where marks may lie; shape (n,).

        Marks lie inside the picture and within `USABLE_REACH` of where the estimate folds; how
        far a lens's own principal point has moved counts against it.
        """
        half = 1.01 * math.hypot(*self.size_px) / 2
        needed = min(half, 0.99 * float(reach_px(self.centre[None])[0]))
        moved = np.hypot(*(params[:, 2:4] - self.centre[2:4]).T)
        return np.asarray(reach_px(params) - moved < needed)

    def _draw_once(
        self, rng: np.random.Generator, n: int, groups: Sequence[str] | None
    ) -> FloatArray:
        count = len(self.latent_group)
        draws = rng.standard_normal((n, count))
        flat = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), (n, count))
        latents = np.where(self.rectangular, flat, draws)
        if groups is not None:
            wanted = [self.groups[index].name in groups for index in self.latent_group]
            latents[:, ~np.array(wanted, dtype=bool)] = 0.0
        return np.asarray(latents, dtype=np.float64)


def camera_from_lens(lens: Lens, width: int, height: int, pixel_aspect: float = 1.0) -> Camera:
    """Camera of a lens file for a clip of `width` x `height` upright px.

    The lens belongs to the square picture, ``width * pixel_aspect`` wide. One whose bend is known
    from straight lines alone keeps the doubt about its focal length whole: that of its declared
    view angle, or the wide prior of `assumed_camera`, with the distortion following it. A lens
    file without covariance gets a declared one (Type B): focal length 0.5 %, principal point
    0.25 % of the width, radial displacement at the corner 0.1 %.

    Raises
    ------
    LensError
        If the lens file belongs to pictures of another shape.
    """
    scaled = lens.scaled_to(round(width * pixel_aspect), height)
    centre = scaled.params
    size = (width * pixel_aspect, float(height))
    if scaled.focal != "calibrated":
        return _with_known_bend(scaled, size)
    if scaled.covariance is not None:
        values, vectors = np.linalg.eigh(_correlation(scaled.covariance))
        sd = np.sqrt(np.diag(scaled.covariance))
        keep = values > 1e-12
        spread = sd[:, None] * vectors[:, keep] * np.sqrt(values[keep])
        group = Group(
            "lens",
            "A",
            math.inf,
            "calibrate the lens with more views of the board, also in the picture's corners",
        )
    else:
        spread = np.zeros((len(centre), 4))
        spread[0, 0], spread[1, 0] = LENS_FILE_F_U * centre[0], LENS_FILE_F_U * centre[1]
        spread[2, 1] = spread[3, 2] = LENS_FILE_CENTRE_U * size[0]
        spread[4, 3] = LENS_FILE_BEND_U / _corner_square(size, float(centre[0]))
        group = Group(
            "lens",
            "B",
            math.inf,
            "the lens file states no covariance; give one that does",
        )
    spread = spread[:, np.any(spread != 0, axis=0)]
    count = spread.shape[1]
    return Camera(
        source="lens",
        centre=centre,
        size_px=size,
        groups=(group,) if count else (),
        latent_group=(0,) * count,
        rectangular=np.zeros(count, dtype=bool),
        _spread=spread,
        _view_rad=(0.0, 0.0),
        _focal_u=0.0,
    )


def _with_known_bend(lens: Lens, size: tuple[float, float]) -> Camera:
    """Camera whose distortion and middle are measured and whose focal length is not."""
    centre = lens.params
    focal = float(centre[0])
    focal_u = VIEW_ANGLE_U
    spread = np.zeros((len(centre), 1))
    if lens.covariance is not None:
        # What is left once the focal length is held: the rest of it comes back by `params`.
        full = lens.covariance
        if full[0, 0] > 0:
            focal_u = math.sqrt(full[0, 0]) / focal
            full = full - np.outer(full[0], full[0]) / full[0, 0]
        rest = full.copy()
        rest[:2], rest[:, :2] = 0.0, 0.0
        values, vectors = np.linalg.eigh(_correlation(rest))
        keep = values > 1e-9
        sd = np.sqrt(np.clip(np.diag(rest), 0.0, None))
        measured = sd[:, None] * vectors[:, keep] * np.sqrt(values[keep])
        spread = np.hstack([spread, measured[:, np.any(measured != 0, axis=0)]])
    view, assumed = _view_group(lens.focal == "assumed"), lens.focal == "assumed"
    bend = Group(
        "lens",
        "A",
        math.inf,
        "mark more straight things near the picture's sides, or calibrate the lens with a board",
    )
    low, high = (math.radians(angle) for angle in LONG_SIDE_VIEW_DEG)
    count = spread.shape[1] - 1
    return Camera(
        source="assumed" if assumed else "view angle",
        centre=centre,
        size_px=size,
        groups=(view, bend) if count else (view,),
        latent_group=(0,) + (1,) * count,
        rectangular=np.array([assumed] + [False] * count),
        _spread=spread,
        _view_rad=(2 * math.atan(max(size) / 2 / focal), (high - low) / 2 / math.sqrt(3.0)),
        _focal_u=focal_u,
    )


def camera_from_view_angle(
    width: int,
    height: int,
    view_angle_deg: float,
    *,
    u_relative: float = VIEW_ANGLE_U,
    pixel_aspect: float = 1.0,
) -> Camera:
    """Camera of a declared horizontal view angle of the upright picture.

    The focal length ``(width / 2) / tan(angle / 2)`` is log-normal with `u_relative`, at 2 % as
    good as normal; the principal point and the bend are as in `assumed_camera`.

    Raises
    ------
    LensError
        If the angle is not between 1 and 170 deg.
    """
    if not 1.0 <= view_angle_deg <= 170.0:
        raise LensError(
            f"a view angle of {view_angle_deg:g} deg was given, but it must lie between 1 and 170; "
            "give the horizontal angle the picture covers, such as 65"
        )
    size = (width * pixel_aspect, float(height))
    focal = size[0] / 2 / math.tan(math.radians(view_angle_deg) / 2)
    return _uncalibrated("view angle", size, pixel_aspect, focal, _view_group(False), u_relative)


def assumed_camera(width: int, height: int, pixel_aspect: float = 1.0) -> Camera:
    """Camera of which nothing is known: a wide prior for phone-like cameras.

    View angle of the long side rectangular over 50 to 85 deg, estimate at its middle; principal
    point normal about the picture's middle with 1 % of the width; radial displacement at the
    corner rectangular within 2 % (as k1). Action cameras bend more and need a lens file.
    """
    size = (width * pixel_aspect, float(height))
    middle = math.radians(sum(LONG_SIDE_VIEW_DEG) / 2)
    focal = max(size) / 2 / math.tan(middle / 2)
    return _uncalibrated("assumed", size, pixel_aspect, focal, _view_group(True), 0.0)


def _view_group(assumed: bool) -> Group:
    """The doubt about the focal length where it was not calibrated."""
    advice = (
        "state the camera's view angle, or better give a lens file or a sheet"
        if assumed
        else "calibrate the lens and give its file, or put a sheet in the plane of motion"
    )
    return Group("view angle", "B", math.inf, advice)


def _uncalibrated(
    source: Literal["view angle", "assumed"],
    size: tuple[float, float],
    pixel_aspect: float,
    focal: float,
    view: Group,
    focal_u: float,
) -> Camera:
    low, high = (math.radians(angle) for angle in LONG_SIDE_VIEW_DEG)
    centre = np.zeros(9)
    centre[:4] = focal, focal, (size[0] - pixel_aspect) / 2, (size[1] - 1) / 2
    spread = np.zeros((9, 4))
    spread[2, 1] = spread[3, 2] = CENTRE_U * size[0]
    spread[4, 3] = CORNER_BEND / math.sqrt(3.0) / _corner_square(size, focal)
    groups = (
        view,
        Group("picture centre", "B", math.inf, "calibrate the lens and give its file"),
        Group(
            "lens distortion",
            "B",
            math.inf,
            "calibrate the lens and give its file, or keep the lines near the picture's middle",
        ),
    )
    return Camera(
        source=source,
        centre=centre,
        size_px=size,
        groups=groups,
        latent_group=(0, 1, 1, 2),
        rectangular=np.array([source == "assumed", False, False, True]),
        _spread=spread,
        _view_rad=((low + high) / 2, (high - low) / 2 / math.sqrt(3.0)),
        _focal_u=focal_u,
    )


def _corner_square(size: tuple[float, float], focal: float) -> float:
    """Squared ray radius of the picture's corner."""
    return float((size[0] ** 2 + size[1] ** 2) / 4 / focal**2)


def _correlation(covariance: FloatArray) -> FloatArray:
    """Correlation matrix, with 0 where a variance is 0."""
    sd = np.sqrt(np.diag(covariance))
    safe = np.where(sd > 0, sd, 1.0)
    return np.asarray(covariance / np.outer(safe, safe), dtype=np.float64)
