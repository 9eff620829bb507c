"""The ruler of a crawl from everything that is declared about the view: lens, sheet, promise.

A sheet in the plane of motion gives mm by itself. A scale mark gives them along its own line;
what lens and plane make of lengths elsewhere is taken from the view, and its doubt is drawn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.geometry.plane import rectifier
from clipmark.marks import Line, Patch, check_line
from clipmark.measure.crawl_ruler import SCALE_U_PX, Ruler, ScaleSource, scale_ruler
from clipmark.measure.view import Look, Picture, ViewOptions, look_at

FloatArray = NDArray[np.float64]
DRAWS = 100  # a standard uncertainty from so many is good to 7 %, and costs a tenth of a second
REACH_PX = 120.0  # half the stretch over which lengths are compared around the patch
SEED = 20_260_502


def ruler_for(
    clip: Clip,
    ordinal: int,
    patch: Patch,
    *,
    scale: Line | None,
    scale_mm: float | None,
    scale_u_px: float = SCALE_U_PX,
    travel: Line | None = None,
    options: ViewOptions | None = None,
    edge_fit: bool = True,
) -> tuple[Ruler, tuple[str, ...]]:
    """Ruler for a crawl marked on frame `ordinal`, and what an operator should know of it.

    Parameters
    ----------
    clip : Clip
    ordinal : int
        Frame the marks were set on.
    patch : Patch
        Where lengths are needed.
    scale, scale_mm, scale_u_px
        Two points a known length apart, that length, and how well each was marked.
    travel : Line, optional
        The way; lengths are judged along it, else along the scale or the picture's rows.
    options : ViewOptions, optional
        Lens, view angle, promise, sheet.
    edge_fit : bool
        Fit the sheet's sides.

    Raises
    ------
    MarkError, LensError, PlaneError
    """
    options = options or ViewOptions()
    if (scale is None) != (scale_mm is None):
        missing = "its length (--scale-mm)" if scale_mm is None else "its two points (--scale)"
        raise MarkError(f"a scale mark needs {missing} as well; give both")
    if scale is None and not options.shows_plane:
        raise MarkError(
            "no complete scale was given, so lengths in mm are not defined; give either two points "
            "with their distance (--scale and --scale-mm) or a sheet in the plane of motion"
        )
    if scale is not None:
        check_line(scale, clip.width, clip.height, "the scale mark")
    frame = clip.frame(ordinal)
    levels = (float(clip.black_level), float(clip.white_level))
    look = look_at(Picture(frame.luma, levels, float(clip.pixel_aspect)), options, edge_fit)
    stretch = _stretch(patch, travel or scale, look.picture)
    if scale is None or scale_mm is None:
        return _sheet_ruler(look, stretch), look.warnings
    plain = scale_ruler(clip, scale, scale_mm, scale_u_px)
    return _scaled(look, scale, scale_mm, stretch, plain), look.warnings


def _stretch(patch: Patch, way: Line | None, picture: Picture) -> FloatArray:
    """Two points around the patch along the way, kept inside the picture, shape (2, 2)."""
    middle = np.array([patch.centre.x, patch.centre.y])
    along = np.array([1.0, 0.0])
    if way is not None:
        along = np.array([way.x2 - way.x1, way.y2 - way.y1]) / way.length_px
    ends = middle + np.array([[-REACH_PX], [REACH_PX]]) * along
    return np.asarray(np.clip(ends, 0.0, [picture.width - 1.0, picture.height - 1.0]))


def _sheet_ruler(look: Look, stretch: FloatArray) -> Ruler:
    """mm by the sheet's own size; lengths hold in its plane."""
    viewing = look.viewing
    pose = viewing.sheet
    assert pose is not None
    picture = look.picture
    square = picture.to_square(stretch)
    length = _length(pose.to_mm(square)[None])[0]
    sources: list[ScaleSource] = []
    for group in viewing.groups:
        rng = np.random.default_rng([SEED, len(sources)])
        lengths = _length(viewing.draw_all(rng, DRAWS, group.name).sheets[0].to_mm(square))
        sources.append(ScaleSource(group.name, float(np.std(lengths) / length), group.advice))
    described: dict[str, object] = {"scale_from": "sheet", "mm_per_px": pose.mm_per_px(square[0])}
    return Ruler(
        lambda points: pose.to_mm(picture.to_square(points)),
        tuple(source for source in sources if source.u_relative > 1e-7),
        described,
    )


def _scaled(look: Look, scale: Line, scale_mm: float, stretch: FloatArray, plain: Ruler) -> Ruler:
    """mm by the scale mark, in the flat picture that lens and plane make."""
    picture = look.picture
    ends = np.array([[scale.x1, scale.y1], [scale.x2, scale.y2]])
    flat = look.flat(stretch.mean(axis=0))
    per_px = scale_mm / float(_length(flat.to_flat(ends)[None])[0])
    both = picture.to_square(np.concatenate([stretch, ends]))
    sources = list(plain.sources)
    for number, group in enumerate(look.groups):
        rng = np.random.default_rng([SEED, number])
        cameras, normals = look.viewing.draw(rng, DRAWS, group.name)
        cameras = np.broadcast_to(cameras, (DRAWS, cameras.shape[-1]))
        normals = np.broadcast_to(normals, (DRAWS, 3))
        ratios = np.array(
            [
                _ratio(rectifier(camera, normal, both[0]).to_flat(both))
                for camera, normal in zip(cameras, normals, strict=True)
            ]
        )
        base = _ratio(look.viewing.rectifier(both[0]).to_flat(both))
        u_relative = float(np.sqrt(np.mean((ratios / base - 1.0) ** 2)))
        if u_relative > 1e-7:
            sources.append(ScaleSource(group.name, u_relative, group.advice))
    described = {**plain.describe, "scale_from": "scale mark", "mm_per_px": per_px}
    return Ruler(
        lambda points: np.asarray(flat.to_flat(points) * per_px, dtype=np.float64),
        tuple(sources),
        described,
    )


def _length(pairs: FloatArray) -> FloatArray:
    """Distance between two points, shape (n, 2, 2) to (n,)."""
    off = pairs[:, 1] - pairs[:, 0]
    return np.asarray(np.hypot(off[:, 0], off[:, 1]), dtype=np.float64)


def _ratio(points: FloatArray) -> float:
    """Length of the first pair over that of the second, shape (4, 2)."""
    first, second = _length(points.reshape(2, 2, 2))
    return float(first / second)
