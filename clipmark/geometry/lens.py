"""The lens of one camera as a small frozen fact: read from and written to its JSON form.

Lens parameters belong to the square picture (pixel aspect applied) of `Lens.image_size`. See
`clipmark.geometry.distortion` for the two models and the order of parameters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.distortion import (
    FISHEYE_NAMES,
    ORDINARY_NAMES,
    distort_many,
    reach_px,
    undistort_many,
)

FloatArray = NDArray[np.float64]
LensModel = Literal["ordinary", "fisheye"]
Focal = Literal["calibrated", "view angle", "assumed"]
FOCALS: tuple[Focal, ...] = ("calibrated", "view angle", "assumed")

ASPECT_TOLERANCE = 0.002  # pictures cropped by a line or two by the encoder still belong
LARGEST_VARIANCE = 1e12
CENTRE_NAMES = ("fx", "fy", "cx", "cy")


@dataclass(frozen=True, eq=False)
class Lens:
    """A calibrated lens.

    Attributes
    ----------
    model : {'ordinary', 'fisheye'}
        Brown-Conrady ``k1, k2, p1, p2, k3``, or the equidistant fisheye ``k1, k2, k3, k4``.
    fx, fy, cx, cy : float
        Focal lengths and principal point, px of the square picture.
    distortion : tuple of float
        Five coefficients (ordinary) or four (fisheye), in the order above.
    image_size : (int, int)
        Width and height of the square picture the parameters belong to, px.
    covariance : ndarray, shape (9, 9) or (8, 8), or None
        Covariance of ``fx, fy, cx, cy`` and the distortion, in this order.
    rms_px : float or None
        Reprojection error of the calibration.
    focal : {'calibrated', 'view angle', 'assumed'}
        Where the focal length comes from. Straight lines tell the bend and not the focal length:
        that is then the one of a declared view angle, or a guess about any camera, and the
        distortion goes with it so that the bend at the picture's corner stays.
    """

    model: LensModel
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...]
    image_size: tuple[int, int]
    covariance: FloatArray | None = None
    rms_px: float | None = None
    focal: Focal = "calibrated"

    @property
    def params(self) -> FloatArray:
        """Parameter vector, shape (9,) or (8,)."""
        return np.array([self.fx, self.fy, self.cx, self.cy, *self.distortion])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters in the order of `params` and `covariance`."""
        return _names(self.model)

    @property
    def reach_px(self) -> float:
        """Distance from the principal point at which the model folds back, px; inf if never."""
        return float(reach_px(self.params[None])[0])

    @classmethod
    def from_dict(cls, data: Mapping[str, object]) -> Lens:
        """Read the JSON form; unknown keys are ignored, so that newer files still open.

        ``covariance`` may be missing or null. Its order is ``parameters`` where the file names
        it, otherwise ``fx, fy, cx, cy`` and then the distortion in the order written there.

        Raises
        ------
        LensError
            A sentence saying which entry is missing or malformed.
        """
        if not isinstance(data, Mapping):
            raise LensError("the lens file is not a JSON object; calibrate the lens anew")
        model = data.get("model", "ordinary")
        if model not in ("ordinary", "fisheye"):
            raise LensError(
                f"the lens file names the model '{model}', but only 'ordinary' and 'fisheye' are "
                "known; calibrate the lens with one of them"
            )
        fx, fy, cx, cy = (_number(data.get(name), f"'{name}'") for name in CENTRE_NAMES)
        if fx <= 0 or fy <= 0:
            raise LensError(
                f"the lens file has a focal length of {min(fx, fy):g} px, but it must be above 0; "
                "calibrate the lens anew"
            )
        written, distortion = _distortion(data.get("distortion"), model)
        rms = data.get("rms_px")
        return cls(
            model=model,
            fx=fx,
            fy=fy,
            cx=cx,
            cy=cy,
            distortion=distortion,
            image_size=_image_size(data.get("image_size")),
            covariance=_covariance(
                data.get("covariance"), data.get("parameters"), (*CENTRE_NAMES, *written), model
            ),
            rms_px=None if rms is None else _number(rms, "'rms_px'"),
            focal=_focal(data.get("focal")),
        )

    def to_dict(self) -> dict[str, object]:
        """The JSON form; ``parameters`` names the order of the covariance's rows.

        ``focal`` is there only where the focal length was not calibrated.
        """
        focal = {} if self.focal == "calibrated" else {"focal": self.focal}
        return {
            "model": self.model,
            "fx": self.fx,
            "fy": self.fy,
            "cx": self.cx,
            "cy": self.cy,
            "distortion": dict(zip(self.names[4:], self.distortion, strict=True)),
            "image_size": list(self.image_size),
            "parameters": list(self.names),
            "covariance": None if self.covariance is None else self.covariance.tolist(),
            "rms_px": self.rms_px,
            **focal,
        }

    def scaled_to(self, width: int, height: int) -> Lens:
        """The same lens for a picture of another size but the same shape.

        The principal point scales about the outer edge of the picture, half a pixel beyond
        the first centre: ``(c + 1/2) s - 1/2``. The covariance scales with it.

        Raises
        ------
        LensError
            If the shapes differ by more than 0.2 %: the picture is then cropped or turned, and
            the lens file does not say where.
        """
        own_width, own_height = self.image_size
        if (width, height) == self.image_size:
            return self
        if abs((width / height) / (own_width / own_height) - 1.0) > ASPECT_TOLERANCE:
            turned = (width > height) != (own_width > own_height)
            cause = "held the same way up" if turned else "in the same shape of picture"
            raise LensError(
                f"the lens file is for pictures of {own_width} x {own_height} px, but this clip is "
                f"{width} x {height} px; give a lens file of this camera made {cause}"
            )
        sx, sy = width / own_width, height / own_height
        scale = np.ones(len(self.names))
        scale[:4] = sx, sy, sx, sy
        covariance = self.covariance
        return Lens(
            model=self.model,
            fx=self.fx * sx,
            fy=self.fy * sy,
            cx=(self.cx + 0.5) * sx - 0.5,
            cy=(self.cy + 0.5) * sy - 0.5,
            distortion=self.distortion,
            image_size=(width, height),
            covariance=None if covariance is None else covariance * np.outer(scale, scale),
            rms_px=None if self.rms_px is None else self.rms_px * math.sqrt(sx * sy),
            focal=self.focal,
        )

    def undistort(self, points_px: FloatArray) -> FloatArray:
        """Straight px of picture positions, shape (N, 2); raises `LensError` beyond the fold."""
        points = np.asarray(points_px, dtype=np.float64)
        straight = undistort_many(points, self.params[None])[0]
        self._check_reach(points, straight, "picture position")
        return np.asarray(straight, dtype=np.float64)

    def distort(self, points_px: FloatArray) -> FloatArray:
        """Picture positions of straight px, shape (N, 2); raises `LensError` beyond the fold."""
        points = np.asarray(points_px, dtype=np.float64)
        picture = distort_many(points, self.params[None])[0]
        self._check_reach(points, picture, "straight position")
        return np.asarray(picture, dtype=np.float64)

    def _check_reach(self, given: FloatArray, found: FloatArray, what: str) -> None:
        lost = np.flatnonzero(np.isnan(found).any(axis=-1) & np.isfinite(given).all(axis=-1))
        if lost.size:
            raise LensError(beyond_reach(self.params, given[lost[0]], what))


def beyond_reach(params: FloatArray, point: FloatArray, what: str = "picture position") -> str:
    """The sentence for a point, px, that a lens of `params`, shape (9,) or (8,), cannot reach."""
    reach = float(reach_px(params[None])[0])
    where = f"{reach:.0f} px from its middle" if math.isfinite(reach) else "before it"
    return (
        f"the {what} ({point[0]:.1f}, {point[1]:.1f}) px lies beyond the usable reach of the lens "
        f"model, which folds back {where}; mark points nearer the middle, or calibrate the lens "
        "with the board in the corners of the picture"
    )


def _names(model: LensModel) -> tuple[str, ...]:
    return FISHEYE_NAMES if model == "fisheye" else ORDINARY_NAMES


def _focal(value: object) -> Focal:
    """Where the focal length comes from; raises `LensError` for a word not known."""
    for known in FOCALS:
        if value == known or (value is None and known == "calibrated"):
            return known
    raise LensError(
        f"the lens file says that its focal length is '{value}', but only "
        f"{', '.join(repr(known) for known in FOCALS)} are known; calibrate the lens anew"
    )


def _number(value: object, what: str) -> float:
    """Take a finite number out of JSON; raises `LensError` naming `what`."""
    if value is None:
        raise LensError(f"the lens file has no {what}; calibrate the lens anew")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise LensError(
            f"the lens file has {what} = {value!r}, which is not a finite number; "
            "calibrate the lens anew"
        )
    return float(value)


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, (str, bytes))


def _distortion(value: object, model: LensModel) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Coefficient names as written, and all coefficients in our order, missing ones 0."""
    expected = _names(model)[4:]
    if value is None:
        raise LensError("the lens file has no 'distortion'; calibrate the lens anew")
    if isinstance(value, Mapping):
        written = {str(name): _number(item, f"distortion '{name}'") for name, item in value.items()}
    elif _is_list(value):
        items = list(cast("Sequence[object]", value))
        if len(items) > len(expected):
            raise LensError(
                f"the lens file has {len(items)} distortion coefficients, but the {model} model "
                f"has {len(expected)} ({', '.join(expected)}); calibrate the lens anew"
            )
        written = {
            name: _number(item, f"distortion '{name}'")
            for name, item in zip(expected, items, strict=False)
        }
    else:
        raise LensError(
            f"the lens file has 'distortion' = {value!r}, but it must name {', '.join(expected)}; "
            "calibrate the lens anew"
        )
    unknown = [name for name in written if name not in expected]
    if unknown:
        raise LensError(
            f"the lens file has the distortion coefficient '{unknown[0]}', but the {model} model "
            f"has {', '.join(expected)}; calibrate the lens anew"
        )
    return tuple(written), tuple(written.get(name, 0.0) for name in expected)


def _image_size(value: object) -> tuple[int, int]:
    """Width and height in px; raises `LensError`."""
    if not _is_list(value) or len(cast("Sequence[object]", value)) != 2:
        raise LensError(
            "the lens file has no 'image_size' of two numbers, so it cannot be told which pictures "
            "it belongs to; add the width and height in px it was made at"
        )
    width, height = (_number(item, "'image_size'") for item in cast("Sequence[object]", value))
    if width < 1 or height < 1:
        raise LensError(
            f"the lens file is for pictures of {width:g} x {height:g} px, which is no picture; "
            "calibrate the lens anew"
        )
    return round(width), round(height)


def _too_large(full: NDArray[np.float64]) -> bool:
    """Whether a covariance holds numbers that no arithmetic can be done with."""
    return bool(np.abs(full).max() > LARGEST_VARIANCE)


def _covariance(
    value: object, order: object, written: tuple[str, ...], model: LensModel
) -> FloatArray | None:
    """Covariance in our own order, (9, 9) or (8, 8); raises `LensError`."""
    if value is None:
        return None
    names = _names(model)
    if _is_list(order):
        rows = tuple(str(name) for name in cast("Sequence[object]", order))
    else:
        rows = written
    try:
        matrix = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        matrix = np.empty(0)
    if matrix.shape == (len(names), len(names)) and len(rows) != len(names):
        rows = names
    if matrix.shape != (len(rows), len(rows)) or sorted(set(rows)) != sorted(rows):
        raise LensError(
            f"the lens file has a covariance that is not {len(names)} x {len(names)} numbers for "
            f"{', '.join(names)}; calibrate the lens anew, or set it to null"
        )
    if not set(rows) <= set(names):
        stray = next(name for name in rows if name not in names)
        raise LensError(
            f"the lens file has a covariance for '{stray}', which the {model} model does not have; "
            "calibrate the lens anew, or set it to null"
        )
    places = [names.index(name) for name in rows]
    full = np.zeros((len(names), len(names)))
    full[np.ix_(places, places)] = matrix
    scale = np.sqrt(np.abs(np.diag(full)))
    scale[scale == 0] = 1.0
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # judged just below
        shape = full / np.outer(scale, scale)
    symmetric = np.isfinite(shape).all() and np.allclose(shape, shape.T, atol=1e-6)
    if not symmetric or np.linalg.eigvalsh((shape + shape.T) / 2)[0] < -1e-6 or _too_large(full):
        raise LensError(
            "the lens file has a covariance that is no covariance (not symmetric, or with a "
            "negative variance); calibrate the lens anew, or set it to null"
        )
    return np.asarray((full + full.T) / 2, dtype=np.float64)
